"""The light of one field before the lens, and how a pattern is laid into it and weighed against the noise.

Lengths in pixels; the outer corner of the first pixel is (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.train.sketch import LINE_PEAK, LINE_TOTAL, SPOT_PEAK, SPOT_TOTAL
from vision.train.splat import shared

Array = NDArray[Any]
TENT_VARIANCE = 1 / 6
PIXEL_VARIANCE = 1 / 12
DEEPEST = 0.01
LEAST_LEFT = 0.4
EDGE_STRIP_MM, EDGE_STRIP_PX = 1.7, 5.0


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def near(rng: np.random.Generator, value: float, spread: float) -> float:
    """A number around `value`, `spread` being the sd of its logarithm."""
    return float(value * np.exp(spread * rng.normal()))


def some(rng: np.random.Generator, names: tuple[str, ...], most: int = 3) -> tuple[str, ...]:
    """One to `most` different names of a list: the looks that one world knows."""
    count = int(rng.integers(1, min(most, len(names)) + 1))
    return tuple(str(v) for v in rng.permutation(names)[:count])


@dataclass(frozen=True)
class Seen:
    """Signal to noise of a pattern: of its best pixel, and of a filter of exactly its shape.

    x, y, before, change : where the light changes (px), what it was and by how much, all of one shape
    beside : for lines the step (px) from each point to places on either side that do not change
    """

    peak: float
    total: float
    x: Array
    y: Array
    before: Array
    change: Array
    beside: Array | None = None

    @property
    def as_spot(self) -> bool:
        return self.peak >= SPOT_PEAK and self.total >= SPOT_TOTAL

    @property
    def as_line(self) -> bool:
        return self.peak >= LINE_PEAK and self.total >= LINE_TOTAL


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
        """Means over the pixels."""
        h, w = fine.shape[0] // self.over, fine.shape[1] // self.over
        return np.asarray(fine.reshape(h, self.over, w, self.over).mean((1, 3)), dtype=np.float32)


@dataclass
class Sheet:
    """`light` : float32 (H, W), 1 = full scale; patterns add to it in dark field and take a share of it in
    bright field.

    noise : sd of a pixel's noise at given light; grain_px : sd of the blur that correlates it
    glass : x0, y0, x1, y1 px of what is sheet in the picture
    """

    light: Array
    dark: bool
    mm_per_px: float
    blur_px: float
    noise: Callable[[Array], Array]
    glass: tuple[float, float, float, float]
    grain_px: float = 0.0

    @property
    def height(self) -> int:
        return int(self.light.shape[0])

    @property
    def width(self) -> int:
        return int(self.light.shape[1])

    @property
    def spread_px(self) -> float:
        """Sd of lens, pixel and bilinear weights together: what a thin line is blurred by."""
        return float(np.sqrt(self.blur_px**2 + TENT_VARIANCE + PIXEL_VARIANCE))

    @property
    def room(self) -> tuple[float, float, float, float]:
        """The glass without the strip along a cut edge that the edge itself takes up."""
        x0, y0, x1, y1 = self.glass
        strip = EDGE_STRIP_MM / self.mm_per_px + EDGE_STRIP_PX
        return (
            x0 + strip * (x0 > 0),
            y0 + strip * (y0 > 0),
            x1 - strip * (x1 < self.width),
            y1 - strip * (y1 < self.height),
        )

    def patch(self, x: float, y: float, reach: float) -> Patch | None:
        """The grid within `reach` of a place; None where it misses the picture."""
        reach += 2.5 * self.blur_px + 1
        x0, x1 = max(int(np.floor(x - reach)), 0), min(int(np.ceil(x + reach)) + 1, self.width)
        y0, y1 = max(int(np.floor(y - reach)), 0), min(int(np.ceil(y + reach)) + 1, self.height)
        if x1 - x0 < 2 or y1 - y0 < 2:
            return None
        over = 8 if reach < 9 else 4 if reach < 25 else 2
        u = (np.arange((x1 - x0) * over) + 0.5) / over + x0 - x
        v = (np.arange((y1 - y0) * over) + 0.5) / over + y0 - y
        dx, dy = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
        return Patch(slice(y0, y1), slice(x0, x1), dx, dy, over)

    def level(self, x: float, y: float) -> float:
        """Light at a place."""
        i = int(np.clip(y, 0, self.height - 1))
        return float(self.light[i, int(np.clip(x, 0, self.width - 1))])

    def sd(self, x: float, y: float) -> float:
        """Noise at a place in the unit of a pattern's strength."""
        level = self.level(x, y)
        noise = float(self.noise(np.array([level]))[0])
        return noise if self.dark else noise / max(level, 1e-3)

    def strength_for(self, patch: Patch, fine: Array, sd: float, peak: float) -> float:
        """Strength at which a pattern's best pixel stands `peak` times over the noise."""
        best = float(np.abs(cv2.GaussianBlur(patch.settle(fine), (0, 0), self.blur_px)).max())
        return peak * sd / max(best, 1e-6)

    def lay(self, patch: Patch, fine: Array, strength: float) -> Seen:
        """Lay `strength` times a fine pattern into the light."""
        return self.lay_pixels(patch.rows, patch.cols, strength * patch.settle(fine))

    def lay_pixels(self, rows: slice, cols: slice, shade: Array) -> Seen:
        """Lay a pattern given for each pixel: light to add (dark field) or share to take away (bright
        field)."""
        here = self.light[rows, cols].copy()
        if self.dark:
            after = np.maximum(here + shade, LEAST_LEFT * here)
        else:
            after = here * np.clip(1 - shade, DEEPEST, 3)
        change = cv2.GaussianBlur(np.clip(after, 0, 1) - np.clip(here, 0, 1), (0, 0), self.blur_px)
        ratio = np.abs(change) / self.noise(here)
        self.light[rows, cols] = after
        y, x = np.mgrid[rows, cols].astype(np.float32) + np.float32(0.5)
        return Seen(float(ratio.max()), self._total(ratio), x, y, here, change)

    def _total(self, ratio: Array) -> float:
        """Signal to noise of a filter of the pattern's own shape; where neighbours share their noise, the
        filter averages less of it away."""
        alike = 4 * np.pi * self.grain_px**2
        if alike <= 1:
            return float(np.sqrt((ratio**2).sum()))
        shared = alike * cv2.GaussianBlur(ratio, (0, 0), float(np.sqrt(2) * self.grain_px))
        return float((ratio**2).sum() / np.sqrt(max(float((ratio * shared).sum()), 1e-12)))

    def splat(self, x: Array, y: Array, weight: Array) -> None:
        """Add points with bilinear weights, so that lines much thinner than a pixel keep their flux. Points
        that share a pixel are summed before they act."""
        at, shade = shared(x, y, weight, self.width, self.height)
        flat = self.light.reshape(-1)
        if self.dark:
            flat[at] = np.maximum(flat[at] + shade, LEAST_LEFT * flat[at])
        else:
            flat[at] *= np.clip(1 - shade, DEEPEST, 3)


def spot_row(
    kind: str,
    x: float,
    y: float,
    size: tuple[float, float, float],
    seen: Seen | None,
    halo: float | None = None,
) -> dict[str, Any]:
    """A truth row; size : length and width in px, direction in degrees. `visible` is judged before the
    camera's own processing."""
    return {
        "kind": kind,
        "x_px": x,
        "y_px": y,
        "length_px": size[0],
        "width_px": size[1],
        "angle_deg": float(size[2] % 180),
        "halo_px": halo,
        "visible": seen is not None and seen.as_spot,
        "seen": seen,
    }


def box_row(what: str, x: float, y: float, w: float, h: float) -> dict[str, Any]:
    """A row of what is no defect, by its box."""
    box = [int(x - w / 2) - 1, int(y - h / 2) - 1, int(w) + 3, int(h) + 3]
    return {"what": what, "x_px": x, "y_px": y, "box_px": box, "path_px": None}


def path_row(what: str, path: Array, width: float) -> dict[str, Any]:
    """A row of what is no defect, by its course."""
    lo, hi = path.min(0) - width / 2 - 1, path.max(0) + width / 2 + 1
    box = [int(lo[0]), int(lo[1]), int(hi[0] - lo[0]) + 2, int(hi[1] - lo[1]) + 2]
    middle = path[len(path) // 2]
    row = {"what": what, "x_px": float(middle[0]), "y_px": float(middle[1]), "box_px": box}
    return {**row, "path_px": path[:: max(1, len(path) // 80)], "width_px": width}
