// The zoomable photo. OpenSeadragon does pinch, pan and wheel; this module places our drawing over it and gives
// every gesture a button or a key as well.

import { drawMarks, drawTaps } from "./marks.js";

const SVG = "http://www.w3.org/2000/svg";

export class PhotoViewer {
  // host : the element to fill; pick(markId) : a mark was touched; tap(x_px, y_px) : the photo was touched;
  // placing() : whether a touch places something, whatever lies under it
  constructor(host, { pick, tap, placing, calm }) {
    this.pick = pick;
    this.marks = [];
    this.taps = [];
    this.selected = null;
    this.photo = null;
    this.hidden = false;
    this.whole = true; // nobody has zoomed or moved it
    this.osd = window.OpenSeadragon({
      element: host,
      showNavigationControl: false,
      showNavigator: false,
      drawer: "canvas",
      crossOriginPolicy: false,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: false },
      gestureSettingsTouch: { clickToZoom: false, dblClickToZoom: false, flickEnabled: !calm },
      gestureSettingsPen: { clickToZoom: false, dblClickToZoom: false },
      animationTime: calm ? 0 : 0.25,
      maxZoomPixelRatio: 12,
      minZoomImageRatio: 0.9,
      visibilityRatio: 0.6,
      imageSmoothingEnabled: false,
    });
    this.osd.canvas.setAttribute("role", "img");
    this.osd.canvas.setAttribute("aria-label", "Photo of the sheet; the list beside it names every find");
    this.osd.innerTracker.keyHandler = null; // our own keys, with a switch to turn them off
    this.osd.innerTracker.keyDownHandler = null;
    this.svg = document.createElementNS(SVG, "svg");
    this.svg.setAttribute("class", "marks");
    this.svg.setAttribute("aria-hidden", "true");
    this.osd.canvas.append(this.svg);
    for (const event of ["update-viewport", "open"]) this.osd.addHandler(event, () => this.draw());
    for (const event of ["canvas-drag", "canvas-scroll", "canvas-pinch"]) {
      this.osd.addHandler(event, () => (this.whole = false));
    }
    this.osd.addHandler("resize", () => window.requestAnimationFrame(() => this.whole && this.fit(true)));
    this.osd.addHandler("canvas-click", (event) => {
      if (!event.quick || !this.photo) return;
      const hit = event.originalTarget?.closest?.("[data-mark]");
      if (hit && !placing()) {
        this.pick(hit.dataset.mark);
        return;
      }
      const point = this.osd.viewport.viewportToImageCoordinates(this.osd.viewport.pointFromPixel(event.position));
      tap(point.x * this.perImagePx(), point.y * this.perImagePx());
    });
  }

  // Shows a photo: {id, url, width_px, height_px}. The same photo again keeps zoom and place.
  show(photo) {
    if (this.photo && photo && this.photo.url === photo.url) {
      this.photo = photo;
      this.draw();
      return;
    }
    this.photo = photo;
    this.waiting = null;
    this.whole = true;
    if (!photo) {
      this.osd.close();
      this.draw();
      return;
    }
    this.osd.open({ type: "image", url: photo.url });
    this.osd.addOnceHandler("open", () => {
      if (this.waiting) this.lookAt(this.waiting);
    });
  }

  setMarks(marks, selected) {
    this.marks = marks;
    this.selected = selected;
    this.draw();
  }

  setTaps(taps) {
    this.taps = taps;
    this.draw();
  }

  hideMarks(hidden) {
    this.hidden = hidden;
    this.draw();
  }

  // Pixels of the upright photo per pixel of the picture that is shown (which may be a smaller copy).
  perImagePx() {
    const item = this.osd.world.getItemAt(0);
    return item && this.photo.width_px ? this.photo.width_px / item.getContentSize().x : 1;
  }

  draw() {
    const item = this.osd.world.getItemAt(0);
    if (!item || !this.photo || this.hidden) {
      this.svg.replaceChildren();
      return;
    }
    const share = this.perImagePx();
    const place = (x, y) => {
      const point = this.osd.viewport.imageToViewerElementCoordinates(
        new window.OpenSeadragon.Point(x / share, y / share),
      );
      return [point.x, point.y];
    };
    drawMarks(this.svg, this.marks, { place, selected: this.selected });
    drawTaps(this.svg, this.taps, place);
  }

  // Brings a mark into the middle, near enough to judge it.
  lookAt(mark) {
    const item = this.osd.world.getItemAt(0);
    if (!item) {
      this.waiting = mark;
      return;
    }
    const share = this.perImagePx();
    const reach = Math.max(160, mark.w * 1.6, mark.h * 1.6) / share;
    const box = item.imageToViewportRectangle(mark.x / share - reach, mark.y / share - reach, 2 * reach, 2 * reach);
    this.whole = false;
    this.osd.viewport.fitBoundsWithConstraints(box);
  }

  zoom(factor) {
    if (!this.photo) return;
    this.whole = false;
    this.osd.viewport.zoomBy(factor);
    this.osd.viewport.applyConstraints();
  }

  pan(right, down) {
    if (!this.photo) return;
    this.whole = false;
    const step = 0.15 / this.osd.viewport.getZoom(true);
    this.osd.viewport.panBy(new window.OpenSeadragon.Point(right * step, down * step));
    this.osd.viewport.applyConstraints();
  }

  fit(atOnce = false) {
    if (!this.photo || !this.osd.world.getItemAt(0)) return;
    this.whole = true;
    this.osd.viewport.goHome(atOnce);
  }
}
