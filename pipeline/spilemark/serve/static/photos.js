// Photos of a job: they come in, are judged, and the job is measured.
import { SIGNS, attempt, el, get, jobHere, listenTo, nameOf, photoName, send, statusWords, trouble } from "./common.js";

let job = jobHere();
const api = `/api/jobs/${job.id}`;
const state = document.getElementById("state");
const bar = document.getElementById("bar");
const buttons = Object.fromEntries(
  ["measure", "stop", "to-look", "let-in"].map((id) => [id, document.getElementById(id)]),
);
let sending = 0;
let sent = 0;

function show() {
  const busy = job.work !== null;
  let words = statusWords(job);
  const end = document.getElementById("end");
  end.textContent = !busy && job.end && job.photos.length ? job.end.words : "";
  if (sending) words = `Sending photo ${sent + 1} of ${sending} …`;
  if (state.textContent !== words) state.textContent = words;
  bar.hidden = !busy;
  if (busy && job.work.status === "working") bar.value = job.work.share;
  else bar.removeAttribute("value");
  buttons.measure.hidden = busy;
  buttons.measure.disabled = job.photos.length === 0 || Boolean(job.problem);
  buttons.measure.textContent = job.measured ? "Measure again" : "Measure";
  buttons.stop.hidden = !busy;
  buttons["to-look"].hidden = !job.measured;
  for (const section of document.querySelectorAll(".arm")) showArm(section);
  showAside();
  if (busy) hideAsked();
}

/** Photos that were set aside: where they are, and the way back. */
function showAside() {
  const place = document.getElementById("aside");
  const list = place.querySelector("ul");
  place.hidden = !job.aside?.length;
  const wanted = JSON.stringify(job.aside ?? []);
  if (list.dataset.shown === wanted) return;
  list.dataset.shown = wanted;
  list.replaceChildren(...(job.aside ?? []).map((photo) => {
    const back = el("button", { type: "button" }, "Bring back");
    back.setAttribute("aria-label", `Bring ${photoName(photo)} back`);
    back.addEventListener("click", () => attempt(async () => {
      await send(`${api}/aside/${photo.id}/back`);
      await refresh();
      tell(`${photoName(photo)} is among the photos again.`);
    }));
    return el("li", {}, el("p", {}, photoName(photo)), back);
  }));
}

/** Say what was done, where the eye is and where a reader of the screen hears it. */
function tell(words) {
  document.getElementById("done").textContent = words;
}

async function setAside(photo) {
  await send(`${api}/photos/${photo.id}/aside`);
  await refresh();
  tell(`${photoName(photo)} was set aside: its file is kept in the job's folder set_aside. "Bring back" stands below the photos.`);
  document.getElementById("done").focus();
}

const asked = document.getElementById("asked");

function hideAsked() {
  asked.hidden = true;
  asked.replaceChildren();
}

/** Photos that will not do, by what was last said of them. */
function bad() {
  return job.photos.filter((photo) => photo.there && !photo.found && photo.check?.good === "no");
}

async function measure(body = {}) {
  hideAsked();
  tell("");
  await send(`${api}/measure`, body);
}

/** Before time is lost on a photo that will not do: which one, why, and what may be done. */
function askAbout(photos) {
  const button = (words, work) => {
    const made = el("button", { type: "button" }, words);
    made.addEventListener("click", work);
    return made;
  };
  const rest = job.photos.length - photos.length;
  const many = photos.length > 1;
  const choices = [];
  if (rest) {
    choices.push(button(`Leave ${many ? "them" : "it"} out and measure`, () => attempt(() => measure({ leave_out: photos.map((photo) => photo.id) }))));
    choices.at(-1).className = "main";
  }
  choices.push(button(`Measure with ${many ? "them" : "it"} all the same`, () => attempt(() => measure())));
  choices.push(button("Not now", () => { hideAsked(); buttons.measure.focus(); }));
  asked.replaceChildren(
    el("h2", { tabIndex: -1 }, many ? "These photos will not do" : "This photo will not do"),
    ...photos.map((photo) => el("p", {}, `${photoName(photo)}: ${photo.check.words} ${photo.check.more.join(" ")}`)),
    ...(rest ? [el("p", {}, `Left out, ${many ? "they are" : "it is"} set aside: the files are kept, and can be brought back.`)] : []),
    el("p", { className: "bar" }, ...choices),
  );
  asked.hidden = false;
  asked.querySelector("h2").focus();
}

function showArm(section) {
  const arm = section.dataset.arm;
  const photos = job.photos.filter((photo) => photo.arm === arm);
  section.hidden = !job.arms_open.includes(arm) && photos.length === 0;
  const list = section.querySelector(".photos");
  const wanted = JSON.stringify(photos);
  if (list.dataset.shown === wanted) return;
  list.dataset.shown = wanted;
  list.replaceChildren(...photos.map(photoLine));
}

function photoLine(photo) {
  const check = photo.found ?? photo.check;
  const words = el("div");
  if (!photo.there) words.append(el("p", {}, `✕ ${photoName(photo)} is not in the folder.`));
  else if (!check) words.append(el("p", {}, "… looking at it"));
  else {
    words.append(el("p", { className: "status" }, `${SIGNS[check.good] ?? ""} ${check.words}`));
    for (const more of check.more) words.append(el("p", {}, more));
  }
  words.append(el("p", { className: "quiet" }, photoName(photo)));
  if (!job.several) {
    const aside = el("button", { type: "button" }, "Set aside");
    aside.setAttribute("aria-label", `Set ${photoName(photo)} aside`);
    aside.addEventListener("click", () => attempt(() => setAside(photo)));
    words.append(aside);
  }
  const picture = photo.there
    ? el("img", { src: `${api}/photos/${photo.id}/thumb.jpg`, alt: `Photo ${photoName(photo)}`, loading: "lazy" })
    : el("span");
  return el("li", {}, picture, words);
}

/** What did not come in, by its own name, at the place where it was put. */
async function sendAll(arm, files) {
  trouble("");
  const refused = document.querySelector(`.arm[data-arm="${arm}"] .refused`);
  refused.replaceChildren();
  const queue = [...files];
  sending += queue.length;
  for (const file of queue) {
    show();
    try {
      await sendOne(arm, file);
    } catch (error) {
      refused.append(el("p", { className: "trouble" }, `✕ ${file.name} did not come in: ${error.message}`));
    }
    sent += 1;
  }
  if (sent >= sending) sending = sent = 0;
  await refresh();
}

async function sendOne(arm, file) {
  for (let again = 2; ; again -= 1) {
    try {
      return await send(`${api}/photos/${arm}`, file, "application/octet-stream", nameOf(file));
    } catch (error) {
      // Refused is refused; a line that broke may hold the second time.
      if (error.status || !again) throw error;
      await new Promise((done) => setTimeout(done, 1000));
    }
  }
}

async function refresh() {
  job = (await attempt(() => get(api))) ?? job;
  show();
}

for (const section of document.querySelectorAll(".arm")) {
  const drop = section.querySelector(".drop");
  const input = drop.querySelector("input");
  input.addEventListener("change", () => {
    sendAll(section.dataset.arm, input.files);
    input.value = "";
  });
  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.add("over");
    });
  }
  for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    sendAll(section.dataset.arm, event.dataTransfer.files);
  });
}
// A photo dropped beside its place must not replace the page.
for (const name of ["dragover", "drop"]) addEventListener(name, (event) => event.preventDefault());

buttons.measure.addEventListener("click", () => {
  const photos = bad();
  if (photos.length) askAbout(photos);
  else attempt(() => measure());
});
buttons.stop.addEventListener("click", () => attempt(() => send(`${api}/stop`)));

const door = document.getElementById("door");
let asking = null;

function minutes(seconds) {
  return seconds > 90 ? `${Math.round(seconds / 60)} minutes` : `${seconds} seconds`;
}

/** What stands at the door: the code to scan, or who is in, and the way to shut it. */
function showDoor(told) {
  door.hidden = !told.open;
  buttons["let-in"].textContent = told.open ? "Let one more phone in" : "Let a phone in";
  if (!told.open) {
    clearInterval(asking);
    asking = null;
    door.replaceChildren();
    door.dataset.link = "";
    return;
  }
  if (door.dataset.link !== told.link || !door.childElementCount) {
    door.dataset.link = told.link;
    const shut = el("button", { type: "button" }, "Shut the door");
    shut.addEventListener("click", () => attempt(async () => showDoor(await send("/api/door/shut"))));
    const words = el("div", {}, el("p", { className: "status", role: "status" }), el("p", { className: "quiet" }));
    words.append(el("p", { className: "bar" }, shut));
    door.replaceChildren(words);
    if (told.link) door.prepend(el("img", { src: `/api/door/code.svg?${Date.now()}`, alt: "Code to scan with the phone's camera" }));
  }
  const [first, second] = door.querySelectorAll("p");
  const phones = `${told.guests} phone${told.guests === 1 ? " is" : "s are"} in`;
  const line = told.link ? `Scan this with the phone's camera. It works once, for ${minutes(told.code_seconds)}.` : `${phones}. Photos come in below as they are taken.`;
  if (first.textContent !== line) first.textContent = line;
  second.textContent = `${told.link ? `Or type ${told.link} . ${told.guests ? `${phones}. ` : ""}` : ""}The door shuts by itself in ${minutes(told.seconds)}.`;
  asking ??= setInterval(async () => showDoor((await attempt(() => get("/api/door"))) ?? { open: false }), 1500);
}

buttons["let-in"].addEventListener("click", () => attempt(async () => showDoor(await send(`${api}/door`))));
attempt(async () => showDoor(await get("/api/door")));

listenTo(job.id, (told) => {
  job = told;
  show();
}, refresh);
show();
