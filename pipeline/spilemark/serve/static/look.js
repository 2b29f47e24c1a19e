// The photo with what was found in it.
import { attempt, el, fine, get, jobHere, length, listenTo, send, statusWords, svg } from "./common.js";
import { Corrector, nameField } from "./correct.js";
import { Viewer, edgeAt, legend, nearestOf, path, stretches } from "./viewer.js";

let job = jobHere();
const api = `/api/jobs/${job.id}`;
const view = document.getElementById("view");
const under = document.getElementById("under");
const SIDES = { port: "Port", starboard: "Starboard", single: "Part" };
let measured = []; // what the results hold, by photo
let drawings = []; // the same with what was put right since
let shown = 0;
let image = null;
let viewer = null;
let layer = null;
let finger = null;
let corrector = null;
let told = null;

function draw() {
  const d = drawings[shown];
  if (image?.dataset.photo !== d.photo) {
    image = svg("image", { href: `${api}/photos/${d.photo}/look.jpg`, x: -0.5, y: -0.5, width: d.width, height: d.height, "data-photo": d.photo });
  }
  layer = svg("g");
  for (const card of d.cards) {
    layer.append(svg("path", { class: "rim", d: path(card.corners_px, true) }));
    layer.append(svg("path", { class: "card", d: path(card.corners_px, true) }));
    layer.append(tag(card.corners_px[0], card.name));
  }
  for (const pattern of d.patterns) drawPattern(pattern);
  finger = svg("circle", { class: "finger", r: 0, visibility: "hidden" });
  layer.append(finger);
  const size = [0, 0, d.width, d.height];
  if (!viewer) viewer = new Viewer(view, size, scaleTags);
  else if (String(viewer.size) !== String(size)) viewer.fit(size);
  if (!corrector && document.getElementById("tools")) {
    corrector = new Corrector({ api, view, drawing: () => drawings[shown], viewer: () => viewer, changed, walked: read });
  }
  view.replaceChildren(image, layer, ...(corrector ? [corrector.layer] : []));
  corrector?.show(corrector.told ?? told);
  pending();
  scaleTags();
  tables(d);
  for (const [k, button] of [...document.querySelectorAll("#pictures button")].entries()) {
    button.setAttribute("aria-pressed", String(k === shown));
  }
}

function drawPattern(pattern) {
  const all = [pattern.ring, ...pattern.holes];
  for (const ring of all) layer.append(svg("path", { class: "rim", d: path(ring, true) }));
  const kinds = pattern.seen.map((seen, k) => (!seen ? "guessed" : pattern.by_hand[k] ? "hand" : "seen"));
  for (const [kind, numbers] of stretches(kinds)) {
    layer.append(svg("path", { class: kind, d: path(numbers.map((k) => pattern.ring[k])) }));
  }
  for (const hole of pattern.holes) layer.append(svg("path", { class: "seen", d: path(hole, true) }));
  for (const mark of pattern.marks) layer.append(svg("path", { class: "mark", d: path(mark) }));
  if (pattern.line) {
    layer.append(svg("path", { class: "rim", d: path(pattern.line) }), svg("path", { class: "pencil", d: path(pattern.line) }));
  }
  const n = pattern.ring.length;
  for (const edge of pattern.edges) {
    const count = (edge.to - edge.from + n) % n || n;
    layer.append(tag(pattern.ring[(edge.from + (count >> 1)) % n], edge.name));
  }
  for (const corner of pattern.corners) {
    layer.append(svg("rect", { class: "corner", "data-x": corner.at[0], "data-y": corner.at[1] }), tag(corner.at, cornerName(corner)));
  }
}

function cornerName({ name }) {
  return name ? `${name} corner` : "new corner";
}

function tag([x, y], words) {
  return svg("text", { class: "tag", "data-x": x, "data-y": y }, words);
}

/** Words and handles keep their size on the screen, however near the picture is. */
function scaleTags() {
  if (!viewer || !layer) return;
  const unit = viewer.unit;
  const taken = [];
  for (const text of layer.querySelectorAll("text")) {
    const [x, y] = [text.dataset.x / unit, text.dataset.y / unit];
    const box = [x, y - 22, x + 9.5 * text.textContent.length, y];
    // Names that would lie on each other wait until the picture is nearer.
    const free = taken.every((other) => box[0] > other[2] || box[2] < other[0] || box[1] > other[3] || box[3] < other[1]);
    if (free) taken.push(box);
    text.setAttribute("visibility", free ? "visible" : "hidden");
    text.setAttribute("transform", `translate(${text.dataset.x} ${text.dataset.y}) scale(${unit}) translate(8 -8)`);
  }
  for (const square of layer.querySelectorAll("rect.corner")) {
    const half = 6 * unit;
    square.setAttribute("x", square.dataset.x - half);
    square.setAttribute("y", square.dataset.y - half);
    square.setAttribute("width", 2 * half);
    square.setAttribute("height", 2 * half);
  }
  finger?.setAttribute("r", 7 * unit);
  corrector?.sketch();
}

function point(event) {
  const at = viewer.at(event);
  const best = nearestOf(drawings[shown].patterns, at);
  if (!best || best.far > 40 * viewer.unit || (corrector && corrector.tool !== "read")) return;
  read(best.pattern, best.k);
}

/** Say what the outline is at one of its points, and mark it. */
function read(pattern, k) {
  finger.setAttribute("cx", pattern.ring[k][0]);
  finger.setAttribute("cy", pattern.ring[k][1]);
  finger.setAttribute("visibility", "visible");
  under.textContent = wordsOf(pattern, k);
}

function wordsOf(pattern, k) {
  const edge = edgeAt(pattern.edges, k, pattern.ring.length);
  const [x, y] = pattern.ring_mm[k];
  const how = [pattern.seen[k] ? "" : "guessed", pattern.by_hand[k] ? "made by hand" : ""].filter(Boolean).join(", ") || "seen";
  const u95 = pattern.u95_mm?.[k] ?? null;
  const doubt = u95 === null ? "" : `, ±${fine(u95, units, 2)} (95 %)`;
  return `${SIDES[pattern.side]}, ${edge?.name || "edge"}: ${how}${doubt}; ${length(Math.abs(x), units)} to ${x < 0 ? "port" : "starboard"}, ${length(y, units)} forward`;
}

function tables(d) {
  const cards = document.getElementById("cards");
  const head = el("tr", {}, ...["Card", "Its points used", "They lie off by"].map((w) => el("th", { scope: "col" }, w)));
  cards.replaceChildren(
    el("caption", { className: "quiet" }, `${d.name}: ${d.cards.length} cards seen`),
    el("thead", {}, head),
    el("tbody", {}, ...[...d.cards].sort((a, b) => a.name.localeCompare(b.name)).map((card) =>
      el("tr", {}, el("th", { scope: "row" }, card.name), el("td", { className: "number" }, `${card.kept} of ${card.crossings}`),
        el("td", { className: "number" }, card.residual_rms_px === null ? "?" : `${card.residual_rms_px.toFixed(2)} of a picture point`)))),
  );
  document.getElementById("edges").replaceChildren(...d.patterns.map(edgeTable));
}

function edgeTable(pattern) {
  const rows = pattern.edges.map((edge) =>
    el("tr", {}, el("th", { scope: "row" }, corrector && edge.name ? nameField(edge, corrector) : edge.name || "edge (gets its name when measured)"), el("td", { className: "number" }, length(edge.length_mm, units))));
  const corners = pattern.corners.map((corner) =>
    el("tr", {}, el("th", { scope: "row" }, cornerName(corner)), el("td", { className: "number" }, corner.deg === null || corner.deg === undefined ? "?" : `${corner.deg.toFixed(2)}°`)));
  return el("table", {}, el("caption", {}, `${SIDES[pattern.side]}: ${pattern.seen_percent.toFixed(0)} % of the edge seen. ${pattern.words}`), el("tbody", {}, ...rows, ...corners));
}

let units = "mm";

/** Something was put right: the job is not what was measured any more. */
async function changed(what) {
  job.stale = true;
  pending();
  if (what === "rename") return;
  const said = await tryOut();
  if (what === "add") corrector.did(said);
}

let asked = 0;

/** Draw the outlines with what was put right since they were measured; hands back what the last edit did. */
async function tryOut() {
  const number = (asked += 1);
  const arms = [...new Set(measured.map((d) => d.arm))];
  const waits = (arm) => {
    const { edits, dropped } = corrector.waiting(arm);
    return edits.length > 0 || dropped;
  };
  corrector.busy(true);
  const found = arms.some(waits) ? await attempt(() => send(`${api}/edits/try`)) : { arms: {} };
  if (number !== asked) return undefined;
  corrector.busy(false);
  if (!found) return undefined;
  drawings = measured.map((d) => (found.arms[d.arm]?.patterns && waits(d.arm) ? tried(d, found.arms[d.arm].patterns) : d));
  draw();
  return found.arms[drawings[shown].arm]?.said?.at(-1)?.words.join(" ");
}

/** A photo's drawing with outlines as they were tried. */
function tried(d, patterns) {
  const now = (p) => {
    const found = patterns.find((other) => other.side === p.side);
    const ring = found?.rings[d.photo];
    if (!ring) return p;
    const deg = Object.fromEntries(p.corners.map((corner) => [corner.name, corner.deg]));
    const corners = found.corners.map(({ at, name }) => ({ name, k: at, at: ring[at], deg: deg[name] ?? null }));
    return { ...p, ring, ring_mm: found.ring_mm, seen: found.seen, by_hand: found.by_hand, u95_mm: null, corners, edges: found.edges };
  };
  return { ...d, tried: true, patterns: d.patterns.map(now) };
}

/** What was changed and is not in the results yet. */
function pending() {
  const line = document.getElementById("pending");
  const again = document.getElementById("again");
  if (!corrector) return;
  const busy = job.work !== null;
  const arms = [...new Set(drawings.map((d) => d.arm))];
  const states = arms.map((arm) => corrector.waiting(arm));
  const waits = states.some(({ edits, dropped }) => edits.length || dropped);
  const old = states.some(({ dropped }, k) => dropped && !drawings.find((d) => d.arm === arms[k]).tried);
  line.hidden = !(busy || waits || job.stale);
  const drawn = old ? "What you took back shows when it is measured." : "It is drawn as it will be.";
  line.textContent = busy ? statusWords(job) : `△ What you put right is kept, and not worked into the results yet.${waits ? ` ${drawn}` : ""}`;
  again.hidden = line.hidden || busy;
}

async function begin() {
  if (!job.measured) {
    document.getElementById("unmeasured").hidden = false;
    return;
  }
  told = await attempt(() => get(`${api}/drawing`));
  if (!told) return;
  const firsts = new Set(["port", "starboard", "single", "both"].map((arm) => job.photos.find((p) => p.arm === arm)?.id));
  measured = told.photos.map((d) => ({ ...d, first: firsts.has(d.photo) }));
  drawings = measured;
  if (corrector) corrector.told = told;
  units = told.units;
  document.getElementById("looking").hidden = false;
  document.getElementById("pictures").replaceChildren(...drawings.map((d, k) => {
    const button = el("button", { type: "button" }, d.name);
    button.addEventListener("click", () => {
      shown = k;
      corrector?.choose(corrector.tool);
      draw();
    });
    return button;
  }));
  document.getElementById("notes").replaceChildren(...told.notes.map((note) =>
    el("li", {}, `${note.severity === "warn" ? "△ Mind: " : ""}${note.text}`)));
  legend([["seen", "edge, seen"], ["guessed", "edge, guessed"], ["hand", "made by hand"], ["pencil", "pencil line"], ["card", "card"]]);
  if (!drawings.length) {
    document.getElementById("under").textContent = "These results were made by an earlier version. Measure again to see them here.";
    return;
  }
  if (shown >= drawings.length) shown = 0;
  draw();
  if (corrector) await tryOut();
}

document.getElementById("again")?.addEventListener("click", () => attempt(() => send(`${api}/measure`)));
listenTo(job.id, (state) => {
  const finished = job.work && !state.work;
  job = state;
  if (finished) begin();
  else pending();
}, begin);
view.addEventListener("pointermove", (event) => viewer && point(event));
view.addEventListener("pointerdown", (event) => viewer && point(event));
document.getElementById("nearer").addEventListener("click", () => viewer.zoom(1.5));
document.getElementById("farther").addEventListener("click", () => viewer.zoom(1 / 1.5));
document.getElementById("whole").addEventListener("click", () => viewer.fit());
addEventListener("resize", scaleTags);
begin();
