"""What the camera's smoothing, rounding and compression have left of a defect in the file."""

from __future__ import annotations

import cv2
import numpy as np

from vision.synthetic.parametric.camera import Camera
from vision.synthetic.parametric.canvas import Array, PatternSnr

LEAST_LEFT_SHARE = 0.35
"""A defect of which less than this share is left cannot be seen, however strong its light was."""
MOST_PIXELS = 40_000


def contrast_left(grey: Array, camera: Camera, seen: PatternSnr) -> float:
    """Share of the expected change of grey values that the photo `grey` (H, W) shows: about 1, above it where
    the photo was sharpened, 0 where nothing is left. Least squares over an even slope of the ground."""
    wanted = camera.step(seen.before, seen.change).astype(float)
    there = _at(grey, seen.x, seen.y)
    if seen.beside is not None:
        shift = seen.beside
        sides = [_at(grey, seen.x + k * shift[:, 0], seen.y + k * shift[:, 1]) for k in (-1, 1)]
        rise = there - (sides[0] + sides[1]) / 2
        return float((wanted * rise).sum() / max(float((wanted**2).sum()), 1e-9))
    every = max(1, int(np.sqrt(wanted.size / MOST_PIXELS)))
    cut = np.s_[::every, ::every]
    x, y, w, g = seen.x[cut].ravel(), seen.y[cut].ravel(), wanted[cut].ravel(), there[cut].ravel()
    table = np.column_stack((w, np.ones_like(w), x - x.mean(), y - y.mean()))
    return float(np.linalg.lstsq(table, g, rcond=None)[0][0])


def _at(grey: Array, x: Array, y: Array) -> Array:
    """Grey values at places, bilinear."""
    shape = np.shape(x)
    u, v = (np.asarray(c, np.float32).reshape(shape[0], -1) - np.float32(0.5) for c in (x, y))
    read = cv2.remap(grey, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, float).reshape(shape)
