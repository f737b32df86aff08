// Adding a defect that the eye missed: two touches on the photo, one at each end, or figures typed into the form.

import { scrollTo } from "./panel.js";

export function bindMissed(box, { taps, photo }) {
  const form = box.querySelector("form");
  const hint = box.querySelector("[data-hint]");
  const button = document.querySelector("[data-tool=missed]");
  let points = [];

  function write() {
    const text = points.map(([x, y]) => `${x.toFixed(2)},${y.toFixed(2)}`).join(" ");
    form.elements.taps.value = text;
    form.elements.photo_id.value = points.length ? photo()?.id ?? "" : "";
    const placed = points.length === 2;
    form.classList.toggle("placed", placed);
    form.querySelector("[data-typed]").hidden = placed;
    hint.textContent = placed
      ? "Placed. Choose the kind and add it, or touch the photo again for another place."
      : points.length === 1
        ? "Now touch the other end."
        : "Touch one end of the defect on the photo, then the other; or type place and length.";
    taps(points);
  }

  function clear() {
    points = [];
    write();
    box.open = false;
    button.setAttribute("aria-pressed", "false");
  }

  function toggle() {
    if (box.hidden) return; // a finished sheet takes no more
    if (box.open) {
      clear();
      return;
    }
    box.open = true;
    button.setAttribute("aria-pressed", "true");
    scrollTo(box.parentElement, box);
    write();
  }

  function tap(x, y) {
    const shown = photo();
    if (!box.open || !shown) return;
    if (x < 0 || y < 0 || x > shown.width_px || y > shown.height_px) return;
    points = points.length >= 2 ? [[x, y]] : [...points, [x, y]];
    write();
  }

  box.addEventListener("toggle", () => {
    button.setAttribute("aria-pressed", String(box.open));
    if (!box.open && points.length) clear();
  });
  return { tap, toggle, clear, open: () => box.open };
}
