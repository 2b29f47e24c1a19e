// The shop sums: tried and drawn while one types, kept when one says so.
import { attempt, el, jobHere, send, trouble } from "./common.js";
import { Ink } from "./ink.js";

const job = jobHere();
const api = `/api/jobs/${job.id}`;
const form = document.getElementById("sums");
/** What has to be reckoned again when a table changes. */
const TOUCHES = { hull: ["hull"], shop: ["shop", "lamination", "board"], lamination: ["lamination"], board: ["board"] };
const WAIT_MS = 350;
const WORKING = "◐ working …";
const places = {};
const stale = new Set();
let waiting = null;
let busy = false;

function tables() {
  const told = {};
  for (const input of form.querySelectorAll("[data-table]")) {
    if (input.type === "radio" && !input.checked) continue;
    (told[input.dataset.table] ??= {})[input.dataset.key] = input.value;
  }
  return told;
}

/** What is still wanting before a section can be reckoned; empty: nothing. */
function wanting(section, told) {
  const filled = (table, key) => told[table][key].trim() !== "";
  if (section === "hull") {
    const given = Object.keys(told.hull).filter((key) => filled("hull", key)).length;
    return given === 3 ? "" : "Three tapes are needed.";
  }
  if (section !== "lamination") return "";
  const { strips } = told.lamination;
  const listed = strips.includes(";");
  if (!filled("lamination", "stack") && !strips.trim()) return "No lamination is asked.";
  return (filled("lamination", "stack") || listed) && strips.trim() && filled("lamination", "wood") ? "" : "Stack, strips and wood are needed.";
}

function say(name, answer) {
  const place = places[name];
  if (!place) return;
  place.root.removeAttribute("aria-busy");
  place.ink?.show(answer.drawing);
  const [first = "", ...rest] = answer.words;
  const finding = answer.wrong ? `✕ ${answer.wrong}` : first;
  const said = place.root.querySelector(".finding");
  if (said.textContent !== finding) said.textContent = finding;
  said.classList.toggle("wrong", Boolean(answer.wrong));
  const more = place.root.querySelector("details");
  if (!more) return;
  const dangers = answer.dangers ?? [];
  place.root.querySelector(".dangers").replaceChildren(...dangers.map((line) => el("p", {}, `⚠ ${line}`)));
  const quiet = rest.filter((line) => !dangers.includes(line));
  more.hidden = quiet.length === 0;
  more.querySelector("ul").replaceChildren(...quiet.map((line) => el("li", {}, line)));
  place.root.querySelector(".note").textContent = answer.note ?? "";
  const card = place.root.querySelector(".card");
  const [head, ...rows] = answer.card ?? [];
  card.hidden = !head;
  if (head) card.firstElementChild.replaceChildren(
    el("thead", {}, el("tr", {}, ...head.map((cell) => el("th", { scope: "col" }, cell)))),
    el("tbody", {}, ...rows.map((row) => el("tr", {}, ...row.map((cell) => el("td", {}, cell))))));
}

/** Take an answer away that is of other choices; its drawing stays, covered, so that nothing jumps. */
function forget(name) {
  const place = places[name];
  if (!place || place.root.hasAttribute("aria-busy")) return;
  place.root.setAttribute("aria-busy", "true");
  const said = place.root.querySelector(".finding");
  said.textContent = WORKING;
  said.classList.remove("wrong");
  place.root.querySelector(".dangers")?.replaceChildren();
  place.root.querySelector(".note")?.replaceChildren();
  for (const part of place.root.querySelectorAll("details, .card")) part.hidden = true;
}

/** Nothing is kept while an answer to it is wanting. */
function mayKeep(yes) {
  const button = form.querySelector("button[type=submit]");
  if (button) button.disabled = !yes;
}

const none = (words) => ({ words: [words], wrong: "", drawing: null });

/** What stands at a section whose sum came to no end. */
function unanswered(section, why) {
  const told = { [section]: { words: [], wrong: why, drawing: null } };
  if (section === "lamination") told.block = none("");
  return told;
}

/** Reckon what is stale, one section after the other; what changes meanwhile waits its turn. */
async function reckon() {
  if (busy) return;
  busy = true;
  trouble("");
  try {
    while (stale.size) {
      const [section] = stale;
      stale.delete(section);
      const told = tables();
      const missing = wanting(section, told);
      if (missing) {
        say(section, none(missing));
        if (section === "lamination") say("block", none(""));
        continue;
      }
      const side = form.elements.side?.value ?? "";
      const asked = { ...told, side, what: [section], draw: form.elements.draw.value };
      const answer = await send(`${api}/sums/try`, asked).catch((error) => unanswered(section, error.message));
      // Something was typed meanwhile: its answer will come, this one is of before.
      if (!stale.has(section)) for (const [name, one] of Object.entries(answer)) say(name, one);
    }
  } finally {
    busy = false;
    mayKeep(stale.size === 0);
  }
}

function changed(sections) {
  for (const section of sections) if (section === "hull" || job.measured) stale.add(section);
  for (const section of stale) {
    forget(section);
    if (section === "lamination") forget("block");
  }
  mayKeep(stale.size === 0);
  clearTimeout(waiting);
  waiting = setTimeout(reckon, WAIT_MS);
}

form.addEventListener("input", (event) => {
  document.getElementById("kept")?.replaceChildren();
  const { table } = event.target.dataset;
  if (table) changed(TOUCHES[table]);
  else changed(event.target.name === "draw" ? ["lamination"] : ["shop", "lamination", "board"]);
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  trouble("");
  attempt(async () => {
    await send(`${api}/sums`, tables());
    document.getElementById("kept").textContent = "✓ Kept. Measure again to have it on the templates.";
  });
});
for (const root of form.querySelectorAll("[data-sum]")) {
  places[root.dataset.sum] = { root, ink: root.querySelector(".stage") ? new Ink(root) : null };
}
changed(Object.keys(TOUCHES));
