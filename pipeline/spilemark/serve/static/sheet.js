// The form of a job, new or not.
import { attempt, send } from "./common.js";

const form = document.getElementById("sheet");
const fresh = !form?.dataset.then;
if (form && fresh && !form.elements.date.value) {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  form.elements.date.value = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

function unitsShown() {
  const inches = form.elements.units.value === "in";
  const examples = inches
    ? { thickness: "1/8", battens: "A-H = 29 1/4", distances: "A-H = 29 1/4", centreline_offset: "16 1/8", tolerance: "1/16" }
    : { thickness: "3.1", battens: "A-H = 742.5", distances: "A-H = 742.5", centreline_offset: "410", tolerance: "1.5" };
  for (const [name, text] of Object.entries(examples)) form.elements[name].placeholder = text;
}

form?.addEventListener("change", unitsShown);
if (form) unitsShown();

form?.addEventListener("submit", (event) => {
  event.preventDefault();
  attempt(async () => {
    const button = form.querySelector("button[type=submit]");
    button.disabled = true;
    try {
      const answer = await send(form.dataset.to, Object.fromEntries(new FormData(form)));
      location.href = form.dataset.then ?? `/jobs/${answer.id}`;
    } finally {
      button.disabled = false;
    }
  });
});
