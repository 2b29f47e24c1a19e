// A drawing that is moved and zoomed by wheel, pinch, buttons and keys, and what its lines have in common.
import { el, svg } from "./common.js";

/** Makes an svg movable; `size` is its drawing's [x, y, width, height]. */
export class Viewer {
  constructor(view, size, changed = () => {}) {
    this.view = view;
    this.size = size;
    this.changed = changed;
    this.pointers = new Map();
    this.held = null; // what a tool took hold of; then the picture stays
    view.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    view.addEventListener("pointerdown", (event) => this.#down(event));
    view.addEventListener("pointermove", (event) => this.#move(event));
    for (const name of ["pointerup", "pointercancel"]) {
      view.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    }
    view.addEventListener("keydown", (event) => this.#key(event));
    this.fit();
  }

  /** Show all of it. */
  fit(size = this.size) {
    this.size = size;
    this.box = [...size];
    this.#put();
  }

  /** Drawing units per pixel of the screen. */
  get unit() {
    const { width, height } = this.view.getBoundingClientRect();
    return Math.max(this.box[2] / Math.max(width, 1), this.box[3] / Math.max(height, 1));
  }

  /** Where on the drawing a pointer is. */
  at(event) {
    const matrix = this.view.getScreenCTM();
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    return [point.x, point.y];
  }

  /** Zoom by a factor (above 1: nearer) about a place on the drawing. */
  zoom(factor, [x, y] = this.#middle()) {
    const least = this.size[2] / 60;
    const width = Math.min(Math.max(this.box[2] / factor, least), this.size[2] * 1.5);
    const real = this.box[2] / width;
    this.box = [x - (x - this.box[0]) / real, y - (y - this.box[1]) / real, width, this.box[3] / real];
    this.#put();
  }

  /** Move by drawing units. */
  shift(dx, dy) {
    const [x, y, width, height] = this.size;
    this.box[0] = Math.min(Math.max(this.box[0] + dx, x - this.box[2] / 2), x + width - this.box[2] / 2);
    this.box[1] = Math.min(Math.max(this.box[1] + dy, y - this.box[3] / 2), y + height - this.box[3] / 2);
    this.#put();
  }

  /** Move only as far as it takes to have a place well within what is shown. */
  keep([x, y]) {
    const [left, top, width, height] = this.box;
    const off = (at, low, size) => Math.min(at - low - size / 8, 0) + Math.max(at - low - (7 * size) / 8, 0);
    const [dx, dy] = [off(x, left, width), off(y, top, height)];
    if (dx || dy) this.shift(dx, dy);
  }

  #middle() {
    return [this.box[0] + this.box[2] / 2, this.box[1] + this.box[3] / 2];
  }

  #put() {
    this.view.setAttribute("viewBox", this.box.map((v) => v.toFixed(2)).join(" "));
    this.changed(this);
  }

  #wheel(event) {
    event.preventDefault();
    this.zoom(Math.exp(-event.deltaY / 400), this.at(event));
  }

  #down(event) {
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    this.view.setPointerCapture(event.pointerId);
  }

  #move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId);
    this.pointers.set(event.pointerId, now);
    const unit = this.unit;
    if (others.length === 1) {
      const other = others[0][1];
      const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const middle = { clientX: (now[0] + other[0]) / 2, clientY: (now[1] + other[1]) / 2 };
      this.zoom(far(now, other) / Math.max(far(before, other), 1), this.at(middle));
      this.shift(((before[0] - now[0]) / 2) * unit, ((before[1] - now[1]) / 2) * unit);
    } else if (!this.held && others.length === 0) {
      this.shift((before[0] - now[0]) * unit, (before[1] - now[1]) * unit);
    }
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = this.box[2] / 10;
    const does = {
      ArrowLeft: () => this.shift(-step, 0),
      ArrowRight: () => this.shift(step, 0),
      ArrowUp: () => this.shift(0, -step),
      ArrowDown: () => this.shift(0, step),
      "+": () => this.zoom(1.4),
      "=": () => this.zoom(1.4),
      "-": () => this.zoom(1 / 1.4),
      0: () => this.fit(),
    }[event.key];
    if (!does || event.defaultPrevented) return;
    event.preventDefault();
    does();
  }
}

/** Words of a path through points. */
export function path(points, closed = false) {
  return points.length ? `M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")}${closed ? "Z" : ""}` : "";
}

/** Which of the points is nearest to a place: its number and how far it is. */
export function nearest(points, [x, y]) {
  let best = -1;
  let far = Infinity;
  for (let k = 0; k < points.length; k += 1) {
    const dx = points[k][0] - x;
    const dy = points[k][1] - y;
    const d = dx * dx + dy * dy;
    if (d < far) {
      far = d;
      best = k;
    }
  }
  return [best, Math.sqrt(far)];
}

/** Which pattern's ring has the point nearest to a place: the pattern, the point's number, how far it is. */
export function nearestOf(patterns, at) {
  let best = null;
  for (const pattern of patterns) {
    const [k, far] = nearest(pattern.ring, at);
    if (!best || far < best.far) best = { pattern, k, far };
  }
  return best;
}

/** The edge on which point k of a ring of n points lies. */
export function edgeAt(edges, k, n) {
  return edges.find((e) => (k - e.from + n) % n <= (e.to - e.from + n) % n);
}

/** A drawing's [x, y, width, height] round points, with a rim that is a share of its longer side. */
export function framed(points, share) {
  const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  const [width, height] = [Math.max(...xs) - x, Math.max(...ys) - y];
  const rim = share * Math.max(width, height);
  return [x - rim, y - rim, width + 2 * rim, height + 2 * rim];
}

/** What each kind of line is: rows of [class of the line, words, path where it is no plain line]. */
export function legend(rows) {
  document.getElementById("legend").replaceChildren(...rows.map(([kind, words, d = "M4 12H60"]) =>
    el("li", {}, svg("svg", { viewBox: "0 0 64 24", "aria-hidden": "true" }, svg("path", { class: kind, d })), words)));
}

/** Stretches of a ring by what holds for each point: [value, numbers of its points], the next one's first among them. */
export function stretches(flags) {
  const n = flags.length;
  const breaks = [];
  for (let k = 0; k < n; k += 1) if (flags[k] !== flags[(k + n - 1) % n]) breaks.push(k);
  if (!breaks.length) return [[flags[0], [...Array(n).keys(), 0]]];
  return breaks.map((start, j) => {
    const stop = breaks[(j + 1) % breaks.length];
    const count = ((stop - start + n) % n || n) + 1;
    return [flags[start], Array.from({ length: count }, (_, k) => (start + k) % n)];
  });
}
