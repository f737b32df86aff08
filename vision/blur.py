"""How sharp the photo is, measured on its own edges, and the modulation transfer of a slanted edge.

Blur is the standard deviation, in pixels, of the step from dark to light at a sharp edge. Tags give it
directly. Without them the sharpest steps that stand in the photo do: nothing in a photo can be sharper than
its blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import StageError
from vision.gauss import normal_pdf
from vision.results import Flat
from vision.tags import SeenTag

OUT_OF_FOCUS_PX = 2.6
SHARPEST_POSSIBLE_PX = 0.35
LIKELY_BLUR_PX = 0.9
PATCH_REACH_PX = 8
STRONG_SD = 20.0
FEWEST_MARKS = 6
MARKS_PERCENTILE = 15

Floats = NDArray[np.float64]


def blur_of_tags(tags: list[SeenTag]) -> float | None:
    """Median over all fitted sides of the tags; None without any."""
    widths = [side.blur_px for tag in tags for side in tag.sides if side is not None]
    return max(float(np.median(widths)), SHARPEST_POSSIBLE_PX) if widths else None


def blur_of_marks(flat: Flat, most: int = 150) -> float | None:
    """Blur from the smallest strong marks in the photo (dust, seeds, fibres); None when it shows too few.

    Each mark gets the Gaussian that fits it (adaptive moments); the narrow axis of a point or of a thin line
    is the blur itself. Marks can be wider than the blur, never narrower, so a low percentile over them is
    reported.
    """
    places = _strong_places(flat.signal, most)
    h, w = flat.signal.shape
    room = PATCH_REACH_PX + 1
    inside = (
        (places[:, 0] >= room)
        & (places[:, 0] < h - room)
        & (places[:, 1] >= room)
        & (places[:, 1] < w - room)
    )
    places = places[inside]
    if len(places) < FEWEST_MARKS:
        return None
    span = np.arange(-PATCH_REACH_PX, PATCH_REACH_PX + 1)
    patches = flat.signal[places[:, 0, None, None] + span[:, None], places[:, 1, None, None] + span]
    centre = patches[:, PATCH_REACH_PX, PATCH_REACH_PX]
    shown = np.asarray(patches * np.sign(centre)[:, None, None], np.float64)
    widths = np.fmin(narrow_widths(np.maximum(shown, 0.0)), flank_widths(shown))
    widths = widths[np.isfinite(widths)]
    if len(widths) < FEWEST_MARKS:
        return None
    return max(float(np.percentile(widths, MARKS_PERCENTILE)), SHARPEST_POSSIBLE_PX)


def _strong_places(signal: NDArray[np.float32], most: int) -> NDArray[np.int64]:
    """Rows and columns of the strongest places, at most one in each cell of 32 pixels; shape (N, 2)."""
    cell = 32
    h, w = signal.shape[0] // cell, signal.shape[1] // cell
    if not h or not w:
        return np.zeros((0, 2), np.int64)
    # bytes of a quarter sd are read four times as fast, and 63 sd are strong enough to be told apart from 20
    size = cv2.convertScaleAbs(signal[: h * cell], alpha=4.0)[:, : w * cell]
    tallest = np.maximum.reduce(size.reshape(h, cell, -1), axis=1).reshape(h, w, cell).max(axis=2)
    coarse = tallest.ravel().astype(np.float32) / 4.0
    strong = np.flatnonzero(coarse > STRONG_SD)
    strong = strong[np.argsort(-coarse[strong], kind="stable")][:most]
    places = []
    for i, j in zip(strong // w, strong % w, strict=True):
        part = np.abs(signal[i * cell : (i + 1) * cell, j * cell : (j + 1) * cell])
        y, x = divmod(int(part.argmax()), cell)
        places.append((i * cell + y, j * cell + x))
    return np.array(places, np.int64).reshape(-1, 2)


def narrow_widths(patches: Floats) -> Floats:
    """Standard deviation along the narrow axis of the Gaussian that fits each patch; NaN where none does.

    patches : shape (N, 2 R + 1, 2 R + 1), >= 0, each with its peak near the middle
    Adaptive moments: moments under a Gaussian weight of the mark's own shape have half the mark's covariance
    when the mark is Gaussian (G. M. Bernstein and M. Jarvis, Astronomical Journal 123 (2002), section 3).
    """
    reach = patches.shape[1] // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float64)
    count = len(patches)
    cx, cy = np.zeros(count), np.zeros(count)
    xx, yy, xy = np.full(count, 1.5), np.full(count, 1.5), np.zeros(count)
    for _ in range(12):
        det = np.maximum(xx * yy - xy * xy, 1e-3)
        dx, dy = x - cx[:, None, None], y - cy[:, None, None]
        a, b, c = (v[:, None, None] for v in (yy / det, xx / det, xy / det))
        weight = patches * np.exp(-0.5 * (a * dx * dx + b * dy * dy - 2 * c * dx * dy))
        total = np.maximum(weight.sum(axis=(1, 2)), 1e-12)
        mx, my = (weight * dx).sum(axis=(1, 2)) / total, (weight * dy).sum(axis=(1, 2)) / total
        cx, cy = np.clip(cx + mx, -2, 2), np.clip(cy + my, -2, 2)
        xx = np.clip(2 * ((weight * dx * dx).sum(axis=(1, 2)) / total - mx * mx), 0.05, reach**2)
        yy = np.clip(2 * ((weight * dy * dy).sum(axis=(1, 2)) / total - my * my), 0.05, reach**2)
        xy = 2 * ((weight * dx * dy).sum(axis=(1, 2)) / total - mx * my)
        xy = np.clip(xy, -0.98 * np.sqrt(xx * yy), 0.98 * np.sqrt(xx * yy))
    half = (xx + yy) / 2
    narrow = half - np.sqrt(np.maximum((xx - yy) ** 2 / 4 + xy * xy, 0))
    good = (narrow > 0.06) & (narrow < (0.6 * reach) ** 2)
    return np.where(good, np.sqrt(np.maximum(narrow, 0)), np.nan)


def flank_widths(patches: Floats) -> Floats:
    """Blur read from the steepest flank of each patch, as if it were a thin line; shape (N,).

    A line of height H smeared by a Gaussian rises by H / (sigma sqrt(e)) a pixel at most; the central
    difference that measures the slope smears it once more by a box two pixels wide (variance 1 / 3). The
    rims of bubbles and the edges of small stones read true in this way, a broad plateau reads up to half
    too soft.
    """
    slope_x = (patches[:, 1:-1, 2:] - patches[:, 1:-1, :-2]) / 2.0
    slope_y = (patches[:, 2:, 1:-1] - patches[:, :-2, 1:-1]) / 2.0
    steepest = np.hypot(slope_x, slope_y).max(axis=(1, 2))
    middle = patches.shape[1] // 2
    read = patches[:, middle, middle] / np.maximum(steepest, 1e-9) / np.exp(0.5)
    return np.sqrt(np.maximum(read**2 - 1.0 / 3.0, 0.05))


@dataclass(frozen=True, slots=True)
class Mtf:
    """Modulation transfer of an edge. cycles_per_px, modulation :
    shape (N,); mtf50 : where it falls to one half."""

    cycles_per_px: Floats
    modulation: Floats

    @property
    def mtf50(self) -> float:
        below = np.flatnonzero(self.modulation < 0.5)
        if not len(below) or below[0] == 0:
            return float(self.cycles_per_px[-1])
        i = int(below[0])
        m0, m1 = self.modulation[i - 1], self.modulation[i]
        f0, f1 = self.cycles_per_px[i - 1], self.cycles_per_px[i]
        return float(f0 + (m0 - 0.5) / (m0 - m1) * (f1 - f0))


def slanted_edge_mtf(patch: NDArray[np.generic], oversampling: int = 4) -> Mtf:
    """Modulation transfer function of a nearly upright edge.

    patch : shape (H, W), linear light, one straight edge from top to bottom slanted by about 2 to 15 degrees
    The steps are those of ISO 12233 (edge spatial frequency response): centroid of each row's derivative,
    straight line through them, all pixels projected along it into bins of 1 / oversampling px, derivative,
    Hamming window, discrete Fourier transform, and the correction for the finite difference.
    Raises StageError when the patch holds no such edge.
    """
    image = np.asarray(patch, np.float64)
    if image.ndim != 2 or min(image.shape) < 16:
        msg = f"slanted edge: patch of shape {image.shape}; expected at least 16 x 16 pixels"
        raise StageError(msg)
    h, w = image.shape
    rows = np.arange(h)
    derivative = np.zeros_like(image)
    derivative[:, 1:-1] = (image[:, 2:] - image[:, :-2]) / 2.0
    centre = _row_centres(derivative, np.full(h, (w - 1) / 2.0))
    slope, start = np.polyfit(rows, centre, 1)
    for _ in range(2):  # again with the window about the line, so that noise far from the edge counts less
        centre = _row_centres(derivative, start + slope * rows)
        slope, start = np.polyfit(rows, centre, 1)
    if not np.isfinite(slope) or abs(slope) > 1.0:
        msg = "slanted edge: no nearly upright edge found in the patch"
        raise StageError(msg)
    if abs(slope) * h < 1.0:
        msg = "slanted edge: the edge crosses less than one pixel column; expected a slant of some degrees"
        raise StageError(msg)
    distance = (np.arange(w)[None, :] - (start + slope * rows)[:, None]) / np.sqrt(1.0 + slope * slope)
    half = int(min(w / 2 - 2, 64)) * oversampling
    index = np.floor(distance * oversampling + half + 0.5).astype(int)
    inside = (index >= 0) & (index <= 2 * half)
    count = np.bincount(index[inside], minlength=2 * half + 1)
    total = np.bincount(index[inside], weights=image[inside], minlength=2 * half + 1)
    places = np.arange(2 * half + 1)
    spread = np.interp(places, places[count > 0], total[count > 0] / count[count > 0])
    line = np.zeros_like(spread)
    line[1:-1] = (spread[2:] - spread[:-2]) / 2.0
    line *= np.hamming(len(line))
    transform = np.abs(np.fft.rfft(line))
    if transform[0] <= 0:
        msg = "slanted edge: the patch has no step of brightness"
        raise StageError(msg)
    frequency = np.fft.rfftfreq(len(line), d=1.0 / oversampling)
    modulation = transform / transform[0]
    # a difference over two bins passes sin(x) / x of each frequency
    x = 2.0 * np.pi * frequency / oversampling
    correction = np.ones_like(x)
    correction[1:] = np.minimum(x[1:] / np.maximum(np.abs(np.sin(x[1:])), 1e-3), 10.0)
    keep = frequency <= 1.0
    return Mtf(np.asarray(frequency[keep]), np.asarray((modulation * correction)[keep], np.float64))


def _row_centres(derivative: Floats, about: Floats) -> Floats:
    """Centroid of each row's derivative under a Hamming-like window about a column."""
    w = derivative.shape[1]
    offset = np.arange(w)[None, :] - about[:, None]
    window = np.where(np.abs(offset) < w / 2, 0.54 + 0.46 * np.cos(2 * np.pi * offset / w), 0.0)
    weight = derivative * window
    total = weight.sum(axis=1)
    safe = np.where(np.abs(total) < 1e-12, np.nan, total)
    centre = (weight * np.arange(w)).sum(axis=1) / safe
    known = np.isfinite(centre)
    if known.sum() < 8:
        msg = "slanted edge: the patch has no step of brightness"
        raise StageError(msg)
    result: Floats = np.interp(np.arange(len(centre)), np.flatnonzero(known), centre[known])
    return result


def gaussian_mtf(blur_px: float, cycles_per_px: Floats) -> Floats:
    """Modulation of a Gaussian blur, exp(-2 pi^2 sigma^2 f^2): what `slanted_edge_mtf` gives for one."""
    return np.asarray(normal_pdf(2 * np.pi * blur_px * cycles_per_px) * np.sqrt(2 * np.pi), np.float64)
