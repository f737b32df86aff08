"""The background-subtracted signal at falling resolution, with the noise of each level.

The pyramid halves the photo by area means; a 3 x 3 binomial kernel does the rest of a matched filter. The
noise of each level is taken from the photo itself, so noise that a phone's processing has smeared over
neighbours does not turn into finds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.results import BackgroundSubtracted, FloatImage

LEVELS = 5
"""The coarsest level has pixels of 16 photo pixels (by hand, origin unknown)."""
FIRST_COARSE = 2
"""From this level on the wider surroundings are taken off (by hand, origin unknown)."""
SURROUNDINGS = 17
"""Side of the square, samples of the level, whose mean is taken off a coarse level (by hand, origin
unknown)."""
LEAST_SIDE = 8
"""No level has a side of fewer samples (by hand)."""

# Level 0 is held as bytes: no signal is ZERO, one sd are STEPS. 128 leaves the same room on both sides; 12
# steps a sd make rounding a 40th of the noise (1 / 12 / sqrt(12) sd) and reach 10.6 sd, far beyond any
# threshold (derived).
ZERO, STEPS = 128.0, 12.0
STRIP_ROWS = 64
"""Rows worked on at once, so that a strip of a 12 megapixel photo stays in the processor's cache (by
hand)."""

NOISE_SAMPLES, FEWEST_SAMPLES = 30_000, 16
"""Samples that a noise is taken from, about and at least (by hand: the median of 30,000 is good to 1 %)."""
EVERY = 7
"""Level 0's noise is taken from every so manieth pixel: odd, so that it does not lock to JPEG's blocks of
8."""
MAD_TO_SD = 1.4826
"""Standard deviation over median absolute value of normal noise (Hampel, see `robust_sd`)."""
TAIL_SHARE, TAIL_SIGMA = 0.98, 2.326
"""A normal value lies within so many sd in 98 of 100 cases (any table of the normal distribution)."""
TAIL_MOST = 2.5
"""The tail counts for at most so many times the middle (by hand, origin unknown)."""
LEAST_SD = 1e-3
"""Noise is never taken to be smaller, in sd of a pixel: keeps a faultless picture from dividing by 0."""


@dataclass(frozen=True, slots=True)
class Pyramid:
    """The background-subtracted signal at falling resolution.

    plain : level k has pixels of 2**k photo pixels (area means)
    smooth : the same after a 3 x 3 binomial kernel, coarse ones with the wider surroundings taken off; level
        0 as bytes (uint8), see `_bytes_and_half`, the others float32
    sd : robust standard deviation of each `smooth`, from the photo's own quiet parts
    """

    plain: tuple[FloatImage, ...]
    smooth: tuple[NDArray[Any], ...]
    sd: tuple[float, ...]


def build_pyramid(subtracted: BackgroundSubtracted, levels: int = LEVELS) -> Pyramid:
    """Halve the signal `levels` - 1 times and measure the noise of each level; fewer levels where a side
    would fall below `LEAST_SIDE` samples.
    """
    coded, half = _bytes_and_half(subtracted.signal)
    plain: list[FloatImage] = [subtracted.signal]
    for _ in range(levels - 1):
        last = plain[-1]
        h, w = last.shape[0] // 2 * 2, last.shape[1] // 2 * 2
        if min(h, w) < LEAST_SIDE:
            break
        smaller = half if len(plain) == 1 else _halved(last[:h, :w])
        plain.append(smaller)
    smooth: list[NDArray[Any]] = [coded]
    sd = [
        robust_sd(
            (smooth[0][2::EVERY, 2::EVERY].astype(np.float32) - ZERO) / STEPS,
            subtracted.mask[2::EVERY, 2::EVERY],
            1,
        )
    ]
    for level, image in enumerate(plain[1:], start=1):
        soft = cv2.GaussianBlur(image, (3, 3), 0)
        if level >= FIRST_COARSE:
            cv2.subtract(soft, cv2.blur(image, (SURROUNDINGS, SURROUNDINGS)), dst=soft)
        smooth.append(soft)
        sd.append(robust_sd(soft, subtracted.mask, 2**level))
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


def robust_sd(image: FloatImage, mask: NDArray[np.uint8], shrink: int, samples: int = NOISE_SAMPLES) -> float:
    """Standard deviation of the quiet part: 1.4826 x median |value| over a grid of unmasked pixels, or what
    the tail shows if that is more (noise that JPEG has gathered in blocks has a heavy tail), but at most
    `TAIL_MOST` times as much: where marks cover more than the tail's share of a field, the tail is theirs.
    1.0 where fewer than `FEWEST_SAMPLES` samples lie inside the mask.

    image : shape (h, w), one sample for shrink x shrink pixels of mask; mask : uint8, shape (H, W)

    1.4826 makes the median absolute deviation consistent for normal noise: F. R. Hampel, "The influence
    curve and its role in robust estimation", J. Amer. Statist. Assoc. 69 (1974).
    """
    step = max(1, int(np.sqrt(image.size / samples)))
    take = image[step // 2 :: step, step // 2 :: step]
    rows = np.minimum(np.arange(step // 2, image.shape[0], step) * shrink, mask.shape[0] - 1)
    cols = np.minimum(np.arange(step // 2, image.shape[1], step) * shrink, mask.shape[1] - 1)
    good = take[mask[np.ix_(rows, cols)] > 0]
    if good.size < FEWEST_SAMPLES:
        return 1.0
    places = [good.size // 2, int(TAIL_SHARE * (good.size - 1))]
    size = np.partition(np.abs(good), places)
    middle = MAD_TO_SD * float(size[places[0]])
    tail = float(size[places[1]]) / TAIL_SIGMA
    return max(middle, min(tail, TAIL_MOST * middle), LEAST_SD)
