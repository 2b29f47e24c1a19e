// The form of a job, new or not.
import { attempt, el, send, trouble } from "./common.js";

const form = document.getElementById("sheet");
const fresh = !form?.dataset.then;
if (form && fresh && !form.elements.date.value) {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  form.elements.date.value = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

function unitsShown() {
  const inches = form.elements.units.value === "in";
  const pair = inches ? "A-H = 29 1/4" : "A-H = 742.5";
  const examples = inches
    ? { thickness: "1/8", centreline_offset: "16 1/8", tolerance: "1/16" }
    : { thickness: "3.1", centreline_offset: "410", tolerance: "1.5" };
  Object.assign(examples, { battens: pair, distances: pair });
  for (const input of form.querySelectorAll("input[name]")) {
    const text = examples[input.name.replace(/^(port|starboard)_/, "")];
    if (text) input.placeholder = text;
  }
}

/** One more row for a distance, named by its number. */
function addRow(name) {
  const rows = [...form.querySelectorAll(`input[name="${name}"]`)];
  const what = form.querySelector(`[data-rows="${name}"]`).dataset.what;
  const row = rows[0].cloneNode();
  row.removeAttribute("id");
  row.removeAttribute("aria-invalid");
  row.value = "";
  row.setAttribute("value", "");
  row.setAttribute("aria-label", `${what} ${rows.length + 1}`);
  rows.at(-1).after(row);
  row.focus();
}

/** The answers by name; the rows of one thing in one text, a line each. */
function answers() {
  const data = new FormData(form);
  return Object.fromEntries([...new Set(data.keys())].map((name) => [name, data.getAll(name).join("\n").trim()]));
}

function clearErrors() {
  for (const words of form.querySelectorAll(".wrong")) words.remove();
  for (const input of form.querySelectorAll("[aria-invalid]")) {
    input.removeAttribute("aria-invalid");
    input.setAttribute("aria-describedby", `${input.name}-hint`);
  }
}

/** Each error at its field, and the first field under the fingers. */
function showErrors(fields) {
  const found = [];
  for (const { field, words } of fields) {
    const inputs = [...form.querySelectorAll(`input[name="${field}"]`)];
    if (!inputs.length) continue;
    const place = inputs[0].closest(".field, fieldset");
    const id = `${field}-wrong`;
    const said = el("p", { className: "wrong", id }, words);
    // Of several rows the one that the words speak of.
    const quoted = (input) => input.value.trim() && input.value.split(/[\s=:;,–-]+/).every((part) => words.includes(part));
    const meant = inputs.find(quoted) ?? inputs.find((input) => input.value.trim()) ?? inputs[0];
    if (place.classList.contains("field")) meant.before(said);
    else place.append(said);
    meant.setAttribute("aria-invalid", "true");
    meant.setAttribute("aria-describedby", `${id} ${field}-hint`);
    meant.closest("details")?.setAttribute("open", "");
    found.push(meant);
  }
  const inOrder = [...form.elements].find((input) => found.includes(input));
  inOrder?.focus();
  inOrder?.scrollIntoView({ block: "center" });
}

form?.addEventListener("change", unitsShown);
if (form) unitsShown();

for (const button of document.querySelectorAll("[data-more]")) {
  button.addEventListener("click", () => addRow(button.dataset.more));
}

form?.addEventListener("submit", (event) => {
  event.preventDefault();
  clearErrors();
  attempt(async () => {
    const button = form.querySelector("button[type=submit]");
    button.disabled = true;
    try {
      const answer = await send(form.dataset.to, answers());
      location.href = form.dataset.then ?? `/jobs/${answer.id}`;
    } catch (error) {
      if (!error.fields?.length) throw error;
      trouble(error.message);
      showErrors(error.fields);
    } finally {
      button.disabled = false;
    }
  });
});
