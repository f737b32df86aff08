// The finds drawn over the photo: shape and label in two strokes (dark under light), so that they show on any photo.
// Coordinates are pixels of the upright photo; strokes and letters keep their size on the screen.

const SVG = "http://www.w3.org/2000/svg";
// Half size of a mark on the screen: large enough for a gloved finger, small where nothing is to be decided.
const SMALLEST_PX = 16;
const APART_PX = 9;
const SELECTED_PX = 24;

// The signs of the kinds as in webapp/figures/marks.py, which a test compares; rings are circles, and the
// slim ones are a band along their line, or a box.
const SLIM = ["bar", "wave"];
const OUTLINES = {
  diamond: [[0, -1], [1, 0], [0, 1], [-1, 0]],
  triangle: [[0, -1], [1, 0.8], [-1, 0.8]],
  square: [[-0.8, -0.8], [0.8, -0.8], [0.8, 0.8], [-0.8, 0.8]],
  plus: [
    [-0.3, -1], [0.3, -1], [0.3, -0.3], [1, -0.3], [1, 0.3], [0.3, 0.3], [0.3, 1], [-0.3, 1], [-0.3, 0.3],
    [-1, 0.3], [-1, -0.3], [-0.3, -0.3],
  ],
  notch: [[-1, -1], [0, 0.3], [1, -1], [1, -0.1], [0, 1.2], [-1, -0.1]],
  cross: [
    [-1, -0.6], [-0.6, -1], [0, -0.4], [0.6, -1], [1, -0.6], [0.4, 0], [1, 0.6], [0.6, 1], [0, 0.4],
    [-0.6, 1], [-1, 0.6], [-0.4, 0],
  ],
  hexagon: [[-0.5, -0.9], [0.5, -0.9], [1, 0], [0.5, 0.9], [-0.5, 0.9], [-1, 0]],
  pentagon: [[0, -1], [1, -0.25], [0.62, 0.9], [-0.62, 0.9], [-1, -0.25]],
};

function reach(mark, chosen) {
  return chosen ? SELECTED_PX : mark.state === "apart" ? APART_PX : SMALLEST_PX;
}

function node(name, attributes = {}) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

// One outline, drawn twice.
function twoTone(group, shape) {
  const under = shape.cloneNode(true);
  under.setAttribute("class", "mark-under");
  shape.setAttribute("class", "mark-over");
  group.append(under, shape);
}

function outline(mark, place, least) {
  const [x, y] = place(mark.x, mark.y);
  if (mark.path && SLIM.includes(mark.shape)) return band(mark.path.map(([px, py]) => place(px, py)));
  const corner = place(mark.x + mark.w / 2, mark.y + mark.h / 2);
  const half = Math.max(least, Math.hypot(corner[0] - x, corner[1] - y) + 6);
  const corners = OUTLINES[mark.shape];
  if (corners) {
    const far = half * 1.25;
    const points = corners.map(([px, py]) => `${(x + far * px).toFixed(1)} ${(y + far * py).toFixed(1)}`);
    return node("path", { d: `M${points.join("L")}Z` });
  }
  if (SLIM.includes(mark.shape) || (mark.shape === "dotted" && half > 60)) {
    const wide = Math.max(least, Math.abs(corner[0] - x) + 6);
    const high = Math.max(least * 0.6, Math.abs(corner[1] - y) + 6);
    return node("rect", { x: x - wide, y: y - high, width: 2 * wide, height: 2 * high });
  }
  return node("circle", { cx: x, cy: y, r: half });
}

// A closed band around a thin line, so that the line itself stays free to look at.
function band(points) {
  const far = 9;
  const sides = [[], []];
  points.forEach(([x, y], i) => {
    const before = points[Math.max(i - 1, 0)];
    const after = points[Math.min(i + 1, points.length - 1)];
    const along = Math.atan2(after[1] - before[1], after[0] - before[0]);
    const push = i === 0 ? -far : i === points.length - 1 ? far : 0;
    const cx = x + Math.cos(along) * push;
    const cy = y + Math.sin(along) * push;
    sides[0].push([cx - Math.sin(along) * far, cy + Math.cos(along) * far]);
    sides[1].unshift([cx + Math.sin(along) * far, cy - Math.cos(along) * far]);
  });
  return node("path", { d: `M${sides.flat().map((p) => p.map((v) => v.toFixed(1)).join(" ")).join("L")}Z` });
}

// Where a label may stand beside its mark: the first place that is free, or none.
function label(mark, place, least, taken, insist, [wide, high]) {
  const [x, y] = place(mark.x, mark.y);
  const corner = place(mark.x + mark.w / 2, mark.y + mark.h / 2);
  const half = Math.max(least, mark.path ? 12 : Math.hypot(corner[0] - x, corner[1] - y) + 6);
  const width = 16 + 9.5 * mark.label.length;
  const near = half * 0.75;
  const places = [
    [x + near, y - half - 20],
    [x + near, y + near],
    [x - near - width, y - half - 20],
    [x - near - width, y + near],
  ];
  const inside = ([left, top]) => left >= 0 && top >= 0 && left + width <= wide && top + 24 <= high;
  const unspoilt = ([left, top]) => !taken.some((box) => overlap(box, [left, top, width, 24]));
  const free = places.find((at) => inside(at) && unspoilt(at));
  if (!free && !insist) return null;
  const [left, top] = free ?? places[0];
  taken.push([left, top, width, 24]);
  const group = node("g", { class: "mark-label" });
  group.append(node("rect", { x: left, y: top, width, height: 24, rx: 3 }));
  const words = node("text", { x: left + 8, y: top + 17 });
  words.textContent = mark.label;
  group.append(words);
  return group;
}

function overlap([ax, ay, aw, ah], [bx, by, bw, bh]) {
  return ax < bx + bw && bx < ax + aw && ay < by + bh && by < ay + ah;
}

// The selected mark is drawn last, over the others, but finds its label's place first.
function byWeight(marks, selected) {
  const weight = (mark) => (mark.id === selected ? 0 : mark.state === "apart" ? 2 : 1);
  return [...marks].sort((a, b) => weight(a) - weight(b));
}

// Draws `marks` into `svg`; `place(x, y)` gives screen pixels.
export function drawMarks(svg, marks, { place, selected }) {
  const outlines = node("g");
  const labels = node("g");
  svg.replaceChildren(outlines, labels);
  const taken = [];
  for (const mark of byWeight(marks, selected)) {
    const chosen = mark.id === selected;
    const group = node("g", { class: `mark ${mark.state} ${mark.shape}`, "data-mark": mark.id });
    group.classList.toggle("selected", chosen);
    const least = reach(mark, chosen);
    twoTone(group, outline(mark, place, least));
    const named = chosen || (mark.state !== "dismissed" && mark.state !== "apart");
    const words = named ? label(mark, place, least, taken, chosen, [svg.clientWidth, svg.clientHeight]) : null;
    if (words) {
      const tag = node("g", { class: group.getAttribute("class"), "data-mark": mark.id });
      tag.append(words);
      labels.prepend(tag);
    }
    const title = node("title");
    title.textContent = mark.text;
    group.append(title);
    outlines.prepend(group);
  }
}

// The line that is being laid over a missed defect.
export function drawTaps(svg, taps, place) {
  if (!taps.length) return;
  const group = node("g", { class: "mark taps" });
  const points = taps.map(([x, y]) => place(x, y));
  for (const [x, y] of points) {
    twoTone(group, node("path", { d: `M${x - 16} ${y}h32M${x} ${y - 16}v32` }));
  }
  if (points.length === 2) twoTone(group, node("path", { d: `M${points[0].join(" ")}L${points[1].join(" ")}` }));
  svg.append(group);
}
