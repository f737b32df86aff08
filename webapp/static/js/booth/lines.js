// The page of lines: photos that still wait on this tablet go up from here as well.

import { Uploader } from "./upload.js";
import { drawWaiting } from "./waiting_list.js";

const list = document.getElementById("on-the-way");
const said = document.getElementById("said");

const uploader = new Uploader({
  user: list.dataset.user,
  show: (items, note) => {
    drawWaiting(list, items, (key) => uploader.remove(key), true);
    said.textContent = note;
    said.hidden = !note;
  },
  done: () => {},
});
