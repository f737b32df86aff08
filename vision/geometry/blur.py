"""How sharp the photo is, measured on its own edges.

Blur is the standard deviation, in pixels, of the step from dark to light at a sharp edge. Tags give it
directly. Without them the sharpest steps that stand in the photo do: nothing in a photo can be sharper than
its blur.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry.tags import SeenTag
from vision.results import BackgroundSubtracted

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


def blur_of_marks(subtracted: BackgroundSubtracted, most: int = 150) -> float | None:
    """Blur from the smallest strong marks in the photo (dust, seeds, fibres); None when it shows too few.

    Each mark gets the Gaussian that fits it (adaptive moments); the narrow axis of a point or of a thin line
    is the blur itself. Marks can be wider than the blur, never narrower, so a low percentile over them is
    reported.
    """
    places = _strong_places(subtracted.signal, most)
    h, w = subtracted.signal.shape
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
    patches = subtracted.signal[places[:, 0, None, None] + span[:, None], places[:, 1, None, None] + span]
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
    # bytes of a quarter sd are read four times as fast, and 63 sd are well above the 20 that are asked for
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
