// What is being put right, as lines and handles over the photo.
import { svg } from "./common.js";
import { path } from "./viewer.js";

/** What the corrector's tool holds and what waits to be worked in; `unit` is a screen's pixel on the photo. */
export function sketched(corrector, unit) {
  const { grip, places, cross, tool } = corrector;
  const d = corrector.drawing();
  const parts = [];
  const twice = (line) => parts.push(svg("path", { class: "rim", d: line }), svg("path", { class: "hand", d: line }));
  const dot = ([cx, cy]) => parts.push(svg("circle", { class: "finger", cx, cy, r: 6 * unit }));
  const handle = ([cx, cy], taken = false) => parts.push(svg("circle", { class: taken ? "handle taken" : "handle", cx, cy, r: 11 * unit }));
  if (!d.tried) {
    for (const edit of corrector.waiting(d.arm).edits) if (edit.photo === d.photo) twice(path(edit.points));
  }
  const { centreline, forward } = corrector.marks();
  if (centreline) twice(path([centreline.slice(0, 2), centreline.slice(2)]));
  if (forward) {
    dot(forward);
    parts.push(svg("text", { class: "tag", transform: `translate(${forward[0]} ${forward[1]}) scale(${unit}) translate(10 5)` }, "bow"));
  }
  if (tool === "line") corrector.ends().forEach((at, k) => handle(at, k === corrector.end));
  if (tool === "move" || tool === "no-corner") for (const p of d.patterns) for (const corner of p.corners) handle(corner.at);
  if (grip?.end !== undefined) {
    const ends = corrector.ends();
    ends[grip.end] = grip.to;
    twice(path(ends));
  } else if (grip) {
    const { pattern, k, to } = grip;
    const [dx, dy] = [to[0] - pattern.ring[k][0], to[1] - pattern.ring[k][1]];
    twice(path(grip.with.map(([j, share]) => [pattern.ring[j][0] + share * dx, pattern.ring[j][1] + share * dy])));
  }
  if (places.length > 1) parts.push(svg("path", { class: "hand", d: path(places) }));
  places.forEach(dot);
  if (cross) {
    const [x, y] = cross;
    const r = 14 * unit;
    const plus = `M${x - r} ${y}H${x + r}M${x} ${y - r}V${y + r}`;
    parts.push(svg("path", { class: "rim", d: plus }), svg("path", { class: "mark", d: plus }));
  }
  return parts;
}
