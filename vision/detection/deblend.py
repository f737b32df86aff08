"""Deblending: spots that hang together with something larger, a bubble under a finger mark, a stone that a
fibre touches.

A connected part that is large or sprawls is cut again at rising heights; what stands up out of it as a
compact part of its own is a candidate beside it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Found = tuple[Array, Array, Array]

# Which parts are cut again (samples of the grid; by hand, origin unknown)
LARGE = 24
"""Every part whose longest side has so many samples, and"""
SPRAWLING, FILLED = 7, 0.45
"""every part of so many samples that fills less than this share of its box."""

# How they are cut (by hand, origin unknown)
RISES = (1.6, 2.5, 4.0, 6.3, 10.0)
"""Heights to cut at, in medians of the part's own heights: five a decade, so that few bumps are stepped
over."""
TALLER = 1.4
"""A piece is at least so many times as tall as the cut: a ripple on a plateau is none."""

# Which pieces are candidates of their own (by hand, origin unknown)
SMALLER = 0.4
"""Longest side over that of the whole part, at most."""
ROUND = 3.0
"""Longest over shortest side, at most: longer ones are lines."""
LEAST_FILL, LEAST_BOX = 0.35, 4
"""Least share of its box that a piece fills, holes filled so that a ring counts whole; least box, samples."""
SAME_GAP, SAME_GAP_SAMPLES = 0.35, 1.0
"""Two pieces are in one place when their middles are nearer than this share of the larger, and so many
samples."""
ALIKE, ALIKE_SAMPLES = 1.6, 1.0
"""Two pieces are of one size up to this ratio of their longest sides, and so many samples."""

# Bounds of time and memory (by hand)
MOST_OUTLINES, MOST_EACH, MOST_WHOLE = 300, 6, 40
"""Pieces of one cut looked at, candidates of one part, parts that are cut."""


def deblend(xs: Array, ys: Array, owner: Array, strength: Array, box: Array, area: Array) -> Found:
    """Boxes int (N, 4) x, y, width, height, areas float32 (N,) and peaks float32 (N,) of compact pieces
    inside large or sprawling parts; N = 0 where there are none.

    Cutting at several heights is multi-threshold deblending (E. Bertin and S. Arnouts, Astronomy and
    Astrophysics Supplement 117 (1996)); here the compact pieces count, not the tree of all.

    xs, ys, strength : of every sample above the growing limit; owner : the row of `box` that it belongs to,
        -1 for none; box, area : of the connected parts. All on one grid.
    """
    longest = box[:, 2:].max(1) if len(box) else np.zeros(0, int)
    fill = area / np.maximum(box[:, 2] * box[:, 3], 1) if len(box) else np.zeros(0)
    wanted = np.flatnonzero((longest >= LARGE) | ((longest >= SPRAWLING) & (fill < FILLED)))
    wanted = wanted[np.argsort(-longest[wanted], kind="stable")][:MOST_WHOLE]
    out: list[tuple[list[int], float, float]] = []
    if wanted.size:
        order = np.argsort(owner, kind="stable")
        first = np.searchsorted(owner[order], wanted)
        last = np.searchsorted(owner[order], wanted, side="right")
        for k, a, b in zip(wanted, first, last, strict=True):
            some = order[a:b]
            out += _cut(xs[some], ys[some], strength[some], box[k])
    if not out:
        return np.zeros((0, 4), np.int64), np.zeros(0, np.float32), np.zeros(0, np.float32)
    boxes, areas, peaks = zip(*out, strict=True)
    return np.array(boxes, np.int64), np.array(areas, np.float32), np.array(peaks, np.float32)


def _cut(xs: Array, ys: Array, strength: Array, whole: Array) -> list[tuple[list[int], float, float]]:
    """Compact parts of one connected part, the tallest first."""
    x0, y0, w, h = (int(v) for v in whole)
    height = np.zeros((h, w), np.float32)
    height[ys - y0, xs - x0] = strength
    middle = float(np.median(strength))
    found: list[tuple[list[int], float, float]] = []
    for rise in RISES:
        cut = rise * middle
        if float(strength.max()) < TALLER * cut:
            break
        mask = cv2.morphologyEx((height > cut).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for outline in outlines[:MOST_OUTLINES]:
            a, b, c, d = (int(v) for v in cv2.boundingRect(outline))
            if max(c, d) > SMALLER * max(w, h) or max(c, d) > ROUND * min(c, d) or c * d < LEAST_BOX:
                continue
            # samples on and inside an outline: its area, half its border and one (G. Pick, 1899)
            filled = cv2.contourArea(outline) + len(outline) / 2 + 1
            tallest = float(height[b : b + d, a : a + c].max())
            if filled >= LEAST_FILL * c * d and tallest >= TALLER * cut:
                found.append(([x0 + a, y0 + b, c, d], float(filled), tallest))
    # the widest cut that stands alone shows a part whole, so it comes first among those of one place
    found.sort(key=lambda part: (-part[2], -max(part[0][2:])))
    kept: list[tuple[list[int], float, float]] = []
    for part in found:
        if not any(_same(part[0], other) for other, _, _ in kept):
            kept.append(part)
        if len(kept) == MOST_EACH:
            break
    return kept


def _same(one: list[int], other: list[int]) -> bool:
    """Whether two boxes stand for one thing: in one place and of like size."""
    a, b = max(one[2:]), max(other[2:])
    gap = max(abs(one[k] + one[k + 2] / 2 - other[k] - other[k + 2] / 2) for k in (0, 1))
    near = gap < SAME_GAP * max(a, b) + SAME_GAP_SAMPLES
    return near and max(a, b) < ALIKE * min(a, b) + ALIKE_SAMPLES
