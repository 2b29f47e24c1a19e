// What every page of the bench needs: asking for changes, listening, and saying what went wrong.

/** The job that the page is about, as the server last told it. */
export function jobHere() {
  return JSON.parse(document.getElementById("job").dataset.job);
}

/** Say what went wrong, in the page's own place for it. */
export function trouble(words) {
  const place = document.getElementById("trouble");
  place.hidden = !words;
  place.textContent = words || "";
  if (words) place.scrollIntoView({ block: "nearest" });
}

/** Ask for a change; hands back the answer, or throws words that a person understands. */
export async function send(path, body, type = "application/json", more = {}) {
  const form = type === "application/json" ? JSON.stringify(body ?? {}) : body;
  let answer;
  try {
    answer = await fetch(path, {
      method: "POST",
      headers: { "x-spilemark": "bench", "content-type": type, ...more },
      body: form,
    });
  } catch {
    throw new Error("The program does not answer. Is it still running on this computer?");
  }
  return read(answer);
}

/** Ask for something. */
export async function get(path) {
  let answer;
  try {
    answer = await fetch(path, { headers: { accept: "application/json" } });
  } catch {
    throw new Error("The program does not answer. Is it still running on this computer?");
  }
  return read(answer);
}

async function read(answer) {
  const text = await answer.text();
  let table = {};
  try {
    table = text ? JSON.parse(text) : {};
  } catch {
    table = { error: { what: text.slice(0, 300), todo: "" } };
  }
  if (answer.ok) return table;
  const error = table.error ?? { what: "That did not work.", todo: "" };
  const thrown = new Error(`${error.what} ${error.todo}`.trim());
  thrown.status = answer.status;
  thrown.fields = error.fields ?? [];
  throw thrown;
}

/** Do something and say what went wrong with it, if anything. */
export async function attempt(work) {
  trouble("");
  try {
    return await work();
  } catch (error) {
    trouble(error.message);
    return undefined;
  }
}

const listeners = [];
const PATIENCE_MS = 15000; // of which the program says three times that it is there
let source = null;
let opened = false;
let quiet = null; // runs out when nothing was heard for long
let lost = null; // runs out soon after the line broke; trying again does not wind it up

/** Be told of each job's state as it changes; after a gap all is asked for again. */
export function listen(told, again) {
  listeners.push({ told, again });
  if (source) return;
  connect();
  addEventListener("pagehide", () => {
    clearTimeout(quiet);
    clearTimeout(lost);
    source.close();
  });
}

/** The same of one job alone. */
export function listenTo(id, told, again) {
  listen((state) => state.id === id && told(state), again);
}

/** One line to the program, however many listen; a line that is given up is made anew. */
function connect() {
  source = new EventSource("/api/events");
  source.addEventListener("open", () => {
    heard();
    if (opened) for (const { again } of listeners) again();
    opened = true;
  });
  source.addEventListener("here", heard);
  source.addEventListener("job", (event) => {
    heard();
    const state = JSON.parse(event.data);
    for (const { told } of listeners) told(state);
  });
  source.addEventListener("error", () => (lost ??= setTimeout(unheard, 1500)));
}

function heard() {
  document.getElementById("silent").hidden = true;
  clearTimeout(lost);
  lost = null;
  clearTimeout(quiet);
  quiet = setTimeout(unheard, PATIENCE_MS);
}

/** Nothing came: say so, and try until something does. */
function unheard() {
  const place = document.getElementById("silent");
  // Said once: a reader of the screen would hear it at every try.
  if (place.hidden) place.textContent = "The program does not answer. What stands here is of before. Is it still running on this computer? Start it again if it was ended: this page then goes on by itself.";
  place.hidden = false;
  clearTimeout(lost);
  lost = null;
  source.close();
  connect();
  clearTimeout(quiet);
  quiet = setTimeout(unheard, 3000);
}

/** Where a job stands, in words, with a sign that is not its colour. */
export function statusWords(job) {
  const work = job.work;
  switch (job.status) {
    case "working":
      return work.words ? `◐ ${work.words} (${work.step} of ${work.steps})` : "◐ beginning";
    case "waiting":
      return work.before ? `◔ waits, ${work.before} before it` : "◔ waits";
    case "measured":
      return job.end?.exit_code === 5 ? "◆ measured, with a warning" : "● measured";
    case "changed":
      return "△ changed since it was measured";
    case "failed":
      return "✕ could not be measured";
    case "stopped":
      return "◻ stopped by you";
    case "problem":
      return "✕ the job file cannot be read";
    case "ready":
      return "○ not measured yet";
    default:
      return "○ no photos yet";
  }
}

/** How a photo was found, by a sign that is not its colour. */
export const SIGNS = { yes: "✓", mind: "△", no: "✕" };

/** A photo by the name that its file had, and by its name in the job. */
export function photoName(photo) {
  return photo.own_name ? `${photo.own_name} (here ${photo.name})` : photo.name;
}

/** What a sent file tells of its own name. */
export function nameOf(file) {
  return { "x-file-name": encodeURIComponent(file.name ?? "").slice(0, 390) };
}

/** An element with its properties and children. */
export function el(name, properties = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key in made) made[key] = value;
    else made.setAttribute(key, value);
  }
  made.append(...children);
  return made;
}

/** The same for a drawing. */
export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

const INCH_MM = 25.4;
const SIXTEENTHS = 16;
const INCH_DIGITS = 3;

/** A gap or a doubt, mm, as the job shows lengths: too small for fractions of an inch. */
export function fine(mm, units = "mm", digits = 1) {
  if (mm === null || mm === undefined) return "?";
  return units === "in" ? `${(mm / INCH_MM).toFixed(INCH_DIGITS)}"` : `${mm.toFixed(digits)} mm`;
}

/** A length of wood, mm: in inches to the nearest sixteenth, in lowest terms. */
export function length(mm, units = "mm", digits = 1) {
  if (mm === null || mm === undefined || units !== "in") return fine(mm, units, digits);
  const parts = Math.round((Math.abs(mm) / INCH_MM) * SIXTEENTHS);
  const whole = Math.floor(parts / SIXTEENTHS);
  let [top, bottom] = [parts % SIXTEENTHS, SIXTEENTHS];
  while (top && top % 2 === 0) [top, bottom] = [top / 2, bottom / 2];
  const words = [whole || !top ? `${whole}` : "", top ? `${top}/${bottom}` : ""].filter(Boolean).join(" ");
  return `${mm < 0 && parts ? "-" : ""}${words}"`;
}
