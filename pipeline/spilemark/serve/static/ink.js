// A drawing of the pipeline as ink on paper: lines and words in millimetres, moved and zoomed.
import { el, svg } from "./common.js";
import { Viewer } from "./viewer.js";

const RIM = 0.04;
const READ_PX = 13;
const MOST_LARGER = 3;
const LEAST_PX = 9; // smaller words say nothing

/** How a pen of so many millimetres looks on a screen. */
function pen(line) {
  return {
    "stroke-width": line.fill ? 0 : (1 + 2.4 * line.width).toFixed(2),
    "stroke-dasharray": line.dash.length ? line.dash.map((mm) => (1.3 * mm).toFixed(1)).join(" ") : "none",
    "stroke-opacity": (1 - 0.6 * line.grey).toFixed(2),
    class: line.fill ? "area" : "pen",
  };
}

/** One place on a page where drawings are shown, with its zoom buttons and its legend. */
export class Ink {
  constructor(place) {
    this.stage = place.querySelector(".stage");
    this.view = place.querySelector("svg");
    this.key = place.querySelector(".legend");
    this.viewer = null;
    for (const button of place.querySelectorAll("[data-zoom]")) {
      button.addEventListener("click", () => this.#zoom(Number(button.dataset.zoom)));
    }
    // A page of several drawings is scrolled past them; the one that was chosen takes the wheel.
    this.stage.addEventListener("wheel", (event) => {
      if (document.activeElement !== this.view) event.stopPropagation();
    }, { capture: true });
  }

  /** Show a drawing, or none. */
  show(drawing) {
    this.stage.hidden = !drawing;
    this.key.replaceChildren();
    if (!drawing) return;
    this.view.replaceChildren(...drawing.groups.map((group) => this.#group(group)));
    this.key.replaceChildren(...drawing.legend.map(([name, words]) => this.#row(drawing, name, words)));
    const [x, y, width, height] = drawing.box;
    const rim = RIM * Math.max(width, height);
    const size = [x - rim, y - rim, width + 2 * rim, height + 2 * rim];
    if (!this.viewer) this.viewer = new Viewer(this.view, size, () => this.viewer && this.#letters());
    else if (size.some((v, k) => Math.abs(v - this.viewer.size[k]) > 0.08 * width)) this.viewer.fit(size);
    this.#letters();
  }

  #group(group) {
    const made = svg("g", { "data-name": group.name });
    for (const line of group.lines) made.append(svg("path", { d: line.d, ...pen(line) }));
    for (const words of group.words) {
      const [x, y] = words.at;
      const text = svg("text", { x, y, "text-anchor": words.anchor, "font-weight": words.bold ? 700 : 400, "data-size": words.size }, words.text);
      if (words.turn) text.setAttribute("transform", `rotate(${words.turn} ${x} ${y})`);
      made.append(text);
    }
    return made;
  }

  #row(drawing, name, words) {
    const line = drawing.groups.find((group) => group.name === name)?.lines[0];
    const sample = svg("g", { "data-name": name }, svg("path", { d: "M2 12H62", ...(line ? pen(line) : {}) }));
    return el("li", {}, svg("svg", { class: "ink", viewBox: "0 0 64 24", "aria-hidden": "true" }, sample), words);
  }

  /** Words large enough to read; where two would lie on each other the larger one stays, nearer both show. */
  #letters() {
    const unit = this.viewer.unit;
    const texts = [...this.view.querySelectorAll("text")];
    const size = (text) => Number(text.dataset.size);
    const taken = [];
    for (const text of texts.sort((a, b) => size(b) - size(a))) {
      const shown = Math.max(size(text), Math.min(READ_PX * unit, MOST_LARGER * size(text)));
      text.setAttribute("font-size", shown.toFixed(2));
      text.classList.remove("away");
      const box = text.getBoundingClientRect();
      const hits = (other) => box.left < other.right && other.left < box.right && box.top < other.bottom && other.top < box.bottom;
      if (shown < LEAST_PX * unit || taken.some(hits)) text.classList.add("away");
      else taken.push(box);
    }
  }

  #zoom(factor) {
    if (factor) this.viewer.zoom(factor);
    else this.viewer.fit();
  }
}
