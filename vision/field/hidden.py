"""Places inside the covered part of the field at which a photo shows no glass, and why.

A sheet is judged by what was looked at; what lay under a tag, in a glare or past the photo's border was not.
Glare and border are holes in what a photo covers. Glass under a tag has a reason of its own: no sheet with
tags on it would ever be covered.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.results import Hidden

TAG, BLOWN_OUT, OUTSIDE = "tag", "blown_out", "outside"
MOST_BOXES = 400  # boxes a photo (by hand); a glare so ragged that it needs more is given as its bounding box

Floats = NDArray[np.float64]


def boxes_of(cells: NDArray[np.bool_], by: str, xs_mm: Floats, ys_mm: Floats) -> list[Hidden]:
    """Marked cells as boxes that do not overlap and hold no other cell.

    cells : shape (R, C); xs_mm, ys_mm : shape (C + 1,) and (R + 1,), the cells' borders
    """
    found = _rectangles(cells)
    if len(found) > MOST_BOXES:
        rows, columns = np.nonzero(cells)
        found = [(int(rows.min()), int(columns.min()), int(rows.max()) + 1, int(columns.max()) + 1)]
    return [
        Hidden(by, (float(xs_mm[c0]), float(ys_mm[r0]), float(xs_mm[c1]), float(ys_mm[r1])))
        for r0, c0, r1, c1 in found
    ]


def _rectangles(cells: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Runs of each row, drawn out downwards while the next row has the same run: (r0, c0, r1, c1)."""
    done: list[tuple[int, int, int, int]] = []
    growing: dict[tuple[int, int], int] = {}
    for row in range(len(cells) + 1):
        runs = _runs(cells[row]) if row < len(cells) else set()
        for run in [run for run in growing if run not in runs]:
            done.append((growing.pop(run), run[0], row, run[1]))
        for run in runs:
            growing.setdefault(run, row)
    return sorted(done)


def _runs(line: NDArray[np.bool_]) -> set[tuple[int, int]]:
    change = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
    return {(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)}
