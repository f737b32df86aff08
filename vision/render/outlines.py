"""Closed outlines: their calipers and how much of each sample they cover."""

from __future__ import annotations

import cv2
import numpy as np

from vision.render.scene import Floats, Plane


def cover_of(outline_mm: Floats, x_mm: Plane, y_mm: Plane, sample_mm: float) -> Plane:
    """Share of each sample inside an outline that is star-shaped about the origin, exact to the first order.

    outline_mm : shape (N, 2). The polygon fillers of image libraries take in the samples that the outline
    merely touches, half a sample too much all round: too much for a grain of forty samples.
    """
    dense = _dense(outline_mm)
    azimuth = np.arctan2(dense[:, 1], dense[:, 0])
    order = np.argsort(azimuth)
    radius = np.hypot(dense[:, 0], dense[:, 1])[order]
    azimuth = azimuth[order]
    # how obliquely the outline runs to the radius: the true distance is shorter than the radial one
    slope = np.gradient(radius, azimuth, edge_order=1) / radius
    here = np.arctan2(y_mm, x_mm)
    reach = np.interp(here, azimuth, radius, period=2 * np.pi)
    straight = 1 / np.sqrt(1 + np.clip(np.interp(here, azimuth, slope, period=2 * np.pi), -3, 3) ** 2)
    inside = (reach - np.hypot(x_mm, y_mm)) * straight / sample_mm
    return np.asarray(np.clip(inside + 0.5, 0, 1), dtype=np.float32)


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


def _dense(outline: Floats, count: int = 720) -> Floats:
    closed = np.concatenate([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    places = np.linspace(0, arc[-1], count, endpoint=False)
    return np.column_stack([np.interp(places, arc, closed[:, 0]), np.interp(places, arc, closed[:, 1])])
