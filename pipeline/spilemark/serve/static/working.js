// On every page of a job: that it is being measured, the way to stop it, and where the keys go on.
import { attempt, get, jobHere, listenTo, send, statusWords } from "./common.js";

let job = jobHere();
const api = `/api/jobs/${job.id}`;
const place = document.getElementById("working");
const line = document.getElementById("working-state");
const stop = document.getElementById("working-stop");
let last = null; // what had the keys before a button went away under them

function show(told) {
  const ended = job.work && !told.work;
  job = told;
  if (place && (job.work || ended)) {
    place.hidden = false;
    line.textContent = statusWords(job);
    stop.hidden = !job.work;
  }
  // The page's own script may hide a button for the same news.
  setTimeout(keepFocus, 150);
}

/** A button that was hidden while it had the keys hands them to what came in its place. */
function keepFocus() {
  const lost = document.activeElement === document.body || document.activeElement === last;
  if (!last || last.checkVisibility() || !lost) return;
  const next = ["stop", "working-stop", "to-look", "measure", "working-state"]
    .map((id) => document.getElementById(id))
    .find((there) => there?.checkVisibility() && !there.disabled);
  next?.focus();
}

addEventListener("focusin", (event) => (last = event.target));
stop?.addEventListener("click", () => attempt(() => send(`${api}/stop`)));
listenTo(job.id, show, async () => show((await attempt(() => get(api))) ?? job));
show(job);
