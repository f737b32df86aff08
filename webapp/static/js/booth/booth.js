// The sheet page: puts the parts together. The state of the sheet comes from the server; what is selected, zoomed or
// half entered is the page's own.

import { PhotoViewer } from "./viewer.js";
import { bindPanel, scrollTo, sentence, swap } from "./panel.js";
import { get } from "./server.js";
import { onState, setState, state } from "./state.js";
import { bindKeys, bindSwitch } from "./keys.js";
import { bindMissed } from "./missed.js";
import { bindPhotos } from "./photos.js";

document.documentElement.classList.add("scripted");

const POLL_MS = 1000;
const SHOWN_MS = 5000;

const root = document.getElementById("booth");
const panel = document.getElementById("panel");
const tabs = document.getElementById("photo-tabs");
const said = document.getElementById("said");
const photoNote = document.getElementById("photo-note");
const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
let hush = 0;
const chosen = { photo: null, mark: null };

function say(text, isProblem) {
  said.textContent = text ?? "";
  said.classList.toggle("problem", Boolean(isProblem));
  said.setAttribute("role", isProblem ? "alert" : "status");
  said.hidden = !text;
  window.clearTimeout(hush);
  if (text && !isProblem) hush = window.setTimeout(() => (said.hidden = true), SHOWN_MS);
}

const missed = bindMissed(document.getElementById("missed"), {
  taps: (taps) => viewer.setTaps(taps),
  photo: () => state().photos.find((photo) => photo.id === chosen.photo),
});

const viewer = new PhotoViewer(document.getElementById("viewer"), {
  calm,
  pick: (id) => select(id, { look: false }),
  tap: (x, y) => missed.tap(x, y),
  placing: () => missed.open(),
});

function allMarks() {
  return state().photos.flatMap((photo) => photo.marks.map((mark) => ({ ...mark, photo: photo.id })));
}

function showPhoto(id) {
  const photos = state().photos;
  const photo = photos.find((one) => one.id === id) ?? photos.find((one) => one.marks.length) ?? photos[0] ?? null;
  if (photo && photo.id !== chosen.photo) missed.clear();
  chosen.photo = photo?.id ?? null;
  viewer.show(photo);
  viewer.setMarks(photo?.marks ?? [], chosen.mark);
  document.getElementById("no-photo").hidden = Boolean(photo);
  photoNote.textContent = photo?.sentences.join(" ") ?? "";
  photoNote.hidden = !photoNote.textContent;
  for (const tab of tabs.querySelectorAll("[data-photo]")) {
    const here = Number(tab.dataset.photo) === chosen.photo;
    if (here) tab.setAttribute("aria-current", "true");
    else tab.removeAttribute("aria-current");
  }
}

function select(id, { look = true } = {}) {
  chosen.mark = id;
  const mark = allMarks().find((one) => one.id === id);
  for (const row of panel.querySelectorAll("[data-find]")) {
    const here = row.dataset.find === id;
    row.classList.toggle("selected", here);
    row.querySelector(".find-pick")?.setAttribute("aria-expanded", String(here));
    if (here) {
      row.closest("details")?.setAttribute("open", "");
      scrollTo(panel.parentElement, row);
    }
  }
  if (mark && mark.photo !== chosen.photo) showPhoto(mark.photo);
  viewer.setMarks(state().photos.find((photo) => photo.id === chosen.photo)?.marks ?? [], id);
  if (mark && look) viewer.lookAt(mark);
}

// The next find in the list's order; the one after the selected, or the first that waits for a word.
function step(by) {
  const rows = [...panel.querySelectorAll(".finds [data-find]")].map((row) => row.dataset.find);
  if (!rows.length) return;
  const at = rows.indexOf(chosen.mark);
  select(rows[at < 0 ? 0 : (at + by + rows.length) % rows.length]);
}

function selectNextOpen(after) {
  const rows = [...panel.querySelectorAll(".finds [data-find]")];
  const at = rows.findIndex((row) => row.dataset.find === after);
  const next = [...rows.slice(at + 1), ...rows.slice(0, at + 1)].find((row) => "open" in row.dataset);
  select(next ? next.dataset.find : after);
}

onState((now) => {
  swap(panel, now.panel);
  swap(tabs, now.tabs);
  showPhoto(chosen.photo);
  if (chosen.mark) select(chosen.mark, { look: false });
});

// After a word the next find is selected; "undo" still means the word just given.
let lastDecided = null;

bindPanel(root, {
  say,
  acted: (act, mark) => {
    if (act === "decide") {
      lastDecided = mark;
      selectNextOpen(mark);
    }
    if (act === "add") missed.clear();
  },
});

panel.addEventListener("click", (event) => {
  const pick = event.target.closest("[data-pick]");
  if (!pick) return;
  event.preventDefault();
  const id = pick.dataset.pick;
  const again = id === chosen.mark && pick.classList.contains("find-pick");
  select(again ? null : id);
});

tabs.addEventListener("click", (event) => {
  const tab = event.target.closest("[data-photo]");
  if (!tab) return;
  event.preventDefault();
  showPhoto(Number(tab.dataset.photo));
});

const tools = {
  in: () => viewer.zoom(1.6),
  out: () => viewer.zoom(1 / 1.6),
  fit: () => viewer.fit(),
  next: () => step(1),
  previous: () => step(-1),
  marks: () => {
    const button = document.querySelector("[data-tool=marks]");
    viewer.hideMarks(!viewer.hidden);
    button.setAttribute("aria-pressed", String(viewer.hidden));
  },
  missed: () => missed.toggle(),
};

document.getElementById("tools").addEventListener("click", (event) => {
  const button = event.target.closest("[data-tool]");
  if (button) tools[button.dataset.tool]();
});

function press(name) {
  panel.querySelector(`.selected button[data-key="${name}"]`)?.click();
}

function undo() {
  if (!panel.querySelector('.selected button[data-key="undo"]') && lastDecided) select(lastDecided);
  press("undo");
}

bindSwitch(document.getElementById("keys"));
bindKeys({
  n: tools.next,
  p: tools.previous,
  "+": tools.in,
  "=": tools.in,
  "-": tools.out,
  0: tools.fit,
  m: tools.marks,
  a: tools.missed,
  c: () => press("confirm"),
  d: () => press("dismiss"),
  u: undo,
  1: () => press("bubble"),
  2: () => press("stone"),
  3: () => press("scratch"),
  ArrowLeft: () => viewer.pan(-1, 0),
  ArrowRight: () => viewer.pan(1, 0),
  ArrowUp: () => viewer.pan(0, -1),
  ArrowDown: () => viewer.pan(0, 1),
});

async function refresh() {
  try {
    setState(await get(root.dataset.stateUrl, { background: true }));
  } catch (error) {
    say(sentence(error), true);
  }
}

// While photos are being looked at, the jobs are asked for once a second; the rest only when one is done.
let polling = false;
async function poll() {
  if (polling) return;
  polling = true;
  try {
    while (state().photos.some((photo) => photo.state === "waiting")) {
      await new Promise((resolve) => window.setTimeout(resolve, POLL_MS));
      const jobs = await get(root.dataset.progressUrl, { background: true }).catch(() => null);
      if (!jobs) continue;
      for (const job of jobs.photos) {
        const line = tabs.querySelector(`[data-photo="${job.id}"] .tab-state`);
        if (line && job.state === "waiting") line.textContent = job.says;
      }
      const known = new Map(state().photos.map((photo) => [photo.id, photo.state]));
      if (jobs.photos.some((job) => known.get(job.id) !== job.state)) await refresh();
    }
  } finally {
    polling = false;
  }
}
onState(() => poll());

bindPhotos(root, { arrived: refresh, say });

// what the last page had to tell has been read by then
for (const note of document.querySelectorAll(".page > .note.done")) {
  window.setTimeout(() => note.remove(), SHOWN_MS);
}
