"""Points that fall between pixels: shared among the four around them, so that thin lines keep their light."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


def shared(x: Array, y: Array, weight: Array, width: int, height: int) -> tuple[Array, Array]:
    """Numbers of the pixels that points touch (row by row, each once) and what falls on each, bilinearly.

    x, y : (N,) photo px, (0, 0) the outer corner of the first pixel; weight : (N,) or one number
    """
    x, y = np.asarray(x, float) - 0.5, np.asarray(y, float) - 0.5
    x0, y0 = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = x - x0, y - y0
    places, shares = [], []
    for ox, oy, w in (
        (0, 0, (1 - fx) * (1 - fy)),
        (1, 0, fx * (1 - fy)),
        (0, 1, (1 - fx) * fy),
        (1, 1, fx * fy),
    ):
        cx, cy = x0 + ox, y0 + oy
        good = (cx >= 0) & (cy >= 0) & (cx < width) & (cy < height)
        places.append((cy * width + cx)[good])
        shares.append((w * weight)[good])
    at, which = np.unique(np.concatenate(places), return_inverse=True)
    return at, np.bincount(which.ravel(), np.concatenate(shares), minlength=at.size).astype(np.float32)
