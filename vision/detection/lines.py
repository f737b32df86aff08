"""Thin lines: found as long sums, followed over bends and gaps, fitted across, joined where broken."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.line_fits import Line, Rough, fit_lines
from vision.detection.line_joins import join
from vision.detection.line_sums import find_stretches
from vision.detection.line_tracing import trace_all
from vision.detection.pyramid import STRIP_ROWS, ZERO, Pyramid
from vision.detection.spots import Candidates
from vision.geometry.shapes import densify
from vision.results import DARK_FIELD

Array = NDArray[Any]

# The image that sums are taken of, at half the photo's size (by hand, origin unknown)
SMALLEST_SIDE = 32
"""Photos of fewer samples a side hold no line: the shortest sum is so long."""
WIDEST_SAMPLES = 7
"""Side of the square whose mean is taken off: what is wider is no line."""
CLIP_SIGMA = 3.0
"""A single sample counts for at most so many sd, so that no spot outweighs a line."""
UNIT_BITS, MOST_UNITS = 3, 500
"""A byte is 2 ** 3 units; a sample has at most so many, so that 64 of them fit into 16 bits (derived:
32,000)."""
LEAST_SD_UNITS, NO_SD_UNITS = 4.0, 32.0
"""The noise is taken to be at least the first, units; the second where a picture has none."""
EVERY = 7
"""The noise is taken from every so manieth sample: odd, so that it does not lock to JPEG's blocks of 8."""
MAD_TO_SD = 1.4826
"""Standard deviation over median absolute value of normal noise (derived)."""

# Which traced paths are fitted (by hand, origin unknown; halved and doubled in tests/bench/sensitivity.py)
LEAST_HEIGHT_SIGMA = 6.0
"""Least height of the whole path over what runs beside it, sd of a sum along it."""
LEAST_RISE_SIGMA = 0.7
"""Least mean height, sd of a sample: what is fainter lies far below what a person can see."""
BESIDE_SAMPLES = 3.0
"""How far beside the path it is compared with what is there, samples."""
BESIDE_NOISE = 1.22
"""Noise of the middle less the brighter of its two sides, over that of one sample: sqrt(1 + 1/2) (derived for
their mean; for the brighter one about right)."""
MOST_LINES = 40
"""Paths fitted of one part of a photo, and thin spots tried (by hand: bounds time)."""

# Which spots are tried as short lines (photo px; by hand, origin unknown)
THIN_PX = (9, 70)
"""From and to this longest side."""
THIN_FILL = 0.3
"""Filling less than this share of its longest side's square."""
THIN_FROM_SIGMA, THIN_CLIP_SIGMA, THIN_LIT_SIGMA, FEWEST_LIT = 2.0, 8.0, 0.5, 4
"""Its light is what exceeds the first, cut off at the second; its ends are those of samples over the third,
of which there are so many at least."""
AT_ONCE = 20_000
"""Rows of one call of `cv2.remap`, which takes at most 32,767."""


def find_lines(pyramid: Pyramid, lighting: str, seen: Candidates | None = None) -> list[Line]:
    """Every thin line that stands out, one entry each, strongest first.

    seen : the spots; strong compact ones are left out (their light would pass for short lines), thin ones
        are lines too short to have a long sum
    """
    if len(pyramid.plain) < 2 or min(pyramid.plain[1].shape) < SMALLEST_SIDE:
        return []
    fine, sd = _sharpen(pyramid)
    if seen is not None:
        for x, y, x1, y1 in seen.compact.tolist():
            fine[y:y1, x:x1] = 0
    stretches = find_stretches(fine, both_signs=lighting != DARK_FIELD)
    raw = trace_all(fine, sd, stretches)
    rough: list[Rough] = [
        (path * 2 + 1.0, sign, seed, 0) for path, sign, seed in _standing_out(fine, sd, raw)
    ]
    if seen is not None:
        rough += _thin_spots(pyramid, seen, lighting)
    return join(pyramid, [line for line in fit_lines(pyramid, rough) if line is not None])


def _thin_spots(pyramid: Pyramid, seen: Candidates, lighting: str) -> list[Rough]:
    """Rough paths along candidates that are long and thin: from end to end through the light's own axis."""
    longest = seen.box_px[:, 2:].max(1)
    thin = (longest >= THIN_PX[0]) & (longest <= THIN_PX[1])
    thin &= seen.area_px < THIN_FILL * longest.astype(float) ** 2
    out: list[Rough] = []
    for i in np.flatnonzero(thin & ~seen.coarse)[:MOST_LINES]:
        x, y, w, h = (int(v) for v in seen.box_px[i])
        patch = pyramid.plain[0][max(y - 1, 0) : y + h + 1, max(x - 1, 0) : x + w + 1]
        sign = 1.0 if lighting == DARK_FIELD or patch.max() > -patch.min() else -1.0
        light = np.clip(sign * patch - THIN_FROM_SIGMA, 0, THIN_CLIP_SIGMA)
        total = float(light.sum())
        if total <= 0:
            continue
        v, u = np.mgrid[0 : patch.shape[0], 0 : patch.shape[1]].astype(np.float32)
        mu, mv = float((light * u).sum()) / total, float((light * v).sum()) / total
        du, dv = u - mu, v - mv
        turn = 0.5 * np.arctan2(
            2 * float((light * du * dv).sum()), float((light * (du * du - dv * dv)).sum())
        )
        run = du * np.cos(turn) + dv * np.sin(turn)
        lit = run[light > THIN_LIT_SIGMA]
        if lit.size < FEWEST_LIT:
            continue
        middle = np.array([max(x - 1, 0) + mu + 0.5, max(y - 1, 0) + mv + 0.5])
        way = np.array([np.cos(turn), np.sin(turn)])
        ends = np.array([lit.min(), 0.5 * (lit.min() + lit.max()), lit.max()])
        path = (middle + ends[:, None] * way).astype(np.float32)
        out.append((path, sign, float(seen.peak[i]), 0))
    return out


def _standing_out(
    image: Array, sd: float, raw: list[tuple[Array, float, float]]
) -> list[tuple[Array, float, float]]:
    """The paths that are brighter (or darker) than what runs beside them, strongest first."""
    if not raw:
        return []
    dense = [densify(path, 1.0) for path, _, _ in raw]
    counts = np.array([len(path) for path in dense])
    every = np.concatenate(dense)
    course = np.concatenate([np.gradient(path, axis=0) if len(path) > 1 else path * 0 for path in dense])
    course /= np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-6)[:, None]
    off = np.array([-BESIDE_SAMPLES, 0.0, BESIDE_SAMPLES], np.float32)
    x = (every[:, 0, None] - course[:, 1, None] * off).astype(np.float32)
    y = (every[:, 1, None] + course[:, 0, None] * off).astype(np.float32)
    values = np.concatenate(
        [
            cv2.remap(image, x[k : k + AT_ONCE], y[k : k + AT_ONCE], cv2.INTER_LINEAR)
            for k in range(0, len(every), AT_ONCE)
        ]
    )
    first = np.concatenate(([0], np.cumsum(counts)[:-1]))
    sign = np.array([item[1] for item in raw])
    left, middle, right = (sign * np.add.reduceat(values[:, k], first) / counts for k in range(3))
    mean = (middle - np.maximum(left, right)) / sd
    height = mean * np.sqrt(counts) / BESIDE_NOISE
    order = np.argsort(-height, kind="stable")[:MOST_LINES]
    return [raw[i] for i in order if height[i] > LEAST_HEIGHT_SIGMA and mean[i] > LEAST_RISE_SIGMA]


def _sharpen(pyramid: Pyramid) -> tuple[NDArray[np.int16], float]:
    """Half-size signal without what is wider than a line, clipped so that no spot outweighs one; its noise.

    int16 (H // 2, W // 2), from the bytes of level 0: sums of 64 samples fit into 16 bits.
    """
    h, w = pyramid.plain[1].shape
    coded = cv2.resize(pyramid.smooth[0][: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(coded, (3, 3), 0)
    wide = cv2.blur(coded, (WIDEST_SAMPLES, WIDEST_SAMPLES))
    unit = 1 << UNIT_BITS
    some = unit * np.abs(soft[3::EVERY, 3::EVERY].astype(np.float32) - wide[3::EVERY, 3::EVERY])
    some = some[some > 0]
    sd = max(MAD_TO_SD * float(np.median(some)), LEAST_SD_UNITS) if some.size else NO_SD_UNITS
    limit = float(min(int(CLIP_SIGMA * sd), MOST_UNITS))
    fine = np.empty((h, w), np.int16)
    for y in range(0, h, STRIP_ROWS):  # strips stay in the processor's cache
        strip = slice(y, y + STRIP_ROWS)
        # taking the surroundings off gives a strong line two false neighbours of the other sign: where the
        # signal itself does not have that sign, nothing is left
        base = cv2.subtract(soft[strip], ZERO, dtype=cv2.CV_16S)
        base <<= UNIT_BITS
        most, least = cv2.min(cv2.max(base, 0.0), limit), cv2.max(cv2.min(base, 0.0), -limit)
        part = cv2.subtract(soft[strip], wide[strip], dtype=cv2.CV_16S)
        part <<= UNIT_BITS
        cv2.min(cv2.max(part, least), most, dst=fine[strip])
    return fine, sd
