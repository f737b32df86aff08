// The ribbon map under a pointer, a finger or arrow keys: read what is near, choose it, see photo and sheet.
// Everything here is also reachable without scripts: each sign is a link, and the list below holds the same defects.

const REACH = 26; // screen pixels round a sign that still mean it; fingers in gloves are no needles

const svg = document.getElementById("ribbon");
const line = document.getElementById("under-pointer");
const chosen = document.getElementById("chosen");
const halo = document.getElementById("halo");

if (svg && line) {
  const spots = [...svg.querySelectorAll(".spots .spot")].map((link) => ({
    link,
    x: Number(link.dataset.x),
    y: Number(link.dataset.y),
  }));
  const dense = svg.dataset.dense === "1";
  let near = null;
  let picked = null; // stays marked while its photo and sheet are shown

  const toDrawing = (event) => {
    const matrix = svg.getScreenCTM();
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    return { x: point.x, y: point.y, reach: REACH / matrix.a };
  };

  const nearest = ({ x, y, reach }) => {
    let best = null;
    let least = reach * reach;
    for (const spot of spots) {
      const distance = (spot.x - x) ** 2 + (spot.y - y) ** 2;
      if (distance < least) {
        least = distance;
        best = spot;
      }
    }
    return best;
  };

  const show = (spot) => {
    if (spot === near) return;
    near?.link.classList.remove("near");
    near = spot;
    line.textContent = spot ? spot.link.getAttribute("aria-label") : "";
    if (!spot) {
      halo?.setAttribute("visibility", "hidden");
      return;
    }
    spot.link.classList.add("near");
    if (!dense && halo) {
      halo.setAttribute("transform", `translate(${spot.x} ${spot.y})`);
      halo.setAttribute("visibility", "visible");
    }
  };

  const choose = async (spot) => {
    const id = spot.link.dataset.defect;
    if (!id || !chosen) {
      window.location.assign(spot.link.getAttribute("href"));
      return;
    }
    let answer;
    try {
      answer = await fetch(`${spot.link.getAttribute("href")}/panel`);
    } catch {
      answer = null;
    }
    if (!answer || !answer.ok || answer.redirected) {
      window.location.assign(spot.link.getAttribute("href"));
      return;
    }
    picked = spot;
    chosen.innerHTML = await answer.text();
    chosen.hidden = false;
    const address = new URL(window.location.href);
    address.searchParams.set("defect", id);
    window.history.replaceState(null, "", address);
    chosen.scrollIntoView({ block: "nearest" });
  };

  // what lies furthest in a direction is found by going, not by order in the file: weigh sideways distance double
  const step = (dx, dy) => {
    if (!near) return spots[dx < 0 ? spots.length - 1 : 0] ?? null;
    let best = null;
    let least = Infinity;
    for (const spot of spots) {
      if (spot === near) continue;
      const ahead = (spot.x - near.x) * dx + (spot.y - near.y) * dy;
      if (ahead <= 0) continue;
      const aside = Math.abs((spot.x - near.x) * dy) + Math.abs((spot.y - near.y) * dx);
      const weight = ahead + 2 * aside;
      if (weight < least) {
        least = weight;
        best = spot;
      }
    }
    return best ?? near;
  };

  svg.addEventListener("pointermove", (event) => show(nearest(toDrawing(event))));
  svg.addEventListener("pointerleave", () => show(picked));
  svg.addEventListener("click", (event) => {
    if (event.ctrlKey || event.metaKey || event.shiftKey || event.target.closest(".box")) return;
    const spot = nearest(toDrawing(event));
    if (!spot) return;
    event.preventDefault();
    show(spot);
    choose(spot);
  });

  const KEYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  svg.addEventListener("keydown", (event) => {
    if (KEYS[event.key] && spots.length) {
      event.preventDefault();
      show(step(...KEYS[event.key]));
    } else if (event.key === "Enter" && near) {
      event.preventDefault();
      choose(near);
    } else if (event.key === "Escape") {
      show(picked);
    }
  });

  const asked = new URL(window.location.href).searchParams.get("defect");
  const first = spots.find((spot) => spot.link.dataset.defect === asked);
  if (first) {
    picked = first;
    show(first);
  }
}
