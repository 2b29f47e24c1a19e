// What is printed: the first page of each paper shown, and the sheets made for another paper or printer.
import { attempt, get, jobHere, listenTo, send, statusWords } from "./common.js";

let job = jobHere();
const api = `/api/jobs/${job.id}`;
const form = document.getElementById("paper");
const made = document.getElementById("made");
let asked = false;

async function leaves() {
  for (const line of document.querySelectorAll("[data-leaf]")) {
    const file = `${api}/files/${line.dataset.leaf}`;
    try {
      const { pages } = await get(`${file}/leaf.json`);
      const picture = line.querySelector("img");
      picture.src = `${file}/leaf.png`;
      picture.hidden = false;
      const tiled = line.querySelectorAll("a").length > 1;
      line.querySelector(".pages").textContent = tiled ? sheets(pages, "mapped" in line.dataset) : "";
    } catch {
      // Without its picture a paper can be opened all the same.
    }
  }
}

/** Before several sheets of paper lies a map of them. */
function sheets(pages, mapped) {
  if (pages === 1) return "One sheet.";
  return mapped ? `${pages - 1} sheets, and a map of how they lie as the first page.` : `${pages} sheets.`;
}

form?.addEventListener("submit", (event) => {
  event.preventDefault();
  attempt(async () => {
    await send(`${api}/paper`, { paper: form.elements.paper.value });
    asked = true;
    made.textContent = "◔ The job is measured again for it.";
  });
});

async function again() {
  job = (await attempt(() => get(api))) ?? job;
  show();
}

function show() {
  if (!asked) return;
  if (job.work) made.textContent = statusWords(job);
  else if (job.status === "measured") {
    sessionStorage.setItem("made", job.id);
    location.reload();
  }
  else if (job.end) made.textContent = `${statusWords(job)}. ${job.end.words ?? ""}`;
}

if (form) {
  listenTo(job.id, (told) => {
    job = told;
    show();
  }, again);
  leaves();
  if (sessionStorage.getItem("made") === job.id) {
    made.textContent = "● The sheets are made for this.";
    form.querySelector("button")?.focus();
  }
  sessionStorage.removeItem("made");
}
