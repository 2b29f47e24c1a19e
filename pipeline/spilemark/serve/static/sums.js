// The shop sums: tried while one types, kept when one says so.
import { attempt, el, jobHere, send, svg, trouble } from "./common.js";
import { Viewer, framed, legend, path } from "./viewer.js";

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
  const box = framed(Object.values(turned).flat(), 0.06);
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
if (view) legend(KINDS.map(([kind, said]) => [`line-${kind}`, said]));
attemptSums();
