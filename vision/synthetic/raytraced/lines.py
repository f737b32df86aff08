"""Thin curves, laid into the picture analytically: scratches, fibres, edges of dried drops.

Each pixel takes the curve's cross profile, integrated over the pixel and the point spread, at its distance
from the curve. So a line of a quarter of a pixel has the right flux without any supersampling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.geometry.shapes import arc_places, at_arc
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.scene import Floats, Plane

_NORMAL_X = np.linspace(-5, 5, 2001)
_STEP = np.exp(-(_NORMAL_X**2) / 2) / np.sqrt(2 * np.pi)
_NORMAL_CDF = np.concatenate([[0.0], np.cumsum((_STEP[1:] + _STEP[:-1]) / 2)]) * (_NORMAL_X[1] - _NORMAL_X[0])


@dataclass
class Curve:
    """A curve in pixels: `points`, shape (N, 2), about half a pixel apart; `arc_px` along it."""

    points: Floats
    arc_px: Floats

    @property
    def length_px(self) -> float:
        return float(self.arc_px[-1])


def curve_of(canvas: Canvas, path_mm: Floats, step_px: float = 0.5) -> Curve:
    """A sheet path (shape (N, 2), mm) as pixels, evenly spaced."""
    points = canvas.projection.mm_to_px(path_mm)
    arc = arc_places(points)
    count = max(2, int(np.ceil(arc[-1] / step_px)) + 1)
    places = np.linspace(0, arc[-1], count)
    return Curve(at_arc(points, arc, places), places)


def pixels_near(canvas: Canvas, curve: Curve, reach_px: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Pixels within reach of the curve: rows, columns, signed distance across and place along it (px, both).

    The place along may be negative or beyond the length at the open ends.
    """
    reach = int(np.ceil(reach_px)) + 1
    stride = max(1, reach // 2)
    cells = np.floor(curve.points[::stride]).astype(np.int64)
    inside = (
        (cells[:, 0] > -reach - 1)
        & (cells[:, 1] > -reach - 1)
        & (cells[:, 0] < canvas.width + reach + 1)
        & (cells[:, 1] < canvas.height + reach + 1)
    )
    if not inside.any():
        return (np.empty(0),) * 4
    cells = np.unique(cells[inside], axis=0)
    offsets = np.arange(-reach - stride, reach + stride + 1)
    columns = (cells[:, 0][:, None, None] + offsets[None, None, :]).repeat(offsets.size, axis=1)
    rows = (cells[:, 1][:, None, None] + offsets[None, :, None]).repeat(offsets.size, axis=2)
    keep = (columns >= 0) & (rows >= 0) & (columns < canvas.width) & (rows < canvas.height)
    flat = np.unique(rows[keep] * canvas.width + columns[keep])
    rows, columns = flat // canvas.width, flat % canvas.width
    centres = np.column_stack([columns + 0.5, rows + 0.5])
    across, along = _nearest(curve, centres, reach_px)
    near = np.abs(across) <= reach_px + 1
    return rows[near], columns[near], across[near], along[near]


def _nearest(curve: Curve, centres: Floats, reach_px: float) -> tuple[Floats, Floats]:
    """Signed distance and arc place of each centre by a grid of buckets along the curve.

    The fast way for whole pictures; `geometry.shapes.distance_to_path` is the plain one that tests hold
    beside it.
    """
    bucket = max(8.0, 2 * reach_px)
    # candidates: a coarse polyline first, then the segments round its best vertex
    coarse_step = max(1, int(bucket / 2))
    coarse = curve.points[::coarse_step]
    best = np.empty(len(centres), dtype=np.int64)
    for start in range(0, len(centres), 4096):
        part = centres[start : start + 4096]
        low, high = part.min(axis=0) - bucket, part.max(axis=0) + bucket
        inside = np.flatnonzero(np.all((coarse >= low) & (coarse <= high), axis=1))
        if not inside.size:
            inside = np.arange(len(coarse))
        gap = (part[:, 0][:, None] - coarse[inside, 0]) ** 2 + (part[:, 1][:, None] - coarse[inside, 1]) ** 2
        best[start : start + 4096] = inside[np.argmin(gap, axis=1)]
    best *= coarse_step
    last = len(curve.points) - 2
    across = np.full(len(centres), np.inf)
    along = np.zeros(len(centres))
    gap_best = np.full(len(centres), np.inf)
    for shift in range(-coarse_step, coarse_step + 1):
        index = np.clip(best + shift, 0, last)
        a, b = curve.points[index], curve.points[index + 1]
        segment = b - a
        length = np.maximum(np.hypot(segment[:, 0], segment[:, 1]), 1e-9)
        unit = segment / length[:, None]
        offset = centres - a
        t = offset[:, 0] * unit[:, 0] + offset[:, 1] * unit[:, 1]
        side = offset[:, 1] * unit[:, 0] - offset[:, 0] * unit[:, 1]
        over = t - np.clip(t, 0, length)
        gap = side**2 + over**2
        at_end = ((index == 0) & (t < 0)) | ((index == last) & (t > length))
        gap_line = np.where(at_end, side**2 + 1e-3 * over**2, gap)
        better = gap < gap_best
        gap_best = np.where(better, gap, gap_best)
        across = np.where(better, np.where(at_end, side, np.sign(side) * np.sqrt(gap_line)), across)
        along = np.where(better, curve.arc_px[index] + t, along)
    return across, along


def normal_cdf(z: Floats) -> Floats:
    """Gaussian distribution function by table (error below 1e-5)."""
    return np.interp(z, _NORMAL_X, _NORMAL_CDF, left=0.0, right=1.0)


def band(across: Floats, width_px: Floats | float, sigma_px: float) -> Floats:
    """A band of unit height and a given width, seen through a Gaussian of `sigma_px`, at a distance across
    it.
    """
    half = np.asarray(width_px) / 2
    return normal_cdf((across + half) / sigma_px) - normal_cdf((across - half) / sigma_px)


def stretch(along: Floats, arc_px: Floats, weight: Floats, sigma_px: float) -> Floats:
    """A weight given along the curve, blurred by the point spread, zero beyond the ends."""
    pad = int(np.ceil(4 * sigma_px / max(arc_px[1] - arc_px[0], 1e-6))) + 2
    spacing = arc_px[1] - arc_px[0]
    padded = np.concatenate([np.zeros(pad), weight, np.zeros(pad)])
    places = (np.arange(padded.size) - pad) * spacing
    reach = np.arange(-pad, pad + 1) * spacing
    kernel = np.exp(-(reach**2) / (2 * sigma_px**2))
    smooth = np.convolve(padded, kernel / kernel.sum(), mode="same")
    return np.interp(along, places, smooth, left=0.0, right=0.0)


def lay_factor(canvas: Canvas, rows: Floats, columns: Floats, factor: Floats) -> None:
    """picture *= factor at the listed pixels; factor has shape (N,) or (N, 3)."""
    canvas.planes[rows, columns] *= (factor if factor.ndim == 2 else factor[:, None]).astype(np.float32)


def lay_light(canvas: Canvas, rows: Floats, columns: Floats, light: Floats) -> None:
    """picture += light at the listed pixels; light has shape (N,) or (N, 3)."""
    canvas.planes[rows, columns] += (light if light.ndim == 2 else light[:, None]).astype(np.float32)


def levels_at(canvas: Canvas, rows: Floats, columns: Floats) -> Plane:
    """Green plane at the listed pixels."""
    return np.asarray(canvas.planes[rows, columns, 1], dtype=np.float32)
