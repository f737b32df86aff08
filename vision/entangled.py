"""Spots that hang together with something larger: a bubble under a finger mark, a stone that a fibre touches.

A connected part that is large or sprawls is cut again at rising heights; what stands up out of it as a
compact part of its own is a candidate beside it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
LARGE, SPRAWLING, FILLED = 24, 7, 0.45  # longest side in samples of the grid; share of the box that is filled
RISES = (1.6, 2.5, 4.0, 6.3, 10.0)  # heights to cut at, in medians of the part's own
TALLER = 1.4  # than the cut, so that a ripple on a plateau is none
SMALLER = 0.4  # than the whole part
ROUND = 3.0  # longest over shortest side at most
LEAST_FILL, LEAST_BOX = 0.35, 4  # of the box, holes filled: a ring counts whole; samples
MOST_OUTLINES = 300
ALIKE = 1.6  # ratio of sides up to which two parts in one place are one
MOST_EACH, MOST_WHOLE = 6, 40
Found = tuple[Array, Array, Array]


def parts_inside(xs: Array, ys: Array, owner: Array, strength: Array, box: Array, area: Array) -> Found:
    """Boxes (N, 4) x, y, width, height, areas and peaks of compact parts inside large or sprawling ones.

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
    return gap < 0.35 * max(a, b) + 1 and max(a, b) < ALIKE * min(a, b) + 1
