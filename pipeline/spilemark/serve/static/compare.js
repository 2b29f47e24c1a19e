// Both sides over each other, or a part on the centreline over its own mirror image.
import { attempt, el, fine, get, jobHere, length, svg } from "./common.js";
import { mitred } from "./mitre.js";
import { Viewer, edgeAt, framed, legend, nearest, path } from "./viewer.js";

const job = jobHere();
const api = `/api/jobs/${job.id}`;
const view = document.getElementById("view");
const gain = document.getElementById("gain");
const place = document.getElementById("place");
const under = document.getElementById("under");
const WORDS = { centreline: "their pencil lines", "corner and edge": "corner and edge", "best fit": "how they fit best" };
const VERDICTS = { SAME: "= the same", DIFFERENT: "▲ different", CANNOT_TELL: "? could be either" };
const QUESTIONS = {
  centreline: "This asks: do both sides come to the same place in the boat? How surely each pencil line was drawn and seen counts with it.",
  "corner and edge": "This asks: are they alike when the corner and the straight edge are set against each other? How surely these were seen counts with it.",
  "best fit": "This asks: are the shapes alone alike, wherever they sit in the boat?",
};
const HALVES = { centreline: "the pencil line", "best fit": "the middle line that suits it best" };
let told, found, port, normals, names, spans, laid, starboard, band, finger, tag, units, viewer;

/** Unit vectors out of the wood; the ring runs anticlockwise, y forward; square to one edge, never across a corner. */
function outward(ring, edges = []) {
  const n = ring.length;
  const first = new Set(edges.map((edge) => edge.from));
  return ring.map((_, k) => {
    const [ax, ay] = ring[first.has(k) ? k : (k + n - 1) % n];
    const [bx, by] = ring[first.has((k + 1) % n) ? k : (k + 1) % n];
    const far = Math.hypot(bx - ax, by - ay) || 1;
    return [(by - ay) / far, -(bx - ax) / far];
  });
}

const onPage = ([x, y]) => [x, -y];

function beside(numbers, offset) {
  return numbers.map((k) => onPage([port[k][0] + normals[k][0] * offset(k), port[k][1] + normals[k][1] * offset(k)]));
}

/** Runs of points of one edge where a gap is known; without edges one over the ring's first point is one run. */
function runs(values) {
  const n = values.length;
  if (spans) {
    return spans.flatMap((span) => {
      const within = [[]];
      for (const k of span) {
        if (values[k] === null) within.push([]);
        else within.at(-1).push(k);
      }
      return within.filter((part) => part.length > 1);
    });
  }
  const found = [];
  let run = [];
  const start = Math.max(0, values.findIndex((v) => v === null));
  for (let j = 0; j < n; j += 1) {
    const k = (start + j) % n;
    if (values[k] === null) {
      if (run.length > 1) found.push(run);
      run = [];
    } else run.push(k);
  }
  if (run.length > 1) found.push(run);
  return found;
}

/** Whether one run begins where another ends, round a corner. */
function follows(run, next) {
  return run !== next && (run.at(-1) + 1) % port.length === next[0];
}

function draw() {
  const times = Number(gain.value);
  document.getElementById("gain-out").textContent = `${times} times`;
  const lines = runs(laid.gap_mm);
  const drawn = lines.map((run) => beside(run, (k) => laid.gap_mm[k] * times));
  // Drawn larger, edges would run on past each other at a corner: they end where they meet.
  const ends = spans ? mitred(drawn, lines.map((run, j) => follows(run, lines[(j + 1) % lines.length]))) : drawn.map((points) => ({ points, from: 0, to: points.length }));
  starboard.setAttribute("d", ends.map(({ points }) => path(points)).join(""));
  band.setAttribute("d", lines.map((whole, j) => {
    const run = whole.slice(ends[j].from, ends[j].to);
    const out = beside(run, (k) => (laid.gap_mm[k] + laid.u95_mm[k]) * times);
    const back = beside(run, (k) => (laid.gap_mm[k] - laid.u95_mm[k]) * times).reverse();
    return path([...out, ...back], true);
  }).join(""));
  read();
}

function wordsAt(k) {
  const gap = laid.gap_mm[k];
  if (gap === null) return `${names[k]}: not seen on both sides`;
  const [other, own] = told.halves ? ["the port half is", "the starboard half"] : ["starboard", "port"];
  const way = gap > 0 ? "further out" : "further in";
  return `${names[k]}: ${other} ${fine(Math.abs(gap), units)} ${way} than ${own}, ±${fine(laid.u95_mm[k], units)} (95 %)`;
}

function read() {
  const k = Number(place.value) % port.length;
  const [x, y] = onPage(port[k]);
  finger.setAttribute("cx", x);
  finger.setAttribute("cy", y);
  tag.textContent = laid.gap_mm[k] === null ? "not seen" : `${laid.gap_mm[k] > 0 ? "+" : ""}${fine(laid.gap_mm[k], units)} ±${fine(laid.u95_mm[k], units)}`;
  const [left, , wide] = viewer.box;
  const over = x > left + 0.6 * wide;
  tag.setAttribute("x", x + (over ? -14 : 14) * viewer.unit);
  tag.setAttribute("y", y - 14 * viewer.unit);
  tag.setAttribute("text-anchor", over ? "end" : "start");
  under.textContent = wordsAt(k);
}

function lay(datum) {
  laid = found.alignments.find((a) => a.datum === datum);
  document.getElementById("question").textContent = told.halves ? "" : (QUESTIONS[datum] ?? "");
  const against = told.halves ? "Port half against starboard half" : "Starboard against port";
  const head = el("tr", {}, ...["Edge", "At", against, "± (95 %)", "Verdict"].map((w) => el("th", { scope: "col" }, w)));
  const rows = laid.stations.map((s) =>
    el("tr", {}, el("td", {}, s.edge), el("td", { className: "number" }, length(s.s_mm, units, 0)),
      el("td", { className: "number" }, s.gap_mm === null ? "?" : `${s.gap_mm > 0 ? "+" : ""}${fine(s.gap_mm, units, 2)}`),
      el("td", { className: "number" }, fine(s.u95_mm, units, 2)), el("td", {}, VERDICTS[s.verdict] ?? s.verdict)));
  document.getElementById("stretches").replaceChildren(
    el("caption", { className: "quiet" }, `Plus: ${told.halves ? "the port half" : "starboard"} lies further out there, it has more wood; minus: further in. Each distance runs along its edge, from that end of it which is nearer to the outer corner. Could be either: with its ± the difference may be more than ${length(told.job.tolerance_mm, units)}, or less; take sharper photos, or draw the line sharper.`),
    el("thead", {}, head), el("tbody", {}, ...rows));
  draw();
}

function scale() {
  finger.setAttribute("r", 8 * viewer.unit);
  tag.setAttribute("font-size", 20 * viewer.unit);
  tag.setAttribute("stroke-width", 5 * viewer.unit);
  if (laid) read();
}

/** Two sides: a gap at each point of port's ring. */
function sides() {
  found = told.comparison;
  port = told.patterns.port.outline_mm;
  const { edges } = told.patterns.port;
  normals = outward(port, edges);
  spans = edges.length < 2 ? null : edges.map((edge) => {
    const count = (edge.to - edge.from + port.length) % port.length || port.length;
    return Array.from({ length: count }, (_, j) => (edge.from + j) % port.length);
  });
  names = port.map((_, k) => edgeAt(told.patterns.port.edges, k, port.length)?.name ?? "edge");
  return port;
}

/** One part on the centreline: gaps at the stations of its starboard half, edge by edge. */
function halves() {
  const ring = told.patterns.single.outline_mm;
  const out = outward(ring);
  const rows = told.halves.alignments[0].stations;
  // Nothing is drawn across from one edge to the next, nor from the last station to the first.
  const order = rows.flatMap((s, k) => (k && s.edge !== rows[k - 1].edge ? [null, k] : [k])).concat(null);
  const at = order.map((k, j) => rows[k ?? order[j - 1]]);
  port = at.map((s) => s.at_mm);
  normals = port.map((p) => out[nearest(ring, p)[0]]);
  names = at.map((s) => s.edge);
  const value = (a, key) => order.map((k) => (k === null ? null : a.stations[k][key]));
  found = {
    verdict: told.halves.verdict,
    alignments: told.halves.alignments.map((a) => ({ ...a, gap_mm: value(a, "gap_mm"), u95_mm: value(a, "u95_mm") })),
  };
  return ring;
}

async function begin() {
  told = job.measured ? await attempt(() => get(`${api}/comparison`)) : null;
  if (!told?.comparison && !told?.halves) {
    document.getElementById("unmeasured").hidden = false;
    return;
  }
  document.getElementById("comparing").hidden = false;
  units = told.job.units;
  const ring = told.comparison ? sides() : halves();
  if (told.comparison) told.halves = null;
  document.getElementById("verdict").textContent = found.verdict;
  document.getElementById("two").hidden = !(told.comparison && found.alignments[0].datum === "centreline");
  const datums = document.getElementById("datums");
  found.alignments.forEach((a, k) => {
    const input = el("input", { type: "radio", name: "datum", value: a.datum, checked: k === 0 });
    input.addEventListener("change", () => lay(a.datum));
    datums.append(el("label", {}, input, el("span", {}, (told.halves ? HALVES : WORDS)[a.datum] ?? a.datum)));
  });
  starboard = svg("path", { class: "starboard" });
  band = svg("path", { class: "band" });
  finger = svg("circle", { class: "finger", r: 1 });
  tag = svg("text", { class: "under-tag" });
  view.append(band, svg("path", { class: "port", d: path(ring.map(onPage), true) }), starboard, finger, tag);
  place.max = String(port.length - 1);
  viewer = new Viewer(view, framed(ring.map(onPage), 0.12), () => viewer && scale());
  scale();
  legend([["port", told.halves ? "the part, as it is" : "port, as it is"],
    ["starboard", told.halves ? "its port half, mirrored, the gap drawn larger" : "starboard, mirrored, its gap drawn larger"], ["band", "its doubt (95 %)", "M4 4H60V20H4Z"]]);
  lay(found.alignments[0].datum);
  const touch = (event) => {
    const [k, far] = nearest(port.map(onPage), viewer.at(event));
    if (far > 40 * viewer.unit) return;
    place.value = String(k);
    read();
  };
  view.addEventListener("pointermove", touch);
  view.addEventListener("pointerdown", touch);
}

gain.addEventListener("input", draw);
place.addEventListener("input", read);
begin();
