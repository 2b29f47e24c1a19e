// The phone as the bench's camera: a photo goes out, and words come back before the pattern is moved.
import { SIGNS, attempt, el, get, jobHere, nameOf, send, trouble } from "./common.js";
import { forget, keep, waiting } from "./waiting.js";

const form = document.getElementById("job");
const verdict = document.getElementById("verdict");
const more = document.getElementById("more");
const sent = document.getElementById("sent");
const waits = document.getElementById("waits");
const SHUT =
  "The laptop does not answer: its door for phones is shut (it shuts by itself after 20 minutes), or the program was closed."
  + " On the laptop, open this job, press \"Let a phone in\" on the page Photos, and scan the new code. Then press \"Send again\" here.";
const WORDS = Object.fromEntries(
  [...form.querySelectorAll("[data-arm]")].map((label) => [label.dataset.arm, label.querySelector("[data-words]").textContent]),
);
let job = jobHere();

function photos(count) {
  return `${count} photo${count === 1 ? "" : "s"}`;
}

function show() {
  for (const label of form.querySelectorAll("[data-arm]")) {
    const arm = label.dataset.arm;
    label.hidden = !job.arms_open.includes(arm);
    const { photos: all, bad } = job.counts[arm];
    const good = all - bad;
    const words = [good ? photos(good) : "", bad ? `${photos(bad)} will not do` : ""].filter(Boolean).join(", ");
    label.querySelector("[data-count]").textContent = words;
  }
  const chosen = form.elements.arm.value;
  if (!job.arms_open.includes(chosen)) form.elements.arm.value = job.arms_open[0];
  sent.replaceChildren(...[...job.photos].reverse().map(sentLine));
}

function sentLine(photo) {
  const said = photo.check;
  const aside = el("button", { type: "button" }, "Take it out");
  const name = photo.own_name || photo.name;
  aside.setAttribute("aria-label", `Take ${name} out`);
  aside.addEventListener("click", () => attempt(async () => {
    await send(`/photos/${photo.id}/aside`);
    say("", `${name} was taken out. It can be brought back on the laptop.`);
    await refresh();
  }));
  const words = said ? `${SIGNS[said.good]} ${said.words}` : "… looking at it";
  return el("li", {}, el("div", {}, el("strong", {}, `${WORDS[photo.arm]}: ${name}`), el("p", {}, words), aside));
}

function say(good, words, lines = []) {
  verdict.textContent = words;
  verdict.dataset.good = good;
  more.replaceChildren(...lines.map((line) => el("li", {}, line)));
}

async function one(arm, file) {
  say("", "… sending. Do not move the pattern yet.");
  const answer = await send(`/photos/${arm}`, file, "application/octet-stream", nameOf(file));
  const said = answer.verdict;
  say(said.good, `${SIGNS[said.good]} ${said.words}`, said.more);
  navigator.vibrate?.(said.good === "yes" ? 80 : [80, 80, 80]);
}

/** Send one; where nobody takes it, it waits here. */
async function oneOrWait(arm, file, waited = "") {
  try {
    await one(arm, file);
    if (waited) await forget(waited);
    return true;
  } catch (error) {
    const nobody = !error.status || error.status === 403;
    if (nobody && !waited) await keep(job.id, arm, file);
    say("no", nobody ? "✕ It was not sent. It waits on this phone." : "✕ It was not sent.");
    trouble(nobody ? SHUT : error.message);
    return false;
  }
}

async function showWaiting() {
  const rows = await waiting(job.id);
  waits.hidden = rows.length === 0;
  waits.querySelector("ul").replaceChildren(...rows.map((row) => {
    const again = el("button", { type: "button", className: "main" }, "Send again");
    again.setAttribute("aria-label", `Send ${row.name} again`);
    again.addEventListener("click", async () => {
      again.disabled = true;
      trouble("");
      if (await oneOrWait(row.arm, row.file, row.key)) await refresh();
      await showWaiting();
    });
    const away = el("button", { type: "button" }, "Do not send");
    away.setAttribute("aria-label", `Do not send ${row.name}`);
    away.addEventListener("click", async () => {
      await forget(row.key);
      await showWaiting();
    });
    return el("li", {}, el("div", {}, el("strong", {}, `${WORDS[row.arm]}: ${row.name}`), el("p", { className: "bar" }, again, away)));
  }));
}

async function all(input) {
  trouble("");
  const arm = form.elements.arm.value;
  const files = [...input.files];
  let open = true;
  for (const file of files) {
    // After the first that nobody took the others wait with it.
    if (open) open = await oneOrWait(arm, file);
    else await keep(job.id, arm, file);
  }
  input.value = "";
  if (open) await refresh();
  await showWaiting();
}

async function refresh() {
  try {
    job = await get("/state");
  } catch {
    trouble(SHUT);
  }
  show();
}

for (const id of ["take", "choose"]) {
  const input = document.querySelector(`#${id} input`);
  input.addEventListener("change", () => all(input));
}
show();
showWaiting();
