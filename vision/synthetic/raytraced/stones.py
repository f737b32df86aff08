"""Solid inclusions: an opaque core of irregular outline with texture, a glassy halo, sometimes a tail along
the draw.

Families: "angular" (broken grain: convex polygon with its corners a little rounded), "rounded" (dissolving
grain: wavy outline, soft edge where glass and grain mix) and "wispy" (rounded, with a tail of grains drawn
out along y).
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.geometry.shapes import calipers
from vision.synthetic.raytraced.bubbles import halo_factor
from vision.synthetic.raytraced.canvas import PatchGrid
from vision.synthetic.raytraced.outlines import cover_of
from vision.synthetic.raytraced.scene import Defect, Floats, Plane, SceneSpec


def outline(stone: Defect) -> Floats:
    """Closed outline of the core round its centre, sheet mm, shape (N, 2); its caliper is `length_mm`."""
    rng = np.random.default_rng(stone.seed)
    if stone.style == "angular":
        count = int(rng.integers(5, 10))
        turns = np.sort(rng.uniform(0, 2 * np.pi, count) * 0.35 + np.arange(count) * 2 * np.pi / count * 0.65)
        radii = rng.uniform(0.75, 1.0, count)
        corners = np.column_stack([radii * np.cos(turns), radii * np.sin(turns)])
        points = _rounded_corners(corners, rng.uniform(0.08, 0.3))
    else:
        turns = np.linspace(0, 2 * np.pi, 96, endpoint=False)
        radii = np.ones_like(turns)
        for order in range(2, 7):
            radii = radii + rng.normal(0, 0.16 / order) * np.cos(order * turns + rng.uniform(0, 2 * np.pi))
        points = np.column_stack([radii * np.cos(turns), radii * np.sin(turns)])
    points = points - points.mean(axis=0)
    points = points * np.array([1.0, stone.width_mm / stone.length_mm])
    points = points * stone.length_mm / calipers(points)[0]
    c, s = np.cos(np.deg2rad(stone.angle_deg)), np.sin(np.deg2rad(stone.angle_deg))
    return points @ np.array([[c, s], [-s, c]])


def core_cover(stone: Defect, grid: PatchGrid) -> tuple[Plane, Plane]:
    """Cover of the core (0..1, soft where it dissolves) and its texture (about 0, sd about 1), on the fine
    grid.
    """
    rng = np.random.default_rng(stone.seed + 1)
    shape = grid.x_mm.shape
    cover = cover_of(outline(stone), grid.x_mm, grid.y_mm, grid.fine_mm)
    softness = stone.width_mm * (
        rng.uniform(0.04, 0.14) if stone.style != "angular" else rng.uniform(0.0, 0.03)
    )
    if softness > 0.7 * grid.fine_mm:
        cover = cv2.GaussianBlur(cover, (0, 0), softness / grid.fine_mm)
    return np.asarray(cover, dtype=np.float32), _grain(shape, stone.width_mm / grid.fine_mm, rng)


def tail_cover(stone: Defect, grid: PatchGrid) -> Plane:
    """Cover of the tail: wisps that thin out along the draw, to one side."""
    rng = np.random.default_rng(stone.seed + 2)
    side = 1.0 if rng.random() < 0.5 else -1.0
    reach = stone.length_mm * rng.uniform(1.0, 2.2)
    y = grid.y_mm * side
    fade = np.where(y > 0, np.exp(-((y / reach) ** 2) * 2), 0)
    total = np.zeros_like(grid.x_mm)
    for _ in range(int(rng.integers(1, 4))):
        start, bend = rng.normal(0, 0.18 * stone.width_mm), rng.normal(0, 0.25 * stone.width_mm)
        half = stone.width_mm * rng.uniform(0.08, 0.22) * np.clip(1 - y / (2.2 * reach), 0.15, 1)
        total = total + np.exp(-(((grid.x_mm - start - bend * y / reach) / half) ** 2))
    return np.asarray(np.clip(total, 0, 1) * fade * rng.uniform(0.12, 0.4), dtype=np.float32)


def bright_stone(stone: Defect, grid: PatchGrid, spec: SceneSpec) -> Plane:
    """Factor on the light behind, on the fine grid."""
    rng = np.random.default_rng(stone.seed + 3)
    u, v = grid.turned(stone.angle_deg)
    cover, grain = core_cover(stone, grid)
    halo = halo_factor(stone, u, v, grid, spec, rng)
    core = np.clip(1 - stone.strength + 0.12 * stone.strength * grain, 0, 1.2)
    through = halo * (1 - cover) + core * cover
    if stone.style == "wispy":
        through = through * (1 - tail_cover(stone, grid) * stone.strength)
    return np.asarray(through, dtype=np.float32)


def dark_stone(stone: Defect, grid: PatchGrid) -> Plane:
    """Scattered light to add, on the fine grid: a bright core with grain, a weak glow of the halo."""
    rng = np.random.default_rng(stone.seed + 3)
    u, v = grid.turned(stone.angle_deg)
    cover, grain = core_cover(stone, grid)
    light = cover * np.clip(1 + rng.uniform(0.1, 0.4) * grain, 0.15, None)
    if stone.halo_strength > 0:
        sa, sb = stone.halo_ratio * stone.length_mm / 4, stone.halo_ratio * stone.width_mm / 4
        light = light + (1 - cover) * 2.0 * stone.halo_strength * np.exp(-((u / sa) ** 2 + (v / sb) ** 2) / 2)
    if stone.style == "wispy":
        light = light + (1 - cover) * tail_cover(stone, grid)
    return np.asarray(stone.strength * light, dtype=np.float32)


def _grain(shape: tuple[int, int], core_samples: float, rng: np.random.Generator) -> Plane:
    total = np.zeros(shape, dtype=np.float32)
    for share in (0.5, 0.2, 0.08):
        cell = max(1.0, core_samples * share)
        rows, columns = int(shape[0] / cell) + 2, int(shape[1] / cell) + 2
        coarse = rng.standard_normal((rows, columns)).astype(np.float32)
        total += cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(total / np.sqrt(3), dtype=np.float32)


def _rounded_corners(corners: Floats, share: float) -> Floats:
    """Cut each corner by a quadratic curve that starts `share` of an edge away from it."""
    out = []
    count = len(corners)
    t = np.linspace(0, 1, 8)[:, None]
    for i in range(count):
        before, here, after = corners[i - 1], corners[i], corners[(i + 1) % count]
        a, b = here + share * (before - here), here + share * (after - here)
        out.append((1 - t) ** 2 * a + 2 * t * (1 - t) * here + t**2 * b)
    return np.concatenate(out)
