// Sends waiting photos to the server, one after the other, with progress; tries again when the network comes back.

import * as queue from "./queue.js";
import { csrfToken } from "./server.js";

const AGAIN_MS = 5000;

export class Uploader {
  // user : whose photos go up; show(items, note) : draws the list; done(sheet, answer) : a photo has arrived
  constructor({ user, show, done }) {
    this.user = user;
    this.show = show;
    this.done = done;
    this.busy = false;
    this.progress = new Map();
    window.addEventListener("online", () => this.run());
    this.run();
  }

  async add(files, target) {
    const { photos, setups } = sortFiles(files);
    for (const photo of photos) {
      const own = setups.length === 1 && photos.length === 1 ? setups[0] : setupFor(photo, setups);
      await queue.keep({
        ...target,
        user: this.user,
        name: photo.name,
        blob: photo,
        setup: own ?? null,
        setupName: own?.name ?? null,
      });
    }
    await this.run();
  }

  async remove(key) {
    await queue.drop(key);
    await this.draw("");
  }

  async draw(note) {
    const items = await queue.waiting();
    this.show(
      items.map((item) => ({
        key: item.key,
        name: item.name,
        sheet: item.sheet,
        label: item.label ?? "",
        mine: item.user === this.user,
        refused: item.refused,
        progress: this.progress.get(item.key) ?? 0,
      })),
      note,
    );
  }

  async run() {
    if (this.busy) return;
    this.busy = true;
    let note = "";
    try {
      for (;;) {
        const next = (await queue.waiting()).find((item) => item.user === this.user && !item.refused);
        if (!next) break;
        note = await this.sendOne(next);
        if (note) break;
      }
    } finally {
      this.busy = false;
    }
    await this.draw(note);
    if (note) window.setTimeout(() => this.run(), AGAIN_MS);
  }

  // Gives back "" when the next photo may follow, else why the photos have to wait.
  async sendOne(item) {
    this.progress.set(item.key, 0);
    await this.draw("");
    const answer = await send(item, (share) => {
      this.progress.set(item.key, share);
      this.draw("");
    });
    if (answer.status === 200 && answer.content?.photos?.[0]?.sha256) {
      await queue.drop(item.key);
      this.done(item.sheet, answer.content);
      return "";
    }
    if (answer.status === 0) return "No network: the photos wait on this tablet and go up by themselves.";
    if (answer.status === 401) return "Your sign-in has ended: sign in again, the photos are kept on this tablet.";
    if (answer.status >= 500) return "The server cannot take photos now: they wait on this tablet.";
    await queue.refuse(item, answer.content?.error?.message ?? tooLarge(item));
    return "";
  }
}

function tooLarge(item) {
  return `${item.name}: the server does not take it; it has ${Math.round(item.blob.size / 1e6)} MB.`;
}

function send(item, onProgress) {
  const form = new FormData();
  form.append("photos", item.blob, item.name);
  if (item.setup) form.append("setup_files", item.setup, item.setupName);
  if (item.setupId) form.append("setup_id", item.setupId);
  if (item.origin) for (const [name, value] of Object.entries(item.origin)) form.append(name, value);
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("POST", item.url);
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("X-CSRFToken", csrfToken());
    request.responseType = "json";
    request.upload.onprogress = (event) => event.lengthComputable && onProgress(event.loaded / event.total);
    request.onload = () => resolve({ status: request.status, content: request.response });
    request.onerror = () => resolve({ status: 0 });
    request.send(form);
  });
}

function sortFiles(files) {
  const isSetup = (file) => /\.json$/i.test(file.name);
  const all = [...files];
  return { photos: all.filter((file) => !isSetup(file)), setups: all.filter(isSetup) };
}

// The set-up file that lies beside a photo: name.setup.json for name.jpg.
function setupFor(photo, setups) {
  const stem = photo.name.replace(/\.[^.]+$/, "").toLowerCase();
  const names = [`${stem}.setup.json`, `${photo.name.toLowerCase()}.setup.json`];
  return setups.find((file) => names.includes(file.name.toLowerCase()));
}
