"""The canvas of the renderers without perspective: patterns and points laid into a field of light.

Lengths in pixels; the outer corner of the first pixel is (0, 0). How light is added or taken is for each
family to say; the grid of a place and the sharing of points among pixels are the same for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True)
class Patch:
    """Oversampled offsets `dx`, `dy` from a place, over pixels `rows` x `cols`; `over` samples a pixel."""

    rows: slice
    cols: slice
    dx: Array
    dy: Array
    over: int

    def turned(self, angle: float) -> tuple[Array, Array]:
        """Offsets along and across a direction (rad)."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return self.dx * c + self.dy * s, self.dy * c - self.dx * s

    def settle(self, fine: Array) -> Array:
        """Means over the pixels, float32."""
        h, w = fine.shape[0] // self.over, fine.shape[1] // self.over
        return np.asarray(fine.reshape(h, self.over, w, self.over).mean((1, 3)), dtype=np.float32)


class FlatCanvas:
    """What the canvases of these families share.

    ROOM_PX, ROOM_BLURS : added to the reach of a patch, the second in standard deviations of the blur
    FINE_PX, MIDDLE_PX : up to this reach a patch has 8, up to that 4, else 2 samples a pixel
    """

    ROOM_PX: ClassVar[float] = 0.0
    ROOM_BLURS: ClassVar[float] = 0.0
    FINE_PX: ClassVar[float] = 6.0
    MIDDLE_PX: ClassVar[float] = 25.0

    width: int
    height: int
    blur_px: float

    def patch(self, x: float, y: float, reach: float) -> Patch | None:
        """The grid within `reach` of a place; None where it misses the picture."""
        reach += self.ROOM_BLURS * self.blur_px + self.ROOM_PX
        x0, x1 = max(int(np.floor(x - reach)), 0), min(int(np.ceil(x + reach)) + 1, self.width)
        y0, y1 = max(int(np.floor(y - reach)), 0), min(int(np.ceil(y + reach)) + 1, self.height)
        if x1 - x0 < 2 or y1 - y0 < 2:
            return None
        over = 8 if reach < self.FINE_PX else 4 if reach < self.MIDDLE_PX else 2
        u = (np.arange((x1 - x0) * over) + 0.5) / over + x0 - x
        v = (np.arange((y1 - y0) * over) + 0.5) / over + y0 - y
        dx, dy = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
        return Patch(slice(y0, y1), slice(x0, x1), dx, dy, over)


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
