// A printer is measured: what was read off its test sheet is kept by name.
import { attempt, el, send } from "./common.js";

const form = document.getElementById("printer");
const kept = document.getElementById("kept");
form.addEventListener("submit", (event) => {
  event.preventDefault();
  kept.replaceChildren();
  attempt(async () => {
    const told = await send("/api/printers", Object.fromEntries(new FormData(form)));
    kept.replaceChildren(
      el("p", { className: "status" }, `✓ Kept as "${told.name}". Choose it where you print.`),
      ...told.words.map((line) => el("p", {}, line)),
    );
    await listAgain();
  });
});

/** The list as the server has it now. */
async function listAgain() {
  const answer = await fetch(location.href);
  if (!answer.ok) return;
  const now = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("known");
  if (now) document.getElementById("known").replaceChildren(...document.importNode(now, true).childNodes);
}
