"""The light of one field before the lens, and how a pattern is laid into it and weighed against the noise.

Lengths in pixels; the outer corner of the first pixel is (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.synthetic.canvas import FlatCanvas, Patch, shared
from vision.synthetic.truth import LINE_PEAK, LINE_TOTAL, SPOT_PEAK, SPOT_TOTAL, DefectTruth, spot_row

Array = NDArray[Any]
TENT_VARIANCE = 1 / 6
PIXEL_VARIANCE = 1 / 12
DEEPEST = 0.01
LEAST_LEFT = 0.4
EDGE_STRIP_MM, EDGE_STRIP_PX = 1.7, 5.0


@dataclass(frozen=True)
class PatternSnr:
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


@dataclass
class Canvas(FlatCanvas):
    """`light` : float32 (H, W), 1 = full scale; patterns add to it in dark field and take a share of it in
    bright field.

    noise : sd of a pixel's noise at given light; grain_px : sd of the blur that correlates it
    glass : x0, y0, x1, y1 px of what is sheet in the picture
    """

    ROOM_PX: ClassVar[float] = 1.0
    ROOM_BLURS: ClassVar[float] = 2.5
    FINE_PX: ClassVar[float] = 9.0

    light: Array
    dark: bool
    mm_per_px: float
    blur_px: float
    noise: Callable[[Array], Array]
    glass: tuple[float, float, float, float]
    grain_px: float = 0.0

    @property
    def height(self) -> int:  # type: ignore[override]
        return int(self.light.shape[0])

    @property
    def width(self) -> int:  # type: ignore[override]
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

    def lay(self, patch: Patch, fine: Array, strength: float) -> PatternSnr:
        """Lay `strength` times a fine pattern into the light."""
        return self.lay_pixels(patch.rows, patch.cols, strength * patch.settle(fine))

    def lay_pixels(self, rows: slice, cols: slice, shade: Array) -> PatternSnr:
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
        return PatternSnr(float(ratio.max()), self._total(ratio), x, y, here, change)

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


@dataclass(frozen=True)
class DrawnDefect:
    """A defect that was laid: its truth row, `visible` as judged before the camera's own processing, and its
    signal to noise; None where it missed the picture."""

    row: DefectTruth
    snr: PatternSnr | None


def drawn_spot(
    kind: str,
    x: float,
    y: float,
    size: tuple[float, float, float],
    snr: PatternSnr | None,
    halo: float | None = None,
) -> DrawnDefect:
    """A bubble or a stone; arguments as for `truth.spot_row`."""
    return DrawnDefect(spot_row(kind, x, y, size, snr is not None and snr.as_spot, halo), snr)
