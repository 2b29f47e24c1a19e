// The list of jobs: each line says where its job stands.
import { attempt, get, listen, statusWords } from "./common.js";

function show(job) {
  const line = document.querySelector(`#jobs li[data-id="${CSS.escape(job.id)}"]`);
  if (!line) return false;
  const status = line.querySelector(".status");
  status.textContent = statusWords(job);
  status.dataset.status = job.status;
  const count = job.photos.length;
  line.querySelector(".count").textContent = `${count} photo${count === 1 ? "" : "s"}`;
  return true;
}

async function all() {
  const jobs = await attempt(() => get("/api/jobs"));
  const known = (jobs ?? []).map(show);
  if (known.includes(false)) location.reload();
}

listen((job) => show(job) || location.reload(), all);
all();
