"""Lines fitted to rough paths: centred on their ridges, cut at their ends, measured along and across."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.pyramid import Pyramid
from vision.geometry.shapes import densify

Array = NDArray[Any]
Rough = tuple[Array, float, float, int]
"""Path (M, 2) in photo px, sign, height of the strongest stretch (sd), gaps bridged."""

# All in photo px and by hand, origin unknown, where nothing else is said. The profile across is what the
# features of `line_features` read, so the weights were fitted on it.
ACROSS_HALF_PX, ACROSS_STEP_PX = 8.0, 0.5
"""The profile across a line: how far to either side, in which steps."""
OFFSETS = np.arange(-ACROSS_HALF_PX, ACROSS_HALF_PX + ACROSS_STEP_PX / 2, ACROSS_STEP_PX, dtype=np.float32)
NEAR_PX, BESIDE_PX = 1.0, 4.4
"""A line's own light lies within the first of its middle, what is beside it beyond the second."""
NEAR, BESIDE = np.abs(OFFSETS) <= NEAR_PX, np.abs(OFFSETS) > BESIDE_PX
LEFT, RIGHT = OFFSETS < -BESIDE_PX, OFFSETS > BESIDE_PX

LENGTHEN_PX, LENGTHEN_BY_STEPS = 24.0, 12
"""Both ends are run on straight so far, in the direction of their last so many steps."""
REACHES_PX = (3.5, 2.0)
"""How far from the path its ridge may lie, in the first and the second centring."""
CLIP_SIGMA = 4.0
"""A single sample counts for at most so many sd when the ridge is looked for."""
RIDGE_FLOOR = 0.35
"""Samples below this share of the highest of their row have no part in the ridge's place."""
LEAST_WINDOW, MOST_WINDOW, WINDOW_SHARE = 5, 41, 4
"""Steps along the path that the ridge's place is smoothed over: one for so many of its length, between
these."""
DIRECTION_STEPS = 4
"""The direction of a path is taken over so many steps to either side."""

SHORTEST_PX = 9.0
"""No shorter line is kept: spots are a matter for the search for spots."""
LEAST_FITTED_SIGMA, LEAST_ALONG = 8.0, 0.35
"""Least height of the whole fitted line, sd of a matched sum, and of its mean, sd of a sample: a path that
follows noise gains height by length, not contrast."""

SMOOTH_PX, LEAST_SMOOTH, SMOOTH_SHARE = 15, 3, 8
"""Steps that the course of a line's height is smoothed over when its ends are looked for: at most, at least,
and one for so many of its length."""
LIT_SHARE, BODY_QUANTILE = 0.5, 0.9
"""Lit are steps of this share of what the given quantile is; their median is the body of the line."""
INSIDE_SHARE, INSIDE_SIGMA = 0.4, 2.0
"""A step is inside from this share of the body, and so many sd of the smoothed noise on."""
END_SHARE, LEAST_END_STEPS, MOST_END_STEPS, END_STEPS_SHARE = 0.5, 4, 30, 4
"""A line ends where it falls to this share of what it is just further in: over one step for so many of its
length, between these. Half height, as for outlines."""
MAD_TO_SD = 1.4826
"""Standard deviation over median absolute deviation of normal noise (derived)."""
AT_ONCE = 20_000
"""Rows of one call of `cv2.remap`, which takes at most 32,767."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line in photo pixels.

    path_px : (M, 2) at about 1 px steps; length_px : arc length; sign : +1 brighter, -1 darker
    along : (M,) height at each step, averaged over the line's own width, in noise sd of one pixel
    across : mean profile across the line, -8 to 8 px in steps of 0.5, in noise sd
    height : of the whole line as one matched sum, in sd; seed : of its strongest straight stretch
    joined : number of gaps bridged
    """

    path_px: Array
    length_px: float
    sign: float
    along: Array
    across: Array
    height: float
    seed: float
    joined: int


def fit_lines(pyramid: Pyramid, rough: list[Rough]) -> list[Line | None]:
    """Centre rough paths on their lines, find the ends, and measure along and across; None where nothing is
    left.

    rough : path (photo px), sign, height of the strongest stretch, gaps bridged
    All lines share each sampling of the photo, because a call costs more than the samples of one line.
    """
    if not rough:
        return []
    paths = [_lengthen(densify(path, 1.0), LENGTHEN_PX) for path, _, _, _ in rough]
    for reach in REACHES_PX:
        rows, course = _strips(pyramid.plain[0], paths)
        for i, (_, sign, _, _) in enumerate(rough):
            shift = _ridge(np.clip(sign * rows[i], -CLIP_SIGMA, CLIP_SIGMA), reach)
            paths[i] = paths[i] + np.column_stack((-course[i][:, 1], course[i][:, 0])) * shift[:, None]
    rows, _ = _strips(pyramid.plain[0], paths)
    return [_finish(path, one[1] * row, one) for path, row, one in zip(paths, rows, rough, strict=True)]


def _strips(image: Array, paths: list[Array]) -> tuple[list[Array], list[Array]]:
    """Samples (M, K) across each path of equal steps, and its smoothed directions (M, 2), unit length."""
    counts = [len(path) for path in paths]
    every = np.concatenate(paths)
    ahead, behind = every.copy(), every.copy()
    far = DIRECTION_STEPS
    ahead[:-far], behind[far:] = every[far:], every[:-far]
    first = np.concatenate(([0], np.cumsum(counts)))
    for a, b in itertools.pairwise(first):  # no direction reaches into the next path
        n = min(far, b - a - 1)
        ahead[b - n - 1 : b], behind[a : a + n + 1] = every[b - 1], every[a]
    course = ahead - behind
    course /= np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-6)[:, None]
    x = every[:, 0, None] - course[:, 1, None] * OFFSETS - 0.5
    y = every[:, 1, None] + course[:, 0, None] * OFFSETS - 0.5
    x, y = x.astype(np.float32), y.astype(np.float32)
    parts = [
        cv2.remap(image, x[k : k + AT_ONCE], y[k : k + AT_ONCE], cv2.INTER_LINEAR)
        for k in range(0, len(every), AT_ONCE)
    ]
    return np.split(np.concatenate(parts), first[1:-1]), np.split(course, first[1:-1])


def _finish(path: Array, rows: Array, rough: Rough) -> Line | None:
    _, sign, seed, joined = rough
    # a line stands out from both its sides; the border of something wide only from one
    brighter = LEFT if rows[:, LEFT].mean() > rows[:, RIGHT].mean() else RIGHT
    along = rows[:, NEAR].mean(1) - rows[:, brighter].mean(1)
    first, last = _ends(along)
    if last - first < SHORTEST_PX:
        return None
    path, rows, along = path[first : last + 1], rows[first : last + 1], along[first : last + 1]
    path = densify(path, 1.0)
    noise = np.sqrt(max(float(np.var(rows[:, BESIDE])), 1e-6))
    height = float(along.mean() * np.sqrt(len(along) * 2.0) / noise)
    if height < LEAST_FITTED_SIGMA or float(along.mean()) < LEAST_ALONG * noise:
        return None
    seg = np.hypot(*np.diff(path, axis=0).T)
    return Line(path, float(seg.sum()), sign, along, rows.mean(0), height, seed, joined)


def _lengthen(path: Array, extra: float) -> Array:
    """Run both ends on straight, so that an end which the walker missed can be found."""
    k = min(LENGTHEN_BY_STEPS, len(path) - 1)
    if k < 1:
        return path
    steps = np.arange(1, int(extra) + 1, dtype=np.float32)[:, None]
    head, tail = path[0] - path[k], path[-1] - path[-1 - k]
    head = head / max(float(np.hypot(*head)), 1e-6)
    tail = tail / max(float(np.hypot(*tail)), 1e-6)
    return np.concatenate(((path[0] + head * steps)[::-1], path, path[-1] + tail * steps)).astype(np.float32)


def _ridge(rows: Array, reach: float) -> Array:
    """Sideways distance (M,) from the path to the ridge of its strip, smoothed along the path."""
    window = max(LEAST_WINDOW, min(MOST_WINDOW, len(rows) // WINDOW_SHARE) | 1)
    soft = cv2.blur(rows.astype(np.float32), (3, window), borderType=cv2.BORDER_REPLICATE)
    near = np.abs(OFFSETS) <= reach
    part = soft[:, near]
    floor = np.maximum(soft[:, BESIDE].mean(1, keepdims=True), RIDGE_FLOOR * part.max(1, keepdims=True))
    weight = np.clip(part - floor, 0, None)
    total = weight.sum(1)
    shift = np.where(total > 1e-3, (weight * OFFSETS[near]).sum(1) / np.maximum(total, 1e-3), 0.0)
    smooth = cv2.blur(shift[:, None].astype(np.float32), (1, window), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(smooth[:, 0])


def _ends(along: Array) -> tuple[int, int]:
    """First and last step of the line: where the signal rises to half of what it is just further in."""
    n = len(along)
    window = min(SMOOTH_PX, max(LEAST_SMOOTH, n // SMOOTH_SHARE) | 1)
    soft = cv2.blur(along[:, None].astype(np.float32), (1, window), borderType=cv2.BORDER_REFLECT)[:, 0]
    lit = np.flatnonzero(soft > LIT_SHARE * np.quantile(soft, BODY_QUANTILE))
    if not lit.size:
        return 0, 0
    noise = MAD_TO_SD * float(np.median(np.abs(np.diff(soft)))) + 1e-3
    body = float(np.median(soft[lit]))
    inside = np.flatnonzero(soft > max(INSIDE_SHARE * body, INSIDE_SIGMA * noise))
    if not inside.size:
        return 0, 0
    first, last = int(inside[0]), int(inside[-1])
    reach = int(np.clip((last - first) // END_STEPS_SHARE, LEAST_END_STEPS, MOST_END_STEPS))
    head = END_SHARE * float(np.median(soft[first : first + reach]))
    tail = END_SHARE * float(np.median(soft[max(last - reach, 0) : last + 1]))
    while first < last and soft[first] < head:
        first += 1
    while last > first and soft[last] < tail:
        last -= 1
    return first, last
