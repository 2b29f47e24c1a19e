// The way in: one button, so that a scanner that looks ahead does not use up the code.
import { attempt, send } from "./common.js";

const button = document.getElementById("in");
button.addEventListener("click", () => attempt(async () => {
  button.disabled = true;
  try {
    await send("/in", { code: button.dataset.code });
    location.replace("/");
  } finally {
    button.disabled = false;
  }
}));
