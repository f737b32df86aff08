"""Where something is: responses at several scales, joined by hysteresis.

A spot of any size stands out at the scale that fits it (matched filtering; the pyramid halves the photo by
area means, a 3 x 3 binomial kernel does the rest). The noise of each scale is taken from the photo itself,
so noise that a phone's processing has smeared over neighbours does not turn into finds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.entangled import parts_inside
from vision.results import DARK_FIELD, Flat, FloatImage

FINE_LEVELS = (0, 1)
COARSE_LEVELS = (2, 3, 4)
SEED_SIGMA = 4.6
GROW_SIGMA = 2.8
SURE_SIGMA = 8.0
ZERO, STEPS, STRIP_ROWS = 128.0, 12.0, 64
MOST_CANDIDATES = 500
TAIL_SHARE, TAIL_SIGMA = 0.98, 2.326  # a normal value is that many sd from 0 in 98 of 100 cases
TAIL_MOST = 2.5


@dataclass(frozen=True, slots=True)
class Pyramid:
    """The flattened signal at falling resolution.

    plain : level k has pixels of 2**k photo pixels (area means)
    smooth : the same after a 3 x 3 binomial kernel, coarse ones with the wider surroundings taken off;
        level 0 as
        bytes, see `_bytes_and_half`
    sd : robust standard deviation of each `smooth`, from the photo's own quiet parts
    """

    plain: tuple[FloatImage, ...]
    smooth: tuple[NDArray[Any], ...]
    sd: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places that stand out, strongest first; N rows.

    box_px : int (N, 4) x, y, width, height; x_px, y_px : middle of the box; area_px : of the grown mask
    peak : highest response in standard deviations; coarse : True where only the coarse scales saw it
    cut : True when there were more than could be kept
    compact : int (M, 4) x0, y0, x1, y1 at half the photo's size: strong spots that are no lines (the search
        for lines leaves them out)
    """

    x_px: NDArray[np.float32]
    y_px: NDArray[np.float32]
    box_px: NDArray[np.int32]
    area_px: NDArray[np.float32]
    peak: NDArray[np.float32]
    coarse: NDArray[np.bool_]
    cut: bool
    compact: NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.x_px.size)

    def take(self, rows: NDArray[np.intp]) -> Candidates:
        """Only these rows."""
        parts = (self.x_px[rows], self.y_px[rows], self.box_px[rows], self.area_px[rows], self.peak[rows])
        return Candidates(*parts, self.coarse[rows], self.cut, self.compact)


def build_pyramid(flat: Flat, levels: int = 5) -> Pyramid:
    """Halve the signal `levels` - 1 times and measure the noise of each level."""
    coded, half = _bytes_and_half(flat.signal)
    plain: list[FloatImage] = [flat.signal]
    for _ in range(levels - 1):
        last = plain[-1]
        h, w = last.shape[0] // 2 * 2, last.shape[1] // 2 * 2
        if min(h, w) < 8:
            break
        smaller = half if len(plain) == 1 else _halved(last[:h, :w])
        plain.append(smaller)
    smooth: list[NDArray[Any]] = [coded]
    sd = [robust_sd((smooth[0][2::7, 2::7].astype(np.float32) - ZERO) / STEPS, flat.mask[2::7, 2::7], 1)]
    for level, image in enumerate(plain[1:], start=1):
        soft = cv2.GaussianBlur(image, (3, 3), 0)
        if level >= COARSE_LEVELS[0]:
            cv2.subtract(soft, cv2.blur(image, (17, 17)), dst=soft)
        smooth.append(soft)
        sd.append(robust_sd(soft, flat.mask, 2**level))
    return Pyramid(tuple(plain), tuple(smooth), tuple(sd))


def _bytes_and_half(signal: FloatImage) -> tuple[NDArray[np.uint8], FloatImage]:
    """The full-size signal smoothed, as bytes (`ZERO` is no signal, `STEPS` are one sd: a quarter of the
    traffic), and the signal at half its size.
    """
    h, w = signal.shape
    coded = np.empty((h, w), np.uint8)
    half = np.empty((h // 2, w // 2), np.float32)
    for y in range(0, h, STRIP_ROWS):  # strips stay in the processor's cache
        strip = signal[y : y + STRIP_ROWS]
        cv2.convertScaleAbs(
            cv2.max(strip, -ZERO / STEPS), dst=coded[y : y + STRIP_ROWS], alpha=STEPS, beta=ZERO
        )
        rows, columns = strip.shape[0] // 2 * 2, w // 2 * 2
        if min(rows, columns):
            half[y // 2 : (y + rows) // 2] = _halved(strip[:rows, :columns])
    return np.asarray(cv2.GaussianBlur(coded, (3, 3), 0), np.uint8), half


def _halved(image: FloatImage) -> FloatImage:
    h, w = image.shape
    return np.asarray(cv2.resize(image, (w // 2, h // 2), interpolation=cv2.INTER_AREA), np.float32)


def robust_sd(image: FloatImage, mask: NDArray[np.uint8], shrink: int, samples: int = 30_000) -> float:
    """Standard deviation of the quiet part: 1.4826 x median |value| over a grid of unmasked pixels, or what
    the tail says if that is more (noise that JPEG has gathered in blocks has a heavy tail), but at most
    `TAIL_MOST` times as much: where marks cover more than the tail's share of a field, the tail is theirs.

    1.4826 makes the median absolute deviation consistent for normal noise: F. R. Hampel, "The influence
    curve and its role in robust estimation", J. Amer. Statist. Assoc. 69 (1974).
    """
    step = max(1, int(np.sqrt(image.size / samples)))
    take = image[step // 2 :: step, step // 2 :: step]
    rows = np.minimum(np.arange(step // 2, image.shape[0], step) * shrink, mask.shape[0] - 1)
    cols = np.minimum(np.arange(step // 2, image.shape[1], step) * shrink, mask.shape[1] - 1)
    good = take[mask[np.ix_(rows, cols)] > 0]
    if good.size < 16:
        return 1.0
    places = [good.size // 2, int(TAIL_SHARE * (good.size - 1))]
    size = np.partition(np.abs(good), places)
    middle = 1.4826 * float(size[places[0]])
    tail = float(size[places[1]]) / TAIL_SIGMA
    return max(middle, min(tail, TAIL_MOST * middle), 1e-3)


def find_spots(flat: Flat, lighting: str, pyramid: Pyramid, most: int = MOST_CANDIDATES) -> Candidates:
    """Everything that stands out of the noise, strongest first, at most `most` of them."""
    both_signs = lighting != DARK_FIELD
    box_f, area_f, peak_f, compact = _grow(pyramid, FINE_LEVELS, 1, both_signs)
    box_c, area_c, peak_c, _ = _grow(pyramid, COARSE_LEVELS[: max(0, len(pyramid.plain) - 2)], 2, both_signs)
    box, area = np.concatenate((box_f, box_c)), np.concatenate((area_f, area_c))
    peak = np.concatenate((peak_f, peak_c))
    is_coarse = np.arange(len(peak)) >= len(peak_f)
    keep = ~_explained(box, is_coarse)
    order = np.flatnonzero(keep)
    order = order[np.argsort(-peak[order], kind="stable")]
    cut = order.size > most and bool(peak[order[most]] > SURE_SIGMA)
    order = order[:most]
    box = box[order]
    return Candidates(
        x_px=(box[:, 0] + box[:, 2] / 2).astype(np.float32),
        y_px=(box[:, 1] + box[:, 3] / 2).astype(np.float32),
        box_px=box.astype(np.int32),
        area_px=area[order].astype(np.float32),
        peak=peak[order].astype(np.float32),
        coarse=is_coarse[order],
        cut=cut,
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
        limit = GROW_SIGMA * pyramid.sd[level] * (1.25 if level != base else 1.0)
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
    inner = parts_inside(xs, ys, row_of[labels[ys, xs]], strength, box, area)
    box, area, peak = (np.concatenate(pair) for pair in zip((box, area, peak), inner, strict=True))
    size = 2**base
    return box * size, area * size * size, peak, compact


def _compact(
    box: NDArray[np.int64], area: NDArray[np.float32], peak: NDArray[np.float32]
) -> NDArray[np.int32]:
    """Boxes, with a rim, of strong parts that fill their longest side's square too well for a line."""
    longest = box[:, 2:].max(1)
    spot = (peak > 6) & ((longest <= 5) | (area > 0.22 * longest.astype(np.float32) ** 2)) & (longest < 60)
    x, y, w, h = box[spot].T
    rim = 2 + np.maximum(w, h) // 4
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
            (middle[:, 0] > x - 2)
            & (middle[:, 0] < x + w + 2)
            & (middle[:, 1] > y - 2)
            & (middle[:, 1] < y + h + 2)
        )
        drop[i] = bool(np.any(inside & (reach >= 0.4 * max(w, h) - 4)))
    return drop
