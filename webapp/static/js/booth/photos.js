// Taking and choosing photos on the sheet page: camera, gallery, drag and drop; the list of those on their way.

import { Uploader } from "./upload.js";
import { drawWaiting } from "./waiting_list.js";

export function bindPhotos(root, { arrived, say }) {
  const form = document.getElementById("add-photos");
  if (!form) return; // a finished sheet takes no photos
  const list = document.getElementById("on-the-way");
  const sheet = root.dataset.sheet;

  const uploader = new Uploader({
    user: root.dataset.user,
    show: (items, note) => {
      // what was refused for another sheet is told on the page of lines: here it would only stand before the photo
      const shown = items.filter((item) => item.sheet === sheet || !item.refused);
      drawWaiting(list, shown, (key) => uploader.remove(key));
      if (note) say(note, true);
    },
    done: (forSheet) => {
      if (forSheet === sheet) arrived();
    },
  });

  function target() {
    const origin = {};
    for (const name of ["x0_mm", "y0_mm"]) {
      const field = form.elements[name];
      if (field?.value) origin[name] = field.value;
    }
    const label = document.querySelector(".sheet-head h1").textContent;
    return { sheet, label, url: form.action, setupId: form.elements.setup_id?.value ?? "", origin };
  }

  for (const input of form.querySelectorAll("input[type=file][data-direct]")) {
    input.addEventListener("change", () => {
      if (input.files.length) uploader.add(input.files, target());
      input.value = "";
    });
  }
  // a square-on camera without tags may look at another part of the sheet than its set-up says
  const corner = form.querySelector("[data-corner]");
  const choice = form.elements.setup_id;
  const offerCorner = () => {
    corner.hidden = !("movable" in (choice.selectedOptions[0]?.dataset ?? {}));
    if (corner.hidden) for (const field of corner.querySelectorAll("input")) field.value = "";
  };
  choice.addEventListener("change", offerCorner);
  offerCorner();

  form.addEventListener("submit", (event) => event.preventDefault());

  const pane = document.getElementById("photo-pane");
  for (const kind of ["dragenter", "dragover"]) {
    pane.addEventListener(kind, (event) => {
      event.preventDefault();
      pane.classList.add("dropping");
    });
  }
  for (const kind of ["dragleave", "drop"]) pane.addEventListener(kind, () => pane.classList.remove("dropping"));
  pane.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) uploader.add(event.dataTransfer.files, target());
  });
}
