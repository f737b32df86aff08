"""Closed outlines: how much of each sample they cover."""

from __future__ import annotations

import numpy as np

from vision.geometry.shapes import arc_places, at_arc
from vision.synthetic.raytraced.scene import Floats, Plane

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


def _dense(outline: Floats, count: int = 720) -> Floats:
    closed = np.concatenate([outline, outline[:1]])
    arc = arc_places(closed)
    return at_arc(closed, arc, np.linspace(0, arc[-1], count, endpoint=False))
