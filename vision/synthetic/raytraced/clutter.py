"""What lies on the sheet and is no defect: dust, lint, writing, drips, finger marks, suction rings,
reflections.

Each function lays its thing into the canvas and returns the picture box (x0, y0, x1, y1) it touches, or None
where it misses the picture. Surface dirt has sharp edges and no lens halo; that is what tells it from stones.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from vision.synthetic.raytraced import lines
from vision.synthetic.raytraced.canvas import Canvas, PatchGrid
from vision.synthetic.raytraced.handwriting import written
from vision.synthetic.raytraced.outlines import cover_of
from vision.synthetic.raytraced.scene import Clutter, Floats, Plane, SceneSpec

Box = tuple[int, int, int, int]

INKS = {
    "black": (0.06, 0.06, 0.07),
    "blue": (0.07, 0.12, 0.45),
    "red": (0.55, 0.08, 0.08),
    "green": (0.1, 0.4, 0.15),
}
"""Linear transmission of felt-pen ink on glass (from memory; only the order of the channels matters)."""


def lay_clutter(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    """Draw one thing. Raises KeyError for a `what`/`detail` that no model exists for."""
    return _MODELS[thing.detail](canvas, thing, spec)


def _blend(
    canvas: Canvas, grid: PatchGrid, cover: Plane, spec: SceneSpec, absorb: float, glow: float
) -> None:
    """Lay a cover (pixels): it takes `absorb` of the light behind, and scatters `glow` in dark field."""
    if spec.lighting == "bright_field":
        canvas.lay(grid.box, 1 - np.float32(absorb) * cover, None)
    else:
        canvas.lay(grid.box, 1 - np.float32(0.5 * absorb) * cover, np.float32(glow) * cover)


def _dust(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    rng = np.random.default_rng(thing.seed)
    size = thing.size_mm
    grid = canvas.patch((thing.x_mm, thing.y_mm), 0.75 * size, size / 6)
    if grid is None:
        return None
    cover = np.zeros(grid.x_mm.shape, dtype=np.float32)
    for _ in range(int(rng.integers(1, 4))):
        flake, (dx, dy) = _flake(rng, size * rng.uniform(0.45, 1.0)), rng.normal(0, 0.12 * size, 2)
        piece = cover_of(flake, grid.x_mm - np.float32(dx), grid.y_mm - np.float32(dy), grid.fine_mm)
        cover = np.maximum(cover, piece * np.float32(rng.uniform(0.6, 1.0)))
    cover = grid.settle(cover)
    _blend(canvas, grid, cover, spec, thing.strength, thing.strength * rng.uniform(0.2, 0.8))
    return grid.box


def _flake(rng: np.random.Generator, size: float) -> Floats:
    """Ragged outline with notches, flat to compact."""
    count = int(rng.integers(7, 18))
    turns = np.sort(rng.uniform(0, 2 * np.pi, count))
    radii = size / 2 * np.clip(rng.lognormal(-0.25, 0.35, count), 0.25, 1.0)
    turn, flat = rng.uniform(0, np.pi), rng.uniform(0.35, 1.0)
    x, y = radii * np.cos(turns), radii * np.sin(turns) * flat
    return np.column_stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)])


def _lint(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    rng = np.random.default_rng(thing.seed)
    count = 160
    curl = np.cumsum(rng.normal(0, rng.uniform(0.03, 0.22), count)) * 0.7 + rng.normal(0, 0.6) * np.linspace(
        0, 2, count
    )
    heading = np.deg2rad(thing.angle_deg) + curl
    step = thing.size_mm / count
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * step, axis=0)
    path = path - path.mean(axis=0) + [thing.x_mm, thing.y_mm]
    curve = lines.curve_of(canvas, path)
    width_mm = rng.uniform(0.012, 0.045)
    px_per_mm = 1 / canvas.projection.mm_per_px_at((thing.x_mm, thing.y_mm))
    sigma = float(np.sqrt(canvas.blur.sigma_px**2 + 1 / 12))
    rows, columns, across, along = lines.pixels_near(
        canvas, curve, 2 * width_mm * px_per_mm + 3.5 * sigma + 1
    )
    if not rows.size:
        return None
    knots = rng.uniform(0.5, 1.6, 12)
    places = curve.arc_px / max(curve.length_px, 1e-9)
    width_px = width_mm * px_per_mm * np.interp(along / curve.length_px, np.linspace(0, 1, 12), knots)
    lift = np.interp(places, np.linspace(0, 1, 9), rng.uniform(0.5, 1.0, 9))
    weight = lines.stretch(along, curve.arc_px, lift, sigma)
    cover = lines.band(across, width_px, sigma) * weight
    if spec.lighting == "bright_field":
        lines.lay_factor(canvas, rows, columns, 1 - thing.strength * cover)
    else:
        lines.lay_light(canvas, rows, columns, thing.strength * 0.9 * cover)
    return _box_of(rows, columns)


def _marker(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    rng = np.random.default_rng(thing.seed)
    strokes = written(thing.text, thing.size_mm, rng)
    points = np.concatenate(strokes)
    reach = float(np.abs(points).max()) + 3
    grid = canvas.patch((thing.x_mm, thing.y_mm), reach, canvas.projection.camera.mm_per_px / 2, most=1800)
    if grid is None:
        return None
    turn = np.deg2rad(thing.angle_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    pen_mm = rng.uniform(1.0, 3.5) * min(1.0, thing.size_mm / 25)
    layer = np.zeros(grid.x_mm.shape, dtype=np.uint8)
    thick = max(1, round(pen_mm / grid.fine_mm))
    for stroke in strokes:
        fine = np.round((grid.to_fine(stroke @ spin) - 0.5) * 16).astype(np.int32)
        cv2.polylines(layer, [fine], False, int(rng.integers(190, 256)), thick, cv2.LINE_AA, 4)
    thin = _mottle(layer.shape, max(2.0, pen_mm / 3 / grid.fine_mm), rng)
    streaks = 1 - np.float32(rng.uniform(0.03, 0.25)) * np.clip(thin - 0.3, 0, 1)
    settled = grid.settle(layer.astype(np.float32) / 255 * streaks)
    opaque = np.float32(0.5 + 0.5 * thing.strength)
    ink = np.asarray(INKS[str(rng.choice(list(INKS)))], dtype=np.float32)
    if spec.lighting == "bright_field":
        canvas.lay(grid.box, 1 - opaque * settled[..., None] * (1 - ink), None)
    else:
        canvas.lay(
            grid.box, None, np.float32(thing.strength * 0.4) * settled[..., None] * (ink + np.float32(0.1))
        )
    return grid.box


def _drip(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    """A dried drop: thin strong edge, faint inside, often pulled into a tear or with inner rings."""
    rng = np.random.default_rng(thing.seed)
    size = thing.size_mm
    tear = rng.uniform(0, 2.0) if rng.random() < 0.6 else 0.0
    grid = canvas.patch((thing.x_mm, thing.y_mm), size * (0.6 + tear), 0.05 * size, most=1400)
    if grid is None:
        return None
    u, v = grid.turned(thing.angle_deg)
    azimuth = np.arctan2(v, u)
    radius = (
        size
        / 2
        * (1 + sum(rng.normal(0, 0.05) * np.cos(k * azimuth + rng.uniform(0, 6)) for k in (2, 3, 4, 5)))
    )
    pulled = np.where(u > 0, u / (1 + tear), u)
    r = np.hypot(pulled, v * (1 + tear * np.clip(u / (size * (1 + tear)), 0, 1)))
    edge_mm = rng.uniform(0.04, 0.18)
    gap = radius - r
    ring = np.exp(-((gap / max(edge_mm, 0.6 * grid.fine_mm)) ** 2)) * min(1.0, edge_mm / (0.6 * grid.fine_mm))
    for share in rng.uniform(0.55, 0.95, int(rng.integers(0, 3))):
        ring = ring + 0.35 * np.exp(-(((radius * share - r) / (2 * edge_mm + grid.fine_mm)) ** 2))
    stain = (gap > 0) * (0.05 + 0.06 * _mottle(u.shape, max(2.0, 0.1 * size / grid.fine_mm), rng))
    patchy = 0.55 + 0.45 * np.cos(azimuth - rng.uniform(0, 6)) * rng.uniform(0, 1)
    cover = grid.settle(np.clip(ring * patchy + stain, 0, 1).astype(np.float32))
    _blend(canvas, grid, cover, spec, 0.6 * thing.strength, 0.35 * thing.strength)
    return grid.box


def _finger(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    """Ridges of a finger: a swirl of lines 0.4 to 0.6 mm apart inside an oval, patchy."""
    rng = np.random.default_rng(thing.seed)
    size = thing.size_mm
    pitch = rng.uniform(0.4, 0.6)
    grid = canvas.patch((thing.x_mm, thing.y_mm), 0.7 * size, pitch / 4, most=1400)
    if grid is None:
        return None
    u, v = grid.turned(thing.angle_deg)
    r = np.hypot(u, v * 1.35) / (size / 2)
    inside = np.clip((1 - r) * 4, 0, 1)
    swirl = (
        np.hypot(u + 0.1 * size, 1.3 * v)
        + 0.25 * size * np.sin(u / size * rng.uniform(2, 5) + rng.uniform(0, 6)) * 0.3
    )
    ridges = 0.5 + 0.5 * np.cos(2 * np.pi * swirl / pitch + 1.5 * _mottle(u.shape, 1.5 / grid.fine_mm, rng))
    patchy = np.clip(0.5 + 0.5 * _mottle(u.shape, 3 / grid.fine_mm, rng), 0, 1.3)
    cover = grid.settle((inside * patchy * (0.25 + 0.75 * ridges**2)).astype(np.float32))
    _blend(canvas, grid, cover, spec, 0.12 * thing.strength, 0.08 * thing.strength)
    return grid.box


def _suction(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    """The double ring a suction cup leaves, with gaps."""
    rng = np.random.default_rng(thing.seed)
    size = thing.size_mm
    boxes = []
    for share in (1.0, rng.uniform(0.86, 0.95)):
        start, span = rng.uniform(0, 2 * np.pi), rng.uniform(2.5, 6.2)
        turns = np.linspace(start, start + span, 400)
        wobble = 1 + 0.004 * np.sin(3 * turns + rng.uniform(0, 6))
        path = np.column_stack([np.cos(turns), np.sin(turns)]) * (size / 2 * share * wobble)[:, None]
        curve = lines.curve_of(canvas, path + np.array([thing.x_mm, thing.y_mm]), step_px=1.0)
        px_per_mm = 1 / canvas.projection.mm_per_px_at((thing.x_mm, thing.y_mm))
        width = rng.uniform(0.6, 2.5) * px_per_mm
        sigma = float(np.hypot(canvas.blur.sigma_px, 0.3 * width))
        rows, columns, across, along = lines.pixels_near(canvas, curve, width + 3 * sigma)
        if not rows.size:
            continue
        patchy = np.interp(curve.arc_px, np.linspace(0, curve.length_px, 40), rng.uniform(0, 1, 40))
        cover = lines.band(across, width, sigma) * lines.stretch(along, curve.arc_px, patchy, sigma)
        if spec.lighting == "bright_field":
            lines.lay_factor(canvas, rows, columns, 1 - 0.1 * thing.strength * cover)
        else:
            lines.lay_light(canvas, rows, columns, 0.08 * thing.strength * cover)
        boxes.append(_box_of(rows, columns))
    return _around(boxes)


def _glare(canvas: Canvas, thing: Clutter, spec: SceneSpec) -> Box | None:
    """The mirror image of a booth lamp: a soft-edged bright bar over whatever is behind."""
    rng = np.random.default_rng(thing.seed)
    grid = canvas.patch((thing.x_mm, thing.y_mm), 0.9 * thing.size_mm, 1e9, most=1600)
    if grid is None:
        return None
    u, v = grid.turned(thing.angle_deg)
    half_u, half_v = thing.size_mm / 2, thing.size_mm / 2 * rng.uniform(0.08, 0.5)
    soft = thing.size_mm * rng.uniform(0.03, 0.12)
    bar = np.clip((half_u - np.abs(u)) / soft + 0.5, 0, 1) * np.clip((half_v - np.abs(v)) / soft + 0.5, 0, 1)
    bar = bar * bar * (3 - 2 * bar)
    height = thing.strength * (0.35 if spec.lighting == "bright_field" else 0.2)
    canvas.lay(grid.box, None, np.float32(height) * grid.settle(bar.astype(np.float32)))
    return grid.box


def _mottle(shape: tuple[int, ...], cell: float, rng: np.random.Generator) -> Plane:
    rows, columns = int(shape[0] / cell) + 2, int(shape[1] / cell) + 2
    coarse = rng.standard_normal((rows, columns)).astype(np.float32)
    return np.asarray(
        cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), dtype=np.float32
    )


def _box_of(rows: Floats, columns: Floats) -> Box:
    return int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1


def _around(boxes: list[Box]) -> Box | None:
    if not boxes:
        return None
    low, high = np.array(boxes)[:, :2].min(axis=0), np.array(boxes)[:, 2:].max(axis=0)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


_MODELS: dict[str, Callable[[Canvas, Clutter, SceneSpec], Box | None]] = {
    "flake": _dust,
    "fibre": _lint,
    "writing": _marker,
    "dried drop": _drip,
    "finger": _finger,
    "suction ring": _suction,
    "lamp": _glare,
}
