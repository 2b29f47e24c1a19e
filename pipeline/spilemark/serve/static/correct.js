// Putting right by hand: tools that work with two touches, by dragging, or with the keys.
import { attempt, el, send, svg } from "./common.js";
import { nearestOf, path } from "./viewer.js";

const REACH_MM = 15; // as the pipeline has it
const NEAR_PX = 36;
const HINTS = {
  read: "Touch the edge to read it.",
  move: "Touch a point of the edge, then where it belongs; or drag it.",
  straight: "Touch two points of the edge: it is drawn straight between them.",
  draw: "Touch a point of the edge, then along the way, then another point of the edge; then Finish.",
  guess: "Touch two points: what lies between them was not really seen.",
  line: "Touch both ends of the pencil line.",
  forward: "Touch a place towards the bow.",
};

/** Distances along a ring, mm, to each of its points from point k, the shorter way round. */
export function apart(ring, k) {
  const n = ring.length;
  const along = new Float64Array(n);
  for (let j = 1; j < n; j += 1) along[j] = along[j - 1] + Math.hypot(ring[j][0] - ring[j - 1][0], ring[j][1] - ring[j - 1][1]);
  const round = along[n - 1] + Math.hypot(ring[0][0] - ring[n - 1][0], ring[0][1] - ring[n - 1][1]);
  return along.map((s) => {
    const d = Math.abs(s - along[k]);
    return Math.min(d, round - d);
  });
}

/** The points that go along with point k, as [number, share]. */
export function company(ringMm, k) {
  const found = [];
  apart(ringMm, k).forEach((s, j) => {
    if (s < REACH_MM) found.push([j, 0.5 * (1 + Math.cos((Math.PI * s) / REACH_MM))]);
  });
  // In the order along the edge, also where the ring's first point lies within.
  const cut = found.findIndex(([j], i) => i && j - found[i - 1][0] > 1);
  return cut > 0 ? [...found.slice(cut), ...found.slice(0, cut)] : found;
}

export class Corrector {
  constructor({ api, view, drawing, viewer, changed }) {
    Object.assign(this, { api, view, drawing, viewer, changed });
    this.tool = "read";
    this.places = [];
    this.grip = null;
    this.cross = null;
    this.layer = svg("g");
    this.hint = document.getElementById("hint");
    this.box = document.getElementById("tools");
    for (const input of this.box.querySelectorAll("input[name=tool]")) {
      input.addEventListener("change", () => this.choose(input.value));
    }
    document.getElementById("finish").addEventListener("click", () => this.finish());
    document.getElementById("leave").addEventListener("click", () => this.choose(this.tool));
    for (const name of ["undo", "redo", "clear"]) {
      document.getElementById(name).addEventListener("click", () => this.ask(name, { arm: this.drawing().arm }));
    }
    for (const input of this.box.querySelectorAll("input[name=face]")) {
      input.addEventListener("change", () => this.ask("mark", { arm: this.drawing().arm, key: "face", value: input.value }));
    }
    view.addEventListener("pointerdown", (event) => this.down(event), { capture: true });
    view.addEventListener("pointermove", (event) => this.move(event));
    view.addEventListener("pointerup", (event) => this.up(event));
    view.addEventListener("pointercancel", () => this.drop());
    view.addEventListener("keydown", (event) => this.key(event), { capture: true });
    this.choose("read");
  }

  /** Take a tool; whatever was begun with another is left. */
  choose(tool) {
    this.tool = tool;
    this.places = [];
    this.cross = null;
    this.drop();
    this.view.classList.toggle("handles", tool !== "read");
    this.hint.textContent = HINTS[tool];
    this.buttons();
    this.sketch();
  }

  buttons() {
    document.getElementById("finish").hidden = !(this.tool === "draw" && this.places.length > 1);
    document.getElementById("leave").hidden = this.places.length === 0;
  }

  /** What the page was told of edits, shown: which can be undone, which wait to be worked in. */
  show(told) {
    this.told = told;
    const arm = this.drawing().arm;
    const edits = told.edits[arm] ?? [];
    document.getElementById("undo").disabled = edits.length === 0;
    document.getElementById("clear").disabled = edits.length === 0;
    document.getElementById("redo").disabled = !(told.undone[arm] > 0);
    const face = told.marks[arm]?.face ?? "";
    for (const input of this.box.querySelectorAll("input[name=face]")) input.checked = input.value === face;
    this.sketch();
  }

  /** Edits of an arm that the results do not hold yet. */
  waiting(arm) {
    const edits = this.told?.edits[arm] ?? [];
    const done = this.told?.worked_in?.[arm] ?? [];
    const same = (a, b) => a && b && a.do === b.do && JSON.stringify(a.points) === JSON.stringify(b.points);
    let k = 0;
    while (k < edits.length && same(edits[k], done[k])) k += 1;
    return { edits: edits.slice(k), dropped: done.length > k };
  }

  async ask(what, form) {
    const told = await attempt(() => send(`${this.api}/edits/${what}`, form));
    if (!told) return;
    this.show({ ...this.told, ...told });
    this.changed();
  }

  /** The edge's point nearest to a place on the photo: worked out here, whatever lies on top. */
  pick(at) {
    const best = nearestOf(this.drawing().patterns, at);
    return best && best.far <= NEAR_PX * this.viewer().unit ? best : null;
  }

  down(event) {
    if (this.tool === "read") return;
    if (this.start) {
      // A second finger: the picture is being zoomed, not worked on.
      this.drop();
      this.start = null;
      return;
    }
    this.start = { x: event.clientX, y: event.clientY, id: event.pointerId };
    if (this.tool !== "move" || this.places.length) return;
    const at = this.viewer().at(event);
    const grip = this.pick(at);
    if (!grip) return;
    this.viewer().held = grip;
    this.grip = { ...grip, with: company(grip.pattern.ring_mm, grip.k), to: at };
  }

  move(event) {
    if (!this.grip || event.pointerId !== this.start?.id) return;
    this.grip.to = this.viewer().at(event);
    this.sketch();
  }

  up(event) {
    const start = this.start;
    this.start = null;
    if (this.tool === "read" || !start || event.pointerId !== start.id) return this.drop();
    const far = Math.hypot(event.clientX - start.x, event.clientY - start.y);
    const grip = this.grip;
    this.drop();
    if (grip && far > 6) return this.add("move", [grip.pattern.ring[grip.k], grip.to]);
    if (far <= 6) this.tap(this.viewer().at(event));
    return undefined;
  }

  drop() {
    this.grip = null;
    const viewer = this.viewer?.();
    if (viewer) viewer.held = null;
    this.sketch();
  }

  /** One touch with a tool, by finger, mouse or key. */
  tap(at) {
    const onEdge = ["straight", "guess"].includes(this.tool) || (["move", "draw"].includes(this.tool) && !this.places.length);
    if (onEdge) {
      const found = this.pick(at);
      if (!found) {
        this.hint.textContent = "There is no edge near that place.";
        return;
      }
      at = found.pattern.ring[found.k];
    }
    this.places.push(at);
    const two = this.places.length === 2;
    if (this.tool === "forward") this.mark("forward", at);
    else if (this.tool === "line" && two) this.mark("centreline", this.places.flat());
    else if (this.tool === "move" && two) this.add("move", this.places);
    else if (this.tool === "straight" && two) this.add("redraw", this.places);
    else if (this.tool === "guess" && two) this.add("guess", this.places);
    else this.hint.textContent = `${this.places.length} set. ${HINTS[this.tool]}`;
    this.buttons();
    this.sketch();
  }

  finish() {
    if (this.places.length > 1) this.add("redraw", this.places);
  }

  mark(key, value) {
    const d = this.drawing();
    // In a photo of both, a line and a bow belong to the side that lies nearest.
    let arm = d.arm;
    if (arm === "both") {
      arm = nearestOf(d.patterns, value.slice(0, 2)).pattern.side;
    }
    this.choose(this.tool);
    return this.ask("mark", { arm, key, value });
  }

  add(what, points) {
    const d = this.drawing();
    this.choose(this.tool);
    return this.ask("add", { arm: d.arm, photo: d.photo, do: what, points: points.map((p) => [...p]) });
  }

  key(event) {
    if (this.tool === "read" || event.ctrlKey || event.metaKey || event.altKey) return;
    const viewer = this.viewer();
    const [x, y, width, height] = viewer.box;
    const step = (event.shiftKey ? 1 : 12) * viewer.unit;
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (ways[event.key]) {
      this.cross ??= [x + width / 2, y + height / 2];
      this.cross = [this.cross[0] + ways[event.key][0] * step, this.cross[1] + ways[event.key][1] * step];
    } else if (event.key === "Enter") {
      this.cross ??= [x + width / 2, y + height / 2];
      this.tap(this.cross);
    } else if (event.key === "Escape") this.choose(this.tool);
    else return;
    event.preventDefault();
    this.sketch();
  }

  /** Draw what is being done and what waits; nothing else is drawn again. */
  sketch() {
    if (!this.told) return;
    const unit = this.viewer().unit;
    const parts = [];
    const d = this.drawing();
    for (const edit of this.waiting(d.arm).edits) {
      if (edit.photo === d.photo) parts.push(svg("path", { class: "rim", d: path(edit.points) }), svg("path", { class: "hand", d: path(edit.points) }));
    }
    if (this.grip) {
      const { pattern, k, to } = this.grip;
      const [dx, dy] = [to[0] - pattern.ring[k][0], to[1] - pattern.ring[k][1]];
      const line = this.grip.with.map(([j, share]) => [pattern.ring[j][0] + share * dx, pattern.ring[j][1] + share * dy]);
      parts.push(svg("path", { class: "rim", d: path(line) }), svg("path", { class: "hand", d: path(line) }));
    }
    if (this.places.length > 1) parts.push(svg("path", { class: "hand", d: path(this.places) }));
    for (const [x, y] of this.places) parts.push(svg("circle", { class: "finger", cx: x, cy: y, r: 6 * unit }));
    if (this.cross) {
      const [x, y] = this.cross;
      const r = 14 * unit;
      const d = `M${x - r} ${y}H${x + r}M${x} ${y - r}V${y + r}`;
      parts.push(svg("path", { class: "rim", d }), svg("path", { class: "mark", d }));
    }
    this.layer.replaceChildren(...parts);
  }
}

/** A field that renames an edge. */
export function nameField(edge, corrector) {
  const input = el("input", { value: edge.name, autocomplete: "off", maxLength: 60 });
  input.setAttribute("aria-label", `Name of ${edge.name}`);
  input.addEventListener("change", () => corrector.ask("rename", { name: edge.name, to: input.value }));
  return input;
}
