"""Defects and dirt at random places of a scene, none where a tag lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.synthetic.raytraced.handwriting import WRITING
from vision.synthetic.raytraced.scene import Clutter, Defect, Floats, SceneSpec

STYLES = {
    "bubble": ("ray", "slope", "open"),
    "stone": ("angular", "rounded", "wispy"),
    "scratch": ("groove", "ridged", "chatter"),
}
"""Families of the model for each kind; a style knob restricts them."""


def counts_at_random(rng: np.random.Generator) -> tuple[int, int, int]:
    if rng.random() < 0.125:
        return 0, 0, 0
    return int(rng.poisson(5)) + 1, int(rng.poisson(4)), int(rng.poisson(1.6))


def _free_box(spec: SceneSpec) -> tuple[Floats, Floats]:
    x0, y0, x1, y1 = spec.field_mm
    low = np.maximum([x0, y0], 0) + 6 * spec.camera.mm_per_px
    high = np.minimum([x1, y1], spec.sheet_mm) - 6 * spec.camera.mm_per_px
    return low, high


def _tag_circles(spec: SceneSpec) -> list[tuple[float, float, float]]:
    out = []
    for tag in spec.tags:
        corners = np.asarray(tag.corners_mm)
        side = float(np.hypot(*(corners[1] - corners[0])))
        middle = corners.mean(axis=0)
        out.append((float(middle[0]), float(middle[1]), 1.0 * side))
    return out


def _clear_of(x: float, y: float, reach: float, taken: list[tuple[float, float, float]]) -> bool:
    return all(np.hypot(x - a, y - b) > reach + r for a, b, r in taken)


def defects_at_random(
    rng: np.random.Generator,
    spec: SceneSpec,
    counts: tuple[int, int, int],
    style: dict[str, tuple[str, ...]],
    difficulty: float,
) -> tuple[Defect, ...]:
    low, high = _free_box(spec)
    taken = _tag_circles(spec)
    mm = spec.camera.mm_per_px
    out: list[Defect] = []
    for kind, count in zip(("bubble", "stone"), counts[:2], strict=True):
        for _ in range(count):
            defect = spot_at_random(rng, kind, mm, style.get(kind, STYLES[kind]), spec)
            for _ in range(40):
                x, y = rng.uniform(low, high)
                if _clear_of(x, y, 1.5 * defect.length_mm + 4 * mm, taken):
                    break
            else:
                continue
            taken.append((float(x), float(y), 1.5 * defect.length_mm))
            out.append(replace(defect, x_mm=float(x), y_mm=float(y)))
    out += [
        scratch for _ in range(counts[2]) if (scratch := _scratch(rng, spec, low, high, style)) is not None
    ]
    return tuple(out)


def spot_at_random(
    rng: np.random.Generator, kind: str, mm: float, styles: tuple[str, ...], spec: SceneSpec
) -> Defect:
    smallest, largest = max(0.06, 0.9 * mm), min(9.0, 42 * mm)
    length = float(np.exp(rng.uniform(np.log(smallest), np.log(max(largest, 1.3 * smallest)))))
    family = str(rng.choice(styles, p=_shares(styles)))
    if kind == "bubble":
        aspect = float(np.clip(np.exp(abs(rng.normal(0, 0.42))), 1.0, 3.0))
        angle = 90 + rng.normal(0, 4)
    else:
        aspect = float(np.clip(np.exp(abs(rng.normal(0, 0.25))), 1.0, 2.2))
        angle = rng.uniform(0, 180)
    with_halo = rng.random() < (0.5 if kind == "bubble" else 0.75) and family != "open"
    bright = spec.lighting == "bright_field"
    strength = rng.uniform(0.5, 1.0) if bright else float(np.exp(rng.uniform(np.log(0.06), np.log(1.1))))
    return Defect(
        kind=kind,
        x_mm=0.0,
        y_mm=0.0,
        length_mm=length,
        width_mm=length / aspect,
        angle_deg=float(angle) % 180,
        style=family,
        strength=float(strength),
        seed=int(rng.integers(0, 2**31)),
        halo_ratio=float(rng.uniform(1.5, 4.0)) if with_halo else 1.0,
        halo_strength=float(rng.uniform(0.004, 0.06)) if with_halo else 0.0,
    )


def _shares(styles: tuple[str, ...]) -> Floats:
    weights = np.array([0.15 if name == "open" else 1.0 for name in styles])
    return weights / weights.sum()


def _scratch(
    rng: np.random.Generator, spec: SceneSpec, low: Floats, high: Floats, style: dict[str, tuple[str, ...]]
) -> Defect | None:
    mm = spec.camera.mm_per_px
    span = float(np.hypot(*(high - low)))
    shortest, longest = max(5.0, 25 * mm), min(1000.0, 0.9 * span)
    if longest <= shortest:
        return None
    for _ in range(30):
        length = float(np.exp(rng.uniform(np.log(shortest), np.log(longest))))
        heading = rng.uniform(0, 2 * np.pi) if rng.random() < 0.7 else np.pi / 2 + rng.normal(0, 0.03)
        bend = rng.normal(0, 0.12) + (rng.normal(0, 0.5) if rng.random() < 0.15 else 0.0)
        s = np.linspace(0, 1, 81)
        angle = heading + bend * (s - 0.5) + 0.1 * rng.normal() * (s - 0.5) ** 2
        steps = np.column_stack([np.cos(angle), np.sin(angle)]) * length / 80
        path = np.concatenate([[[0.0, 0.0]], np.cumsum((steps[1:] + steps[:-1]) / 2, axis=0)])
        arc = float(np.hypot(*np.diff(path, axis=0).T).sum())
        path = path - (path.min(axis=0) + path.max(axis=0)) / 2
        room = (high - low) - (path.max(axis=0) - path.min(axis=0))
        if room.min() <= 0:
            continue
        path = path + (low + high) / 2 + rng.uniform(-0.5, 0.5, 2) * room
        circles = _tag_circles(spec)
        if any(np.hypot(path[:, 0] - x, path[:, 1] - y).min() < r for x, y, r in circles):
            continue
        families = style.get("scratch", STYLES["scratch"])
        width = float(np.exp(rng.uniform(np.log(0.015), np.log(0.5))))
        dark = spec.lighting == "dark_field"
        strength = (
            float(np.exp(rng.uniform(np.log(0.1), np.log(1.2)))) if dark else float(rng.uniform(0.1, 0.8))
        )
        return Defect(
            kind="scratch",
            x_mm=float(path[40, 0]),
            y_mm=float(path[40, 1]),
            length_mm=arc,
            width_mm=width,
            angle_deg=0.0,
            style=str(rng.choice(families)),
            strength=strength,
            seed=int(rng.integers(0, 2**31)),
            path_mm=tuple((float(x), float(y)) for x, y in path),
            gaps=_gaps(rng),
        )
    return None


def _gaps(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Skips of an intermittent scratch, none near its ends."""
    if rng.random() < 0.5:
        return ()
    starts = np.sort(rng.uniform(0.12, 0.84, int(rng.integers(1, 5))))
    return tuple((float(start), float(start + rng.uniform(0.01, 0.06))) for start in starts)


def clutter_at_random(
    rng: np.random.Generator, spec: SceneSpec, defects: tuple[Defect, ...], amount: float, difficulty: float
) -> tuple[Clutter, ...]:
    if amount <= 0:
        return ()
    low, high = _free_box(spec)
    mm = spec.camera.mm_per_px
    taken = _tag_circles(spec) + [(d.x_mm, d.y_mm, 2.0 * d.length_mm) for d in defects if d.kind != "scratch"]
    dusty = float(np.exp(rng.uniform(np.log(0.1), np.log(3.0)))) * amount
    many = [
        ("dust", "flake", rng.poisson(40 * dusty), (max(0.04, 0.5 * mm), max(0.25, min(1.2, 5 * mm)))),
        ("lint", "fibre", rng.poisson(6 * dusty), (max(0.6, 4 * mm), max(4.0, min(15.0, 60 * mm)))),
        ("marker", "writing", rng.poisson(0.5 * amount), (max(8.0, 30 * mm), max(12.0, min(60.0, 260 * mm)))),
        ("drip", "dried drop", rng.poisson(1.5 * amount), (max(1.5, 8 * mm), max(4.0, min(15.0, 80 * mm)))),
        ("finger mark", "finger", rng.poisson(0.8 * amount), (12.0, 20.0)),
        ("finger mark", "suction ring", rng.poisson(0.15 * amount), (60.0, 150.0)),
        ("reflection", "lamp", rng.poisson(0.25 * amount), (60 * mm, 900 * mm)),
    ]
    out: list[Clutter] = []
    for what, detail, count, (least, most) in many:
        clusters = rng.uniform(low, high, (max(1, int(count) // 12), 2))
        for _ in range(int(count)):
            size = float(np.exp(rng.uniform(np.log(least), np.log(most))))
            for _ in range(12):
                x, y = rng.uniform(low, high)
                if detail == "flake" and rng.random() < 0.35:
                    x, y = np.clip(
                        clusters[int(rng.integers(len(clusters)))] + rng.normal(0, 12 * size, 2), low, high
                    )
                wide = detail in ("suction ring", "lamp")
                if wide or _clear_of(x, y, (1.6 if what == "marker" else 0.8) * size + 2 * mm, taken):
                    break
            else:
                continue
            text = "".join(rng.choice(list(WRITING), int(rng.integers(1, 5)))) if what == "marker" else ""
            strength = float(rng.uniform(0.25, 1.0))
            out.append(
                Clutter(
                    what,
                    detail,
                    float(x),
                    float(y),
                    size,
                    float(rng.uniform(0, 360)) if what != "marker" else float(rng.normal(0, 12)),
                    strength,
                    int(rng.integers(0, 2**31)),
                    text,
                )
            )
    return tuple(out)
