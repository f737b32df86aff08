"""Plane geometry of outlines and paths, once: calipers, centroid, arc length, distance from a path.

Points are in any one unit (px or mm), x to the right, y down; angles in degrees from +x towards +y.
"""

from __future__ import annotations

import itertools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
DIRECTIONS = 36
"""Directions in which `ray_calipers` measures, over half a turn; a parabola puts the longest between them."""


def calipers(points: Array) -> tuple[float, float, float]:
    """Largest dimension of a set of points (N, 2), the largest dimension across it, and its direction in
    degrees [0, 180). Exact: over all pairs of the convex hull.
    """
    hull = cv2.convexHull(points.astype(np.float32))[:, 0, :].astype(float)
    gaps = hull[:, None, :] - hull[None, :, :]
    squared = (gaps**2).sum(axis=2)
    i, j = np.unravel_index(int(np.argmax(squared)), squared.shape)
    length = float(np.sqrt(squared[i, j]))
    along = gaps[i, j] / max(length, 1e-12)
    across = hull @ np.array([-along[1], along[0]])
    direction = float(np.rad2deg(np.arctan2(along[1], along[0])) % 180)
    return length, float(across.max() - across.min()), direction


def ray_calipers(px: Array, py: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Longest caliper, caliper across it, its angle in degrees [0, 180) and the middle x, y of that box, each
    float32 (N,), of N outlines of T points; px, py : shape (N, T).

    All outlines at once in `DIRECTIONS` directions: within 0.4 % of `calipers`, which the tests hold beside
    it.
    """
    phi = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    along = px[:, :, None] * np.cos(phi) + py[:, :, None] * np.sin(phi)
    high, low = along.max(1), along.min(1)
    span, middle = high - low, (high + low) / 2
    best = span.argmax(1)
    rows = np.arange(len(px))
    across = (best + DIRECTIONS // 2) % DIRECTIONS
    # a parabola through the neighbouring calipers puts the angle between the steps
    left, right = span[rows, best - 1], span[rows, (best + 1) % DIRECTIONS]
    top = span[rows, best]
    bend = np.minimum(left - 2 * top + right, -1e-6)
    shift = np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    angle = (best + shift) * 180 / DIRECTIONS
    c, s = np.cos(phi), np.sin(phi)
    m1, m2 = middle[rows, best], middle[rows, across]
    mx = m1 * c[best] + m2 * c[across]
    my = m1 * s[best] + m2 * s[across]
    out = (top, span[rows, across], angle % 180, mx, my)
    length, width, turn, cx, cy = (np.asarray(v, np.float32) for v in out)
    return length, width, turn, cx, cy


def centroid(px: Array, py: Array) -> tuple[Array, Array]:
    """Centroid x, y, each (N,), of the area inside N closed outlines; the origin where they hold none.

    px, py : shape (N, T), either way round
    Sum over the triangles of origin and neighbouring points (surveyor's formula).
    """
    next_x, next_y = np.roll(px, -1, 1), np.roll(py, -1, 1)
    twice = px * next_y - next_x * py
    area = twice.sum(1)
    whole = 3 * np.where(np.abs(area) > 1e-6, area, 1e-6)
    return (twice * (px + next_x)).sum(1) / whole, (twice * (py + next_y)).sum(1) / whole


def arc_places(path: Array) -> Array:
    """Arc length from the first point of a path (N, 2) to each of its points, shape (N,)."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))))


def path_length(path: Array) -> float:
    """Arc length of a path (N, 2)."""
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def at_arc(path: Array, arc: Array, places: Array) -> Array:
    """Points (M, 2) at places along a path. arc : of its points, as `arc_places` gives it."""
    return np.column_stack((np.interp(places, arc, path[:, 0]), np.interp(places, arc, path[:, 1])))


def densify(path: Array, step: float) -> Array:
    """The path (N, 2) at equal steps of arc length, at most `step` each, float32; one point for a path that
    has no length."""
    arc = arc_places(path)
    if arc[-1] <= 0:
        return path[:1].astype(np.float32)
    return at_arc(path, arc, np.linspace(0, arc[-1], max(2, int(np.ceil(arc[-1] / step)) + 1))).astype(
        np.float32
    )


def distance_to_path(x: Array, y: Array, path: Array) -> Array:
    """Distance (N,) of points from the nearest place of a path (M, 2); 1e9 for a path of one point."""
    best = np.full(len(x), 1e9)
    for a, b in itertools.pairwise(path):
        v = b - a
        t = np.clip(((x - a[0]) * v[0] + (y - a[1]) * v[1]) / max(float(v @ v), 1e-9), 0, 1)
        best = np.minimum(best, np.hypot(x - a[0] - t * v[0], y - a[1] - t * v[1]))
    return best
