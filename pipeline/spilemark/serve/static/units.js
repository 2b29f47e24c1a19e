// The unit of a job's form: what is written keeps its meaning when the unit changes, and a
// thickness that no pattern has is asked about before it is kept.
import { el } from "./common.js";

const form = document.getElementById("sheet");
const hint = document.getElementById("units-hint");
const WORDS = { mm: "millimetres", in: "inches" };
const LENGTH = /^(?:(?:port|starboard)_)?(?:thickness|centreline_offset|tolerance)$/;
const BETWEEN = /^(?:(?:port|starboard)_)?(?:battens|distances)$/;
const THICKNESS = /(?:^|_)thickness$/;
const BARE = /^[\d\s.,/]*\d[\d\s.,/]*$/;
const PAIR = /^(\s*[A-Za-z]\w*\s*(?:[-–—]|\bto\b)\s*[A-Za-z]\w*\s*(?:=|:|\bis\b|\s)\s*)(\d.*)$/;
let unit = form?.elements.units.value;
let agreed = null; // the thickness that was asked about and is right

/** A length with the unit that it was written in; one that names its own stays as it is. */
function withUnit(text, was) {
  return text.replace(/[^±]+/g, (part) => {
    const bare = part.trim();
    if (!BARE.test(bare)) return part;
    // A fraction is inches wherever it stands.
    const named = `${bare} ${bare.includes("/") ? "in" : was}`;
    return part.replace(bare, () => named);
  });
}

/** The same of distances between cards, several in one text. */
function pairsWithUnit(text, was) {
  return text.split(/(;|\n|,(?=\s*[A-Za-z]))/).map((row) => {
    const told = PAIR.exec(row);
    return told ? told[1] + withUnit(told[2], was) : row;
  }).join("");
}

function changeUnit() {
  const now = form.elements.units.value;
  if (now === unit) return;
  let kept = "";
  for (const input of form.querySelectorAll("input[name]")) {
    const change = LENGTH.test(input.name) ? withUnit : BETWEEN.test(input.name) ? pairsWithUnit : null;
    if (!change) continue;
    const text = change(input.value, unit);
    if (text !== input.value) kept ||= text.trim();
    input.value = text;
  }
  unit = now;
  hint.textContent = `A number without a unit now means ${WORDS[unit]}.${kept ? ` What stood here keeps its meaning: ${kept}.` : ""}`;
}

/** A thickness in mm; null where it is not understood here. */
function millimetres(text) {
  const told = /^\s*(?:(\d+)[\s-]+)?(?:(\d+)\/(\d+)|(\d*[.,]?\d+))\s*(mm|cm|inches|inch|in|["″])?\s*(?:±.*)?$/.exec(text);
  if (!told || (told[1] && !told[2])) return null;
  const [, whole, top, bottom, decimal, named] = told;
  const value = top ? Number(whole ?? 0) + top / bottom : Number(decimal.replace(",", "."));
  const each = named ?? (top ? "in" : unit);
  return value * (each === "mm" ? 1 : each === "cm" ? 10 : 25.4);
}

function tooThick() {
  return [...form.querySelectorAll("input[name]")].find((input) =>
    THICKNESS.test(input.name) && millimetres(input.value) > Number(form.dataset.thick));
}

function takeBack() {
  document.getElementById("thick")?.remove();
}

/** Ask at the field whether a pattern is really that thick. */
function ask(input) {
  takeBack();
  const mm = millimetres(input.value);
  const both = `${mm.toFixed(1)} mm (${(mm / 25.4).toFixed(2)} in)`;
  const yes = el("button", { type: "button" }, "Yes, that is right");
  yes.addEventListener("click", () => {
    agreed = input.value;
    takeBack();
    form.querySelector("button[type=submit]").focus();
  });
  const no = el("button", { type: "button" }, "No, I change it");
  no.addEventListener("click", () => {
    takeBack();
    input.focus();
    input.select();
  });
  input.before(el("div", { id: "thick", className: "trouble", role: "alert" },
    el("p", {}, `Is the pattern itself ${both} thick? Ply or card for patterns is mostly 3 to 9 mm (1/8 to 3/8 in). Was a point lost, or is the unit another? Each millimetre too much makes the template about a tenth of a per cent too small.`),
    el("p", { className: "bar" }, yes, no)));
}

if (form) {
  if (!form.dataset.then) hint.textContent = `This job starts in ${WORDS[unit]}: a number without a unit means ${WORDS[unit]}.`;
  else hint.textContent = `A number without a unit means ${WORDS[unit]}.`;
  form.addEventListener("change", (event) => {
    if (event.target.name === "units") changeUnit();
    const input = tooThick();
    if (!input) takeBack();
    else if (input.value !== agreed && THICKNESS.test(event.target.name)) ask(input);
  });
  form.addEventListener("submit", (event) => {
    const input = tooThick();
    if (!input || input.value === agreed) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    ask(input);
    document.querySelector("#thick button").focus();
  }, { capture: true });
}
