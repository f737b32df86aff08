"""The sheet's cut edge with its chips, what lies beyond it, and the printed reference tags."""

from __future__ import annotations

import cv2
import numpy as np

from vision.synthetic.raytraced import lines
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.scene import Plane, SceneSpec, Tag

Box = tuple[int, int, int, int]
TAG_MODULES = 7
"""A 5 x 5 tag with its black border."""


def lay_edge(canvas: Canvas, edge_px: Plane, spec: SceneSpec, rng: np.random.Generator) -> Box | None:
    """Draw the backdrop where edge_px < 0 and the cut edge along 0. Returns the box of the edge, None without
    one.
    """
    if float(edge_px.min()) > 3 * canvas.blur.sigma_px + 2:
        return None
    sigma = float(np.sqrt(canvas.blur.sigma_px**2 + 1 / 12))
    _lay_backdrop(canvas, edge_px, spec, sigma, rng)
    px_per_mm = 1 / spec.camera.mm_per_px
    width = rng.uniform(0.4, 2.0) * px_per_mm
    knots = max(8, int(max(edge_px.shape) * spec.camera.mm_per_px / 5))
    rough = cv2.resize(
        rng.standard_normal((knots, knots)).astype(np.float32),
        edge_px.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    reach = width + 4 * sigma + 4 / spec.camera.mm_per_px
    rows, columns = np.nonzero(np.abs(edge_px) < reach)
    if not rows.size:
        return None
    across = edge_px[rows, columns] - width / 2
    cover = lines.band(across, width, sigma) * np.clip(0.85 + 0.12 * rough[rows, columns], 0.2, 1.2)
    chips = _chips(edge_px, spec, rng, rows, columns)
    if spec.lighting == "bright_field":
        lines.lay_factor(
            canvas, rows, columns, 1 - np.clip(rng.uniform(0.4, 0.9) * np.maximum(cover, chips), 0, 0.95)
        )
    else:
        lines.lay_light(canvas, rows, columns, rng.uniform(0.2, 0.9) * np.maximum(cover, 0.8 * chips))
    line = np.abs(edge_px[rows, columns]) < width
    if not line.any():
        return None
    rows, columns = rows[line], columns[line]
    return int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1


def _lay_backdrop(
    canvas: Canvas, edge_px: Plane, spec: SceneSpec, sigma: float, rng: np.random.Generator
) -> None:
    outside = edge_px < 3 * sigma
    if not outside.any():
        return
    rows = np.flatnonzero(outside.any(axis=1))
    columns = np.flatnonzero(outside.any(axis=0))
    cut = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    glass = lines.normal_cdf(edge_px[cut] / sigma).astype(np.float32)
    height, width = glass.shape
    level = rng.uniform(0.02, 1.1) if spec.lighting == "bright_field" else rng.uniform(0.003, 0.15)
    planks = _planks(height, width, spec.camera.mm_per_px, rng)
    grain = rng.normal(1, 0.08, (height // 3 + 1, width // 9 + 1)).astype(np.float32)
    speckle = cv2.resize(grain, (width, height), interpolation=cv2.INTER_LINEAR)
    lit = (
        rng.random() < 0.4 and spec.beyond == "any" and spec.lighting == "bright_field"
    ) or spec.beyond == "lamps"
    behind = canvas.planes[cut] if lit else (np.float32(level) * planks * speckle)[..., None]
    canvas.planes[cut] = canvas.planes[cut] * glass[..., None] + behind * np.float32(1.06 if lit else 1.0) * (
        1 - glass[..., None]
    )


def _planks(height: int, width: int, mm_per_px: float, rng: np.random.Generator) -> Plane:
    """A bench of slats or rollers below the sheet: bands of differing brightness, dark joints, rounded or
    flat.
    """
    upright = rng.random() < 0.5
    count = width if upright else height
    pitch = max(rng.uniform(40, 160) / mm_per_px, 8.0)
    place = (np.arange(count) + rng.uniform(0, pitch)) / pitch
    slat = np.floor(place).astype(int)
    tone = rng.normal(1, 0.15, slat.max() + 1)[slat]
    round_off = 1 - rng.uniform(0, 0.8) * (2 * (place - slat) - 1) ** 2
    joint = 1 - 0.8 * np.exp(-(((place - slat) * pitch * mm_per_px / 2.0) ** 2))
    profile = np.clip(tone * round_off * joint, 0.02, None).astype(np.float32)
    band = np.broadcast_to(profile[None, :] if upright else profile[:, None], (height, width))
    return np.asarray(cv2.GaussianBlur(np.ascontiguousarray(band), (0, 0), 2.5), dtype=np.float32)


def _chips(edge_px: Plane, spec: SceneSpec, rng: np.random.Generator, rows: Plane, columns: Plane) -> Plane:
    """Shell-shaped bites from the edge into the glass, as cover at the listed pixels."""
    cover = np.zeros(rows.size, dtype=np.float32)
    here = edge_px[rows, columns]
    at_edge = np.flatnonzero(np.abs(here) < 0.7)
    if not at_edge.size:
        return cover
    for _ in range(int(rng.integers(0, 8))):
        middle = int(rng.choice(at_edge))
        radius = max(rng.lognormal(0.1, 0.6) / spec.camera.mm_per_px, 0.6)
        squeeze = rng.uniform(1.0, 2.0)
        r = np.hypot(np.hypot(rows - rows[middle], columns - columns[middle]), squeeze * here) / radius
        shell = 0.55 + 0.45 * np.cos(r * rng.uniform(4, 10)) * rng.uniform(0.3, 1)
        bite = np.clip((1 - r) * radius + 0.5, 0, 1) * np.clip(here + 0.5, 0, 1)
        cover = np.maximum(cover, bite * shell).astype(np.float32)
    return cover


def lay_tag(canvas: Canvas, tag: Tag, spec: SceneSpec, paper: float) -> Box | None:
    """Draw one printed tag with its white margin of one module; `paper` is the light it sends back."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    modules = cv2.aruco.generateImageMarker(dictionary, tag.number, TAG_MODULES, borderBits=1)
    printed = np.pad(modules, 1, constant_values=255).astype(np.float32) / 255
    printed = np.pad(np.where(printed > 0.5, 1.0, 0.06).astype(np.float32), 1, mode="edge")
    corners = np.asarray(tag.corners_mm, dtype=float)
    centre = corners.mean(axis=0)
    side = float(np.hypot(*(corners[1] - corners[0])))
    grid = canvas.patch(
        (float(centre[0]), float(centre[1])), 0.95 * side, spec.camera.mm_per_px / 4, most=1800
    )
    if grid is None:
        return None
    x_mm, y_mm = _exact_mm(canvas, grid.box, grid.settled * grid.times)
    right, down = (corners[1] - corners[0]) / side, (corners[3] - corners[0]) / side
    u = ((x_mm - corners[0, 0]) * right[0] + (y_mm - corners[0, 1]) * right[1]) / side * TAG_MODULES
    v = ((x_mm - corners[0, 0]) * down[0] + (y_mm - corners[0, 1]) * down[1]) / side * TAG_MODULES
    samples = np.float32(side / TAG_MODULES / grid.fine_mm)
    rim = np.minimum(np.minimum(u, TAG_MODULES - u), np.minimum(v, TAG_MODULES - v)) + 1
    inside = np.clip(rim * samples + 0.5, 0, 1).astype(np.float32)
    ink = cv2.remap(
        printed, _sharp(u, samples), _sharp(v, samples), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    cover = grid.settle(inside)
    light = grid.settle(inside * ink)
    canvas.lay(grid.box, 1 - cover, np.float32(paper) * light)
    return grid.box


def _sharp(place: Plane, samples: np.float32) -> Plane:
    """Place in modules as a coordinate of the padded print, whose modules meet within one sample."""
    low = np.floor(place - 0.5)
    share = np.clip((place - 1 - low) * samples + 0.5, 0, 1)
    return np.asarray(low + share + 2, dtype=np.float32)


def _exact_mm(canvas: Canvas, box: Box, per_px: int) -> tuple[Plane, Plane]:
    """Sheet place of each fine sample of a box, exact at nodes every 8 px and linear between."""
    step = 8
    x0, y0, x1, y1 = box
    columns, rows = -(-(x1 - x0) // step) + 1, -(-(y1 - y0) // step) + 1
    grid_x, grid_y = np.meshgrid(x0 + np.arange(columns) * step, y0 + np.arange(rows) * step)
    mm = canvas.projection.px_to_mm(np.column_stack([grid_x.ravel(), grid_y.ravel()])).reshape(
        rows, columns, 2
    )
    u = (np.arange((x1 - x0) * per_px, dtype=np.float32) + 0.5) / (per_px * step)
    v = (np.arange((y1 - y0) * per_px, dtype=np.float32) + 0.5) / (per_px * step)
    # by hand: cv2.remap rounds places to 1/32 of a node, here a quarter of a pixel
    i, j = np.floor(v).astype(int), np.floor(u).astype(int)
    a, b = (v - i)[:, None, None], (u - j)[None, :, None]
    offset = mm[0, 0].copy()
    nodes = (mm - offset).astype(np.float32)
    tall = nodes[i] * (1 - a) + nodes[i + 1] * a
    fine = tall[:, j] * (1 - b) + tall[:, j + 1] * b
    return fine[..., 0] + np.float32(offset[0]), fine[..., 1] + np.float32(offset[1])
