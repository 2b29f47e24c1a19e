// The phone as the bench's camera: a photo goes out, and words come back before the pattern is moved.
import { SIGNS, attempt, el, get, jobHere, send, trouble } from "./common.js";

const form = document.getElementById("job");
const verdict = document.getElementById("verdict");
const more = document.getElementById("more");
const sent = document.getElementById("sent");
let job = jobHere();

function show() {
  for (const label of form.querySelectorAll("[data-arm]")) {
    const arm = label.dataset.arm;
    label.hidden = !job.arms_open.includes(arm);
    const count = job.counts[arm];
    label.querySelector("[data-count]").textContent = count ? `(${count} in)` : "";
  }
  const chosen = form.elements.arm.value;
  if (!job.arms_open.includes(chosen)) form.elements.arm.value = job.arms_open[0];
}

async function one(file) {
  const arm = form.elements.arm.value;
  verdict.textContent = "… sending. Do not move the pattern yet.";
  verdict.dataset.good = "";
  more.replaceChildren();
  const answer = await send(`/photos/${arm}`, file, "application/octet-stream");
  const said = answer.verdict;
  const words = `${SIGNS[said.good]} ${said.words}`;
  verdict.textContent = words;
  verdict.dataset.good = said.good;
  more.replaceChildren(...said.more.map((line) => el("li", {}, line)));
  sent.prepend(el("li", {}, el("strong", {}, answer.name), el("span", {}, words)));
  navigator.vibrate?.(said.good === "yes" ? 80 : [80, 80, 80]);
}

async function all(input) {
  trouble("");
  for (const file of [...input.files]) {
    try {
      await one(file);
    } catch (error) {
      verdict.textContent = "✕ It was not sent.";
      verdict.dataset.good = "no";
      trouble(error.message);
    }
  }
  input.value = "";
  job = (await attempt(() => get("/state"))) ?? job;
  show();
}

for (const id of ["take", "choose"]) {
  const input = document.querySelector(`#${id} input`);
  input.addEventListener("change", () => all(input));
}
show();
