// Putting right by hand: tools that work with two touches, by dragging, or with the keys.
import { attempt, el, send, svg } from "./common.js";
import { END_PX, NEAR_PX, company, meant } from "./picking.js";
import { sketched } from "./sketch.js";
import { nearest, nearestOf } from "./viewer.js";

export { company, meant };

const HINTS = {
  read: "Touch the edge to read it.",
  move: "Touch a point or a corner, then where it belongs; or drag it.",
  follow: "Touch the outline where it is right, then where it is right again: the edge between is followed in the photo. A touch off the outline is a place on the way.",
  straight: "Touch two points of the outline: it is drawn straight between them.",
  draw: "Touch a point of the outline, then along the way, then another point of the outline; then Finish.",
  guess: "Touch two points: what lies between them was not really seen.",
  corner: "Touch the outline where there is a corner.",
  "no-corner": "Touch a corner that is none.",
  line: "Touch both ends of the pencil line. An end that is marked can be dragged, or touched and then set where it belongs.",
  forward: "Touch a place towards the bow.",
};
const ON_EDGE = ["straight", "guess", "corner"];
const BEGINS_ON_EDGE = ["move", "draw", "follow"];

export class Corrector {
  constructor({ api, view, drawing, viewer, changed, walked }) {
    Object.assign(this, { api, view, drawing, viewer, changed, walked });
    this.tool = "read";
    this.places = [];
    this.grip = null;
    this.end = null; // the end of the pencil line that was taken hold of
    this.cross = null;
    this.asking = false;
    this.trying = false; // the outlines that are drawn are about to be others
    this.layer = svg("g");
    this.hint = document.getElementById("hint");
    this.box = document.getElementById("tools");
    this.button = Object.fromEntries(["finish", "leave", "instead", "undo", "redo", "clear", "unline", "unforward"].map((id) => [id, document.getElementById(id)]));
    for (const input of this.box.querySelectorAll("input[name=tool]")) {
      input.addEventListener("change", () => this.choose(input.value));
    }
    this.button.finish.addEventListener("click", () => this.finish());
    this.button.leave.addEventListener("click", () => this.choose(this.tool));
    this.button.instead.addEventListener("click", () => this.add("redraw", this.places));
    for (const name of ["undo", "redo", "clear"]) this.button[name].addEventListener("click", () => this.step(name));
    this.button.unline.addEventListener("click", () => this.unmark("centreline"));
    this.button.unforward.addEventListener("click", () => this.unmark("forward"));
    for (const input of document.querySelectorAll("input[name=face]")) {
      input.addEventListener("change", () => this.ask("mark", { arm: this.drawing().arm, key: "face", value: input.value }));
    }
    view.addEventListener("pointerdown", (event) => this.down(event), { capture: true });
    view.addEventListener("pointermove", (event) => this.move(event));
    view.addEventListener("pointerup", (event) => this.up(event));
    view.addEventListener("pointercancel", () => this.drop());
    view.addEventListener("keydown", (event) => this.key(event), { capture: true });
    document.addEventListener("keydown", (event) => this.shortcut(event));
    this.choose("read");
  }

  /** Take a tool; whatever was begun with another is left. */
  choose(tool) {
    if (tool !== this.tool) this.cross = null;
    this.tool = tool;
    this.places = [];
    this.end = null;
    this.drop();
    this.view.classList.toggle("handles", tool !== "read");
    this.shown(this.box.querySelector(`input[value="${tool}"]`).closest("label"));
    this.say(HINTS[tool]);
    this.buttons();
    this.sketch();
  }

  /** On a narrow page the tools stand in a row that moves sideways: the chosen one is shown. */
  shown(label) {
    const kit = this.box.querySelector(".kit");
    const [at, row] = [label.getBoundingClientRect(), kit.getBoundingClientRect()];
    if (at.left < row.left || at.right > row.right) kit.scrollLeft += at.left - row.left - (row.width - at.width) / 2;
  }

  say(words) {
    this.hint.textContent = words;
  }

  buttons(missed = false) {
    this.button.finish.hidden = !(this.tool === "draw" && this.places.length > 1);
    this.button.leave.hidden = this.places.length === 0;
    this.button.instead.hidden = !missed;
  }

  /** What the page was told of edits, shown: which can be undone, which wait to be worked in. */
  show(told) {
    this.told = told;
    const { arm } = this.drawing();
    const marks = this.marks();
    this.button.undo.disabled = !(told.undoable[arm] > 0);
    this.button.clear.disabled = !(told.edits[arm]?.length > 0);
    this.button.redo.disabled = !(told.undone[arm] > 0);
    this.button.unline.hidden = !marks.centreline;
    this.button.unforward.hidden = !marks.forward;
    const face = told.marks[arm]?.face ?? "";
    for (const input of document.querySelectorAll("input[name=face]")) input.checked = input.value === face;
    this.sketch();
  }

  /** What was said by hand of line and bow, if its pixels are those of the photo that is shown. */
  marks() {
    const d = this.drawing();
    if (!d.first) return {};
    const { marks } = this.told ?? { marks: {} };
    // Each side of a photo of both has its own; one of them is shown.
    return d.arm === "both" ? { ...marks.starboard, ...marks.port } : (marks[d.arm] ?? {});
  }

  /** Edits of an arm that the results do not hold yet, and whether they hold some that were taken back. */
  waiting(arm) {
    const edits = this.told?.edits[arm] ?? [];
    const done = this.told?.worked_in?.[arm] ?? [];
    const same = (a, b) => a && b && a.do === b.do && JSON.stringify(a.points) === JSON.stringify(b.points);
    let k = 0;
    while (k < edits.length && same(edits[k], done[k])) k += 1;
    return { edits: edits.slice(k), dropped: done.length > k };
  }

  async ask(what, form) {
    if (this.asking) return undefined;
    this.asking = true;
    this.busy();
    const told = await attempt(() => send(`${this.api}/edits/${what}`, form));
    this.asking = false;
    this.busy();
    if (!told) return undefined;
    this.show({ ...this.told, ...told });
    if (!told.missed) await this.changed(what);
    return told;
  }

  /** Touches wait until what is drawn is what they would be of. */
  busy(trying = this.trying) {
    this.trying = trying;
    this.view.setAttribute("aria-busy", String(this.trying || this.asking));
  }

  async step(what) {
    this.choose(this.tool);
    const told = await this.ask(what, { arm: this.drawing().arm });
    if (told) this.say({ undo: "Taken back.", redo: "Done again.", clear: "Back to what was traced. Redo brings all of it back, one by one." }[what]);
  }

  unmark(key) {
    const { arm } = this.drawing();
    const whose = arm === "both" ? (this.told.marks.port?.[key] ? "port" : "starboard") : arm;
    return this.ask("mark", { arm: whose, under: arm, key, value: null });
  }

  /** The outline's point that a place on the photo means: worked out here, whatever lies on top. */
  pick(at) {
    const within = this.tool === "follow" && this.places.length ? END_PX : NEAR_PX;
    return meant(this.drawing().patterns, at, this.viewer().unit, this.tool !== "corner", within);
  }

  /** The ends of the pencil line as they are drawn, and which of them a place means. */
  ends() {
    const { centreline: c } = this.marks();
    if (c) return [c.slice(0, 2), c.slice(2)];
    const line = this.drawing().patterns.find((p) => p.line)?.line;
    return line ? [line[0], line[line.length - 1]] : [];
  }

  endAt(at) {
    const ends = this.ends();
    if (!ends.length) return null;
    const [k, far] = nearest(ends, at);
    return far <= NEAR_PX * this.viewer().unit ? k : null;
  }

  down(event) {
    if (this.tool === "read" || this.trying) return;
    if (this.start) {
      // A second finger: the picture is being zoomed, not worked on.
      this.drop();
      this.start = null;
      return;
    }
    this.start = { x: event.clientX, y: event.clientY, id: event.pointerId };
    if (this.places.length || this.end !== null) return;
    const at = this.viewer().at(event);
    if (this.tool === "line") {
      const end = this.endAt(at);
      if (end === null) return;
      this.viewer().held = this;
      this.grip = { end, to: at };
    } else if (this.tool === "move") {
      const grip = this.pick(at);
      if (!grip) return;
      this.viewer().held = grip;
      this.grip = { ...grip, with: company(grip.pattern.ring_mm, grip.k), to: at };
    }
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
    if (grip && far > 6) {
      if (grip.end !== undefined) return this.setEnd(grip.end, grip.to);
      return this.add("move", [grip.pattern.ring[grip.k], grip.to]);
    }
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
    if (this.asking || this.trying || !this.button.instead.hidden) return;
    if (this.tool === "line" && !this.places.length) {
      if (this.end !== null) {
        this.setEnd(this.end, at);
        return;
      }
      const end = this.endAt(at);
      if (end !== null) {
        this.end = end;
        this.say("Now touch where this end of the line belongs.");
        this.button.leave.hidden = false;
        this.sketch();
        return;
      }
    }
    const first = !this.places.length;
    const found = ON_EDGE.includes(this.tool) || BEGINS_ON_EDGE.includes(this.tool) || this.tool === "no-corner" ? this.pick(at) : null;
    if (this.tool === "no-corner" ? !found?.corner : (ON_EDGE.includes(this.tool) || (BEGINS_ON_EDGE.includes(this.tool) && first)) && !found) {
      this.say(this.tool === "no-corner" ? "There is no corner near that place." : "There is no edge near that place.");
      return;
    }
    const snaps = found && this.tool !== "draw" && !(this.tool === "move" && !first);
    this.places.push(snaps || (found && first) ? found.pattern.ring[found.k] : at);
    const two = this.places.length === 2;
    if (this.tool === "forward") this.mark("forward", at);
    else if (this.tool === "line" && two) this.mark("centreline", this.places.flat());
    else if (this.tool === "move" && two) this.add("move", this.places);
    else if (this.tool === "straight" && two) this.add("redraw", this.places);
    else if (this.tool === "guess" && two) this.add("guess", this.places);
    else if (this.tool === "corner" || this.tool === "no-corner") this.add(this.tool, this.places);
    else if (this.tool === "follow" && !first && found) this.add("follow", this.places);
    else this.say(this.tool === "follow" && !first ? "A place on the way. Go on, and end on the outline." : `${this.places.length} set. ${HINTS[this.tool]}`);
    this.buttons();
    this.sketch();
  }

  finish() {
    if (this.places.length > 1) this.add("redraw", this.places);
  }

  setEnd(which, to) {
    const ends = this.ends();
    ends[which] = to;
    return this.mark("centreline", ends.flat());
  }

  mark(key, value) {
    const d = this.drawing();
    // In a photo of both, a line and a bow belong to the side that lies nearest.
    let arm = d.arm;
    if (arm === "both") {
      arm = nearestOf(d.patterns, value.slice(0, 2)).pattern.side;
    }
    this.choose(this.tool);
    return this.ask("mark", { arm, under: d.arm, photo: d.photo, key, value });
  }

  async add(what, places) {
    const d = this.drawing();
    const points = places.map((p) => [...p]);
    this.choose(this.tool);
    if (what === "follow") this.say("Following the edge in the photo …");
    const told = await this.ask("add", { arm: d.arm, photo: d.photo, do: what, points });
    if (!told) {
      this.say(HINTS[this.tool]);
      return;
    }
    if (!told.missed) return;
    this.say(`${told.missed} What was there stays.`);
    if (what !== "follow") return;
    this.places = points;
    this.buttons(true);
    this.sketch();
    this.button.instead.focus();
  }

  /** What the last edit did, in words, once it was tried. */
  did(words) {
    if (words && !this.places.length) this.say(`${words} ${HINTS[this.tool]}`);
  }

  shortcut(event) {
    if (!(event.ctrlKey || event.metaKey) || event.altKey || ["INPUT", "SELECT", "TEXTAREA"].includes(event.target.tagName) && event.target.type !== "radio") return;
    const key = event.key.toLowerCase();
    const what = key === "z" ? (event.shiftKey ? "redo" : "undo") : key === "y" ? "redo" : null;
    if (!what) return;
    event.preventDefault();
    if (!this.button[what].disabled) this.step(what);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const viewer = this.viewer();
    const [x, y, width, height] = viewer.box;
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const along = { PageDown: 25, PageUp: -25, ".": 1, ",": -1 }[event.key];
    if (along) this.walk(along);
    else if (event.key === "c") this.nextCorner();
    else if (this.tool === "read") return;
    else if (ways[event.key]) {
      const step = (event.shiftKey ? 1 : 12) * viewer.unit;
      this.cross ??= [x + width / 2, y + height / 2];
      this.cross = this.cross.map((v, j) => v + ways[event.key][j] * step);
      viewer.keep(this.cross);
    } else if (event.key === "Enter" || event.key === " ") {
      this.cross ??= [x + width / 2, y + height / 2];
      this.tap(this.cross);
    } else if (event.key === "Escape") this.choose(this.tool);
    else if (["+", "=", "-"].includes(event.key) && this.cross) viewer.zoom(event.key === "-" ? 1 / 1.4 : 1.4, this.cross);
    else return;
    event.preventDefault();
    this.sketch();
  }

  /** Take the cross along the outline by so many of its points, from the one nearest to it. */
  walk(by) {
    const { box } = this.viewer();
    const found = nearestOf(this.drawing().patterns, this.cross ?? [box[0] + box[2] / 2, box[1] + box[3] / 2]);
    if (!found) return;
    const n = found.pattern.ring.length;
    this.land(found.pattern, this.cross ? (found.k + by + n) % n : found.k);
  }

  nextCorner() {
    const all = this.drawing().patterns.flatMap((pattern) => pattern.corners.map((corner) => [pattern, corner]));
    if (!all.length) return;
    this.corner = ((this.corner ?? -1) + 1) % all.length;
    const [pattern, corner] = all[this.corner];
    this.land(pattern, corner.k ?? nearest(pattern.ring, corner.at)[0]);
  }

  land(pattern, k) {
    this.cross = [...pattern.ring[k]];
    this.viewer().keep(this.cross);
    this.walked(pattern, k);
  }

  /** Draw what is being done and what waits; nothing else is drawn again. */
  sketch() {
    if (this.told) this.layer.replaceChildren(...sketched(this, this.viewer().unit));
  }
}

/** A field that renames an edge. */
export function nameField(edge, corrector) {
  const input = el("input", { value: edge.name, autocomplete: "off", maxLength: 60 });
  input.setAttribute("aria-label", `Name of ${edge.name}`);
  input.addEventListener("change", () => corrector.ask("rename", { arm: corrector.drawing().arm, name: edge.name, to: input.value }));
  return input;
}
