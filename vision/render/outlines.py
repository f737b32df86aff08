"""Closed outlines: their calipers and how much of each sample they cover."""

from __future__ import annotations

import cv2
import numpy as np

from vision.render.scene import Floats, Plane

TURN_STEPS = 1440


def cover_of(outline_mm: Floats, x_mm: Plane, y_mm: Plane, sample_mm: float) -> Plane:
    """Share of each sample inside an outline that is star-shaped about the origin, exact to the first order.

    outline_mm : shape (N, 2). The polygon fillers of image libraries take in the samples that the outline
    merely touches, half a sample too much all round: too much for a grain of forty samples.
    """
    radius, straight = _polar_table(outline_mm)
    here = ((np.arctan2(y_mm, x_mm) + np.float32(np.pi)) * np.float32(TURN_STEPS / (2 * np.pi))).astype(
        np.intp
    )
    here %= TURN_STEPS
    inside = (radius[here] - np.sqrt(x_mm * x_mm + y_mm * y_mm)) * straight[here] * np.float32(1 / sample_mm)
    return np.asarray(np.clip(inside + np.float32(0.5), 0, 1), dtype=np.float32)


def _polar_table(outline_mm: Floats) -> tuple[Plane, Plane]:
    """Radius of the outline in TURN_STEPS directions, and the cosine between it and the outline's normal."""
    dense = _dense(outline_mm)
    azimuth = np.arctan2(dense[:, 1], dense[:, 0])
    order = np.argsort(azimuth)
    azimuth, radius = azimuth[order], np.hypot(dense[:, 0], dense[:, 1])[order]
    turns = (np.arange(TURN_STEPS) + 0.5) * (2 * np.pi / TURN_STEPS) - np.pi
    even = np.interp(turns, azimuth, radius, period=2 * np.pi)
    slope = (np.roll(even, -1) - np.roll(even, 1)) / (4 * np.pi / TURN_STEPS) / even
    # how obliquely the outline runs to the radius: the true distance is shorter than the radial one
    straight = 1 / np.sqrt(1 + np.clip(slope, -3, 3) ** 2)
    return even.astype(np.float32), straight.astype(np.float32)


def calipers(points: Floats) -> tuple[float, float, float]:
    """Largest dimension of a set of points, the largest dimension across it, and its direction in degrees [0,
    180).
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


def area_middle(outline: Floats) -> Floats:
    """Centroid of the area inside a closed outline, shape (2,) (surveyor's formula)."""
    nearby = np.roll(outline, -1, axis=0)
    twice = outline[:, 0] * nearby[:, 1] - nearby[:, 0] * outline[:, 1]
    return np.asarray(((outline + nearby) * twice[:, None]).sum(axis=0) / (3 * twice.sum()))


def _dense(outline: Floats, count: int = 720) -> Floats:
    closed = np.concatenate([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    places = np.linspace(0, arc[-1], count, endpoint=False)
    return np.column_stack([np.interp(places, arc, closed[:, 0]), np.interp(places, arc, closed[:, 1])])
