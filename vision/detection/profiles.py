"""Looking along rays: the signal round many places at once, sampled on ellipses.

Everything works on N places together, because an inspection has hundreds and a Python loop would cost more
than the decoding of the photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.pyramid import Pyramid
from vision.geometry.shapes import centroid, ray_calipers
from vision.results import DARK_FIELD

Array = NDArray[Any]

# All by hand, origin unknown, where nothing else is said; tests/published/test_measured_shapes.py compares
# the outlines with shapes of known size.
RAYS, STEPS = 32, 36
"""Rays round a nucleus, samples along each."""
FIRST_REACH, FIRST_REACH_PX = 1.3, 3.0
"""How far the rays run in the first round: so many half sizes, and so many px (a candidate's box is
rough)."""
REACH, REACH_PX = 1.25, 2.5
"""The same in the later rounds, where the size is known from the round before."""
ROUNDS = 3
"""Rounds that recentre and stretch the rays."""
LEAST_HALF_PX, LARGEST_GROWTH, GROWTH_PX, MOST_STRETCH = 0.8, 2.5, 2.0, 6.0
"""Half sizes stay between the first (px) and so many times the candidate's and so many px; the longer one is
at most so many times the shorter."""
DARKER_SHARE = 0.6
"""In bright field a nucleus counts as dark when its deepest place is at least this share of its brightest."""
HALF_HEIGHT = 0.5
"""An outline lies where a ray falls to this share of its own peak (the usual half height)."""
DULL_RAY = 0.3
"""A ray's own peak counts as at least this share of the nucleus' peak: the dull sides of a lit ring are
outlined at half of that."""
DULL_RADIUS = 0.5
"""Radius, in steps, of a ray that is dull and never rises over its limit."""
LEAST_PEAK_SD = 1e-3
"""No peak is taken to be lower, sd: keeps empty places from dividing by 0."""
FITS_LOG_RATIO, FITS_GAP = 0.5, 0.3
"""An ellipse is believed whose length differs from the outline's by at most this log ratio and whose middle
lies within this share of the length of the outline's."""
AT_ONCE = 20_000
"""Rows of one call of `cv2.remap`, which takes at most 32,767."""


@dataclass(frozen=True, slots=True)
class Outline:
    """Half-height outline of N nuclei.

    x_px, y_px : middle; length_px, width_px : calipers of the outline as it looks, blur still in it;
    angle_deg : of the longest caliper; sign : +1 brighter than its surroundings, -1 darker;
    peak : height of the nucleus in noise sd; rim : (N, T) outline radius along each ray, px
    ellipse_* : axes of the ellipse through the outline's well lit parts (the outline's own sizes where none
    fits)
    centroid_* : middle of the outlined area, which is the place of an irregular grain
    """

    x_px: Array
    y_px: Array
    length_px: Array
    width_px: Array
    angle_deg: Array
    sign: Array
    peak: Array
    rim: Array
    ellipse_length_px: Array
    ellipse_width_px: Array
    centroid_x_px: Array
    centroid_y_px: Array

    def take(self, rows: NDArray[np.intp]) -> Outline:
        """Only these rows."""
        return Outline(*(getattr(self, name)[rows] for name in self.__slots__))


def sample(pyramid: Pyramid, x_px: Array, y_px: Array, spacing_px: Array) -> Array:
    """Signal at places. x_px, y_px : (N, ...) photo px; spacing_px : (N,) distance of neighbouring samples.

    Coarse spacing reads the pyramid level whose pixels are about as wide, so nothing is skipped between
    samples. Outside of the photo the border repeats.
    """
    flat_x, flat_y = x_px.reshape(len(x_px), -1), y_px.reshape(len(y_px), -1)
    out = np.zeros(flat_x.shape, np.float32)
    level = np.clip(np.floor(np.log2(np.maximum(spacing_px, 1.0)) + 0.25), 0, len(pyramid.plain) - 1).astype(
        int
    )
    for k in np.unique(level):
        image = pyramid.plain[k]
        rows = np.flatnonzero(level == k)
        for part in np.array_split(rows, len(rows) // AT_ONCE + 1):
            u = (flat_x[part] / 2**k - 0.5).astype(np.float32)
            v = (flat_y[part] / 2**k - 0.5).astype(np.float32)
            out[part] = cv2.remap(image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(x_px.shape)


def polar(
    pyramid: Pyramid, x: Array, y: Array, a: Array, b: Array, angle_deg: Array, radii: Array, rays: int
) -> tuple[Array, Array, Array]:
    """Signal (N, T, R) on ellipses of semi-axes radii * a, radii * b, with the unit-ellipse directions (N,
    T).

    Returns signal, and the step in x and y that radius 1 means along each ray (N, T).
    """
    t = np.linspace(0, 2 * np.pi, rays, endpoint=False)
    turn = np.radians(angle_deg)[:, None]
    u, v = a[:, None] * np.cos(t), b[:, None] * np.sin(t)
    step_x = (u * np.cos(turn) - v * np.sin(turn)).astype(np.float32)
    step_y = (u * np.sin(turn) + v * np.cos(turn)).astype(np.float32)
    xs = x[:, None, None] + step_x[:, :, None] * radii
    ys = y[:, None, None] + step_y[:, :, None] * radii
    spacing = b * float(np.max(np.diff(radii)))
    return sample(pyramid, xs, ys, spacing), step_x, step_y


def outline(
    pyramid: Pyramid, x: Array, y: Array, reach_px: Array, lighting: str, rays: int = RAYS
) -> Outline:
    """Trace N nuclei from rough places and half-sizes, in rounds that recentre and stretch the rays.

    x, y, reach_px : shape (N,), photo px. A place where nothing rises gives an outline of the least size.
    """
    x, y = x.astype(np.float32), y.astype(np.float32)
    reach = np.maximum(reach_px, 1.0).astype(np.float32)
    a, b = reach.copy(), reach.copy()
    angle = np.zeros_like(a)
    result = None
    for turn in range(ROUNDS):
        more, more_px = (FIRST_REACH, FIRST_REACH_PX) if turn == 0 else (REACH, REACH_PX)
        far = more + more_px / np.minimum(a, b)
        radii = np.linspace(0, 1, STEPS, dtype=np.float32)
        rows, step_x, step_y = polar(pyramid, x, y, a * far, b * far, angle, radii, rays)
        result = _trace(rows, step_x, step_y, x, y, lighting)
        x, y = result.x_px, result.y_px
        a = np.clip(result.length_px / 2, LEAST_HALF_PX, LARGEST_GROWTH * reach + GROWTH_PX)
        b = np.clip(result.width_px / 2, np.maximum(LEAST_HALF_PX, a / MOST_STRETCH), a)
        angle = result.angle_deg
    if result is None:
        msg = "no round of tracing ran"
        raise RuntimeError(msg)
    return result


def _trace(rows: Array, step_x: Array, step_y: Array, x: Array, y: Array, lighting: str) -> Outline:
    n, _, steps = rows.shape
    soft = rows.copy()
    soft += 0.5 * (np.roll(rows, 1, 1) + np.roll(rows, -1, 1))
    soft /= 2
    top, low = soft.max((1, 2)), -soft.min((1, 2))
    sign = (
        np.ones(n, np.float32)
        if lighting == DARK_FIELD
        else np.where(low > DARKER_SHARE * top, -1, 1).astype(np.float32)
    )
    soft *= sign[:, None, None]
    peak = np.maximum(soft.max((1, 2)), LEAST_PEAK_SD)
    at = soft.argmax(2)
    ray_peak = np.take_along_axis(soft, at[:, :, None], 2)[:, :, 0]
    limit = HALF_HEIGHT * np.clip(ray_peak, DULL_RAY * peak[:, None], peak[:, None])
    index = np.arange(steps)
    below = (soft < limit[:, :, None]) & (index > at[:, :, None])
    first = np.where(below.any(2), below.argmax(2), steps - 1)
    v1 = np.take_along_axis(soft, first[:, :, None], 2)[:, :, 0]
    v0 = np.take_along_axis(soft, np.maximum(first - 1, 0)[:, :, None], 2)[:, :, 0]
    share = np.clip((v0 - limit) / np.maximum(v0 - v1, 1e-6), 0, 1)
    radius = (first - 1 + share) / (steps - 1)
    weak = ray_peak < DULL_RAY * peak[:, None]
    radius = np.where(weak & (ray_peak < limit), DULL_RADIUS / (steps - 1), np.maximum(radius, 0))
    radius = 0.5 * radius + 0.25 * (np.roll(radius, 1, 1) + np.roll(radius, -1, 1))
    px, py = radius * step_x, radius * step_y
    length, width, angle, mx, my = ray_calipers(px, py)
    rim = np.hypot(px, py).astype(np.float32)
    e_length, e_width, cx, cy, fits = ellipse(px, py, np.clip(ray_peak / peak[:, None], 0, 1) ** 2)
    fits &= (np.abs(np.log(e_length / np.maximum(length, 1e-3))) < FITS_LOG_RATIO) & (
        np.hypot(cx - mx, cy - my) < FITS_GAP * length
    )
    place_x, place_y = np.where(fits, cx, mx), np.where(fits, cy, my)
    out = (x + place_x, y + place_y, length, width, angle, sign, peak, rim)
    axes = (np.where(fits, e_length, length), np.where(fits, e_width, width))
    area_x, area_y = centroid(px, py)
    return Outline(*(np.asarray(v, np.float32) for v in (*out, *axes, x + area_x, y + area_y)))


def ellipse(px: Array, py: Array, weight: Array) -> tuple[Array, Array, Array, Array, NDArray[np.bool_]]:
    """Axes and middles of the conics that fit points (N, T) best, and whether each is an ellipse at all.

    px, py, weight : shape (N, T); returns length, width, middle x, middle y and fits, each shape (N,)
    Algebraic least squares on A x2 + B xy + C y2 + D x + E y = 1, coordinates scaled to about 1. Two lit
    arcs of a ring are enough; the dull parts between them weigh little.
    """
    scale = np.maximum(np.hypot(px, py).mean(1, keepdims=True), 0.5)
    x, y = px / scale, py / scale
    terms = np.stack([x * x, x * y, y * y, x, y], -1)
    weighted = terms * weight[..., None]
    matrix = np.einsum("nti,ntj->nij", weighted, terms) + 1e-4 * np.eye(5)
    a, b, c, d, e = np.linalg.solve(matrix, weighted.sum(1)[..., None])[..., 0].T
    det = 4 * a * c - b * b
    good = det > 1e-3
    det = np.where(good, det, 1.0)
    cx, cy = (b * e - 2 * c * d) / det, (b * d - 2 * a * e) / det
    level = 1 + a * cx * cx + b * cx * cy + c * cy * cy
    split = np.hypot(a - c, b)
    low, high = (a + c - split) / 2, (a + c + split) / 2
    good &= (low > 1e-3) & (level > 0)
    scale = scale[:, 0]
    length = 2 * scale * np.sqrt(np.where(good, level / np.maximum(low, 1e-3), 1.0))
    width = 2 * scale * np.sqrt(np.where(good, level / np.maximum(high, 1e-3), 1.0))
    return length, width, cx * scale, cy * scale, good
