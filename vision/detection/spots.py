"""Where something is: responses at several scales, joined by hysteresis.

A spot of any size stands out at the scale that fits it (matched filtering). What exceeds the growing
threshold and hangs together is one candidate when it also exceeds the seed threshold somewhere (hysteresis
as in J. Canny, "A computational approach to edge detection", IEEE Trans. PAMI 8 (1986)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.deblend import deblend
from vision.detection.pyramid import STEPS, ZERO, Pyramid
from vision.results import DARK_FIELD, BackgroundSubtracted

FINE_LEVELS, COARSE_LEVELS = (0, 1), (2, 3, 4)
"""Levels of the pyramid that are searched together (by hand)."""

# Thresholds in standard deviations of the level's own noise, set by hand, origin unknown (halved and
# doubled in tests/bench/sensitivity.py). A pixel of normal noise exceeds 4.6 once in 470,000 cases and 2.8
# once in 390; a 12 megapixel photo so brings some tens of false candidates, which the classification has to
# turn down.
SEED_SIGMA = 4.6
"""A candidate reaches this somewhere."""
GROW_SIGMA = 2.8
"""A candidate is all that hangs together above this."""
OTHER_LEVEL = 1.25
"""Growing threshold of the levels beside the one whose grid is used, as a multiple."""
SURE_SIGMA = 8.0
"""Candidates left out for want of room are reported when they reach this: fainter ones may be noise."""
MOST_CANDIDATES = 500
"""Candidates kept of one part of a photo (by hand: bounds time and memory)."""

# Strong compact parts, which the search for lines leaves out; on the grid of half the photo's size (by hand,
# origin unknown)
COMPACT_PEAK = 6.0
"""Their least peak, sd."""
SHORT, COMPACT_LONGEST = 5, 60
"""Up to the first side, samples, a part is compact whatever its shape; from the second on it never is."""
COMPACT_FILL = 0.22
"""Least share of its longest side's square that it fills; a line of width 1 fills less from 5 samples on."""
RIM, RIM_SHARE = 2, 4
"""Rim left round it, samples: so many and one for so many of its longest side."""

# A coarse candidate is dropped when a fine one stands for it: one whose middle lies in its box with this
# rim (px) and that is at least this share of it less so many px long (by hand, origin unknown)
INSIDE_RIM_PX, ALIKE_SHARE, ALIKE_PX = 2, 0.4, 4


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places that stand out, strongest first; N rows.

    box_px : int (N, 4) x, y, width, height; x_px, y_px : middle of the box; area_px : of the grown mask
    peak : highest response in standard deviations; coarse : True where only the coarse scales saw it
    truncated : True when there were more than could be kept
    compact : int (M, 4) x0, y0, x1, y1 at half the photo's size: strong spots that are no lines (the search
        for lines leaves them out)
    """

    x_px: NDArray[np.float32]
    y_px: NDArray[np.float32]
    box_px: NDArray[np.int32]
    area_px: NDArray[np.float32]
    peak: NDArray[np.float32]
    coarse: NDArray[np.bool_]
    truncated: bool
    compact: NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.x_px.size)

    def take(self, rows: NDArray[np.intp]) -> Candidates:
        """Only these rows."""
        parts = (self.x_px[rows], self.y_px[rows], self.box_px[rows], self.area_px[rows], self.peak[rows])
        return Candidates(*parts, self.coarse[rows], self.truncated, self.compact)


def find_spots(
    subtracted: BackgroundSubtracted, lighting: str, pyramid: Pyramid, most: int = MOST_CANDIDATES
) -> Candidates:
    """Everything that stands out of the noise, strongest first, at most `most` of them; none gives an empty
    result.

    In dark field only what is brighter than the background counts, in bright field what is darker too.
    """
    both_signs = lighting != DARK_FIELD
    box_f, area_f, peak_f, compact = _grow(pyramid, FINE_LEVELS, 1, both_signs)
    box_c, area_c, peak_c, _ = _grow(pyramid, COARSE_LEVELS[: max(0, len(pyramid.plain) - 2)], 2, both_signs)
    box, area = np.concatenate((box_f, box_c)), np.concatenate((area_f, area_c))
    peak = np.concatenate((peak_f, peak_c))
    is_coarse = np.arange(len(peak)) >= len(peak_f)
    keep = ~_explained(box, is_coarse)
    order = np.flatnonzero(keep)
    order = order[np.argsort(-peak[order], kind="stable")]
    truncated = order.size > most and bool(peak[order[most]] > SURE_SIGMA)
    order = order[:most]
    box = box[order]
    return Candidates(
        x_px=(box[:, 0] + box[:, 2] / 2).astype(np.float32),
        y_px=(box[:, 1] + box[:, 3] / 2).astype(np.float32),
        box_px=box.astype(np.int32),
        area_px=area[order].astype(np.float32),
        peak=peak[order].astype(np.float32),
        coarse=is_coarse[order],
        truncated=truncated,
        compact=compact,
    )


def _inside(image: NDArray[Any], limit: float, both_signs: bool) -> NDArray[np.uint8]:
    """255 where the signal lies within the limit."""
    if image.dtype == np.uint8:
        low = ZERO - limit * STEPS if both_signs else 0.0
        return np.asarray(cv2.inRange(image, low, ZERO + limit * STEPS), np.uint8)
    if both_signs:
        return np.asarray(cv2.inRange(image, -limit, limit), np.uint8)
    return np.asarray(cv2.compare(image, limit, cv2.CMP_LE), np.uint8)


def _grow(
    pyramid: Pyramid, levels: tuple[int, ...], base: int, both_signs: bool
) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32], NDArray[np.int32]]:
    """Boxes (photo px), areas (px2), peaks (sd) of the parts that hold a seed, and where the compact ones
    are.

    All on the grid of level `base`.
    """
    none = (np.zeros((0, 4), np.int64), np.zeros(0, np.float32), np.zeros(0, np.float32))
    if not levels or base >= len(pyramid.smooth):
        return *none, np.zeros((0, 4), np.int32)
    h, w = pyramid.smooth[base].shape
    low = np.zeros((h, w), np.uint8)
    for level in levels:
        limit = GROW_SIGMA * pyramid.sd[level] * (OTHER_LEVEL if level != base else 1.0)
        inside = _inside(pyramid.smooth[level], limit, both_signs)
        if level < base:
            inside = cv2.resize(inside[: h * 2, : w * 2], (w, h), interpolation=cv2.INTER_AREA)
        elif level > base:
            inside = cv2.resize(inside, (w, h), interpolation=cv2.INTER_NEAREST)
        low |= cv2.compare(inside, 255, cv2.CMP_LT)
    found = cv2.findNonZero(low)
    if found is None:
        return *none, np.zeros((0, 4), np.int32)
    xs, ys = found.reshape(-1, 2).T
    count, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(low, 8, cv2.CV_32S, cv2.CCL_BBDT)
    strength = np.zeros(ys.size, np.float32)
    for level in levels:
        image, sd = pyramid.smooth[level], pyramid.sd[level]
        if level < base:
            for oy in (0, 1):
                for ox in (0, 1):
                    values = (image[ys * 2 + oy, xs * 2 + ox].astype(np.float32) - ZERO) / STEPS
                    _raise(strength, values, sd, both_signs)
        else:
            up = 2 ** (level - base)
            at_y, at_x = np.minimum(ys // up, image.shape[0] - 1), np.minimum(xs // up, image.shape[1] - 1)
            _raise(strength, image[at_y, at_x], sd, both_signs)
    peak = np.zeros(count, np.float32)
    np.maximum.at(peak, labels[ys, xs], strength)
    keep = np.flatnonzero(peak >= SEED_SIGMA)
    row_of = np.full(count, -1)
    row_of[keep] = np.arange(keep.size)
    box, area, peak = stats[keep, :4].astype(np.int64), stats[keep, 4].astype(np.float32), peak[keep]
    compact = _compact(box, area, peak)
    inner = deblend(xs, ys, row_of[labels[ys, xs]], strength, box, area)
    box, area, peak = (np.concatenate(pair) for pair in zip((box, area, peak), inner, strict=True))
    size = 2**base
    return box * size, area * size * size, peak, compact


def _compact(
    box: NDArray[np.int64], area: NDArray[np.float32], peak: NDArray[np.float32]
) -> NDArray[np.int32]:
    """Boxes, with a rim, of strong parts that fill their longest side's square too well for a line."""
    longest = box[:, 2:].max(1)
    fills = area > COMPACT_FILL * longest.astype(np.float32) ** 2
    spot = (peak > COMPACT_PEAK) & ((longest <= SHORT) | fills) & (longest < COMPACT_LONGEST)
    x, y, w, h = box[spot].T
    rim = RIM + np.maximum(w, h) // RIM_SHARE
    corners = (np.maximum(x - rim, 0), np.maximum(y - rim, 0), x + w + rim, y + h + rim)
    return np.column_stack(corners).astype(np.int32)


def _raise(strength: NDArray[np.float32], values: NDArray[np.float32], sd: float, both_signs: bool) -> None:
    np.maximum(strength, (np.abs(values) if both_signs else values) / sd, out=strength)


def _explained(box: NDArray[np.int64], is_coarse: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Coarse candidates that a fine one of like size already stands for."""
    drop = np.zeros(len(box), bool)
    fine = box[~is_coarse]
    if not len(fine):
        return drop
    middle = fine[:, :2] + fine[:, 2:] / 2
    reach = fine[:, 2:].max(1)
    for i in np.flatnonzero(is_coarse):
        x, y, w, h = box[i]
        inside = (
            (middle[:, 0] > x - INSIDE_RIM_PX)
            & (middle[:, 0] < x + w + INSIDE_RIM_PX)
            & (middle[:, 1] > y - INSIDE_RIM_PX)
            & (middle[:, 1] < y + h + INSIDE_RIM_PX)
        )
        drop[i] = bool(np.any(inside & (reach >= ALIKE_SHARE * max(w, h) - ALIKE_PX)))
    return drop
