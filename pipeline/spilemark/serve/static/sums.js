// The shop sums: tried while one types, kept when one says so.
import { attempt, el, jobHere, send, svg, trouble } from "./common.js";
import { Viewer, path } from "./viewer.js";

const job = jobHere();
const api = `/api/jobs/${job.id}`;
const form = document.getElementById("sums");
const view = document.getElementById("view");
const KINDS = [["outline", "as measured"], ["finished", "finished line"], ["second-face", "far face"], ["cutting", "cutting line"]];
let viewer = null;
let waiting = null;
let asked = 0;

function tables() {
  const told = {};
  for (const input of form.querySelectorAll("input[data-table]")) {
    (told[input.dataset.table] ??= {})[input.dataset.key] = input.value;
  }
  return told;
}

function words(place, lines, wrong) {
  document.getElementById(place).replaceChildren(
    ...(wrong ? [el("li", { className: "wrong" }, `✕ ${wrong}`)] : []),
    ...lines.map((line) => el("li", {}, line)),
  );
}

function draw(lines) {
  if (!view || !lines.outline) return;
  const turned = Object.fromEntries(Object.entries(lines).map(([name, ring]) => [name, ring.map(([x, y]) => [x, -y])]));
  const all = Object.values(turned).flat();
  const [xs, ys] = [all.map((p) => p[0]), all.map((p) => p[1])];
  const low = [Math.min(...xs), Math.min(...ys)];
  const size = [Math.max(...xs) - low[0], Math.max(...ys) - low[1]];
  const rim = 0.06 * Math.max(...size);
  const box = [low[0] - rim, low[1] - rim, size[0] + 2 * rim, size[1] + 2 * rim];
  if (!viewer) viewer = new Viewer(view, box);
  else if (Math.abs(viewer.size[2] - box[2]) > 60) viewer.fit(box);
  view.replaceChildren(...KINDS.filter(([kind]) => turned[kind]).map(([kind]) => svg("path", { class: `line-${kind}`, d: path(turned[kind], true) })));
}

async function attemptSums() {
  asked += 1;
  const mine = asked;
  const { hull, shop } = tables();
  const side = form.elements.side?.value ?? "";
  const answer = await attempt(() => send(`${api}/sums/try`, { hull, ...(job.measured ? { shop } : {}), side }));
  // A later question was asked meanwhile: its answer counts.
  if (!answer || mine !== asked) return;
  words("hull-words", answer.hull, answer.wrong.hull);
  words("part-words", job.measured ? answer.part : [], job.measured ? answer.wrong.shop : "");
  draw(answer.lines);
}

form.addEventListener("input", () => {
  document.getElementById("kept").textContent = "";
  clearTimeout(waiting);
  waiting = setTimeout(attemptSums, 400);
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  trouble("");
  attempt(async () => {
    await send(`${api}/sums`, tables());
    document.getElementById("kept").textContent = "✓ Kept. Measure again to have it on the templates.";
  });
});
document.getElementById("legend")?.replaceChildren(...KINDS.map(([kind, said]) =>
  el("li", {}, svg("svg", { viewBox: "0 0 64 24", "aria-hidden": "true" }, svg("path", { class: `line-${kind}`, d: "M4 12H60" })), said)));
attemptSums();
