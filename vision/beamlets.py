"""Sums along all straight stretches of 16, 32 and 64 samples at once.

The approximate discrete Radon transform in strips: W. A. Gotz and H. J. Druckmuller, "A fast digital Radon
transform", Pattern Recognition 29 (1996); M. L. Brady, SIAM J. Comput. 27 (1998). Each doubling of the
length joins two neighbouring stretches, so all slopes of a length cost one addition a pixel and doubling. A
line of 64 samples stands out although each of its samples is lost in the noise (8 times the signal to
noise).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LENGTH_LEVELS = (4, 5, 6)
THRESHOLDS = {4: 6.5, 5: 6.0, 6: 6.0}
MOST_PER_LEVEL = 1500
Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Stretches:
    """Straight stretches that stand out: ends (N, 2) as x, y samples (centres at whole numbers), height in
    sd, sign."""

    start: Array
    end: Array
    height: Array
    sign: Array
    length: Array


def find_stretches(image: NDArray[np.int16], both_signs: bool) -> Stretches:
    """All local best stretches of `image` (H, W), clipped and scaled to int16 so that 64 samples cannot
    overflow."""
    found: list[tuple[Array, Array, Array, Array, Array]] = []
    for upright in (False, True):
        base = image.T if upright else image
        for mirrored in (False, True):
            view = np.ascontiguousarray(base[::-1] if mirrored else base)
            for level, sums in _doublings(view):
                block, slope, row, height, sign = _peaks(sums, level, both_signs)
                size = 2**level
                x0 = (block * size).astype(np.float32)
                y0, y1 = row.astype(np.float32), (row + slope).astype(np.float32)
                if mirrored:
                    y0, y1 = view.shape[0] - 1 - y0, view.shape[0] - 1 - y1
                start, end = np.column_stack((x0, y0)), np.column_stack((x0 + size - 1, y1))
                if upright:
                    start, end = start[:, ::-1], end[:, ::-1]
                found.append((start, end, height, sign, np.full(len(row), size, np.float32)))
    start, end, height, sign, length = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Stretches(start, end, height, sign, length)


def _doublings(view: NDArray[np.int16]) -> list[tuple[int, NDArray[np.int16]]]:
    """Sums (blocks, slopes, rows) for each wanted length; slope s means the stretch ends s rows further
    down."""
    rows, columns = view.shape
    top = max(LENGTH_LEVELS)
    wide = -(-columns // 2**top) * 2**top
    work = np.zeros((wide, 1, rows), np.int16)
    work[:columns, 0] = view.T
    out = []
    for level in range(1, top + 1):
        left, right = work[0::2], work[1::2]
        joined = np.empty((left.shape[0], 2 * left.shape[1], rows), np.int16)
        for slope in range(joined.shape[1]):
            half, shift = slope // 2, (slope + 1) // 2
            joined[:, slope, : rows - shift] = left[:, half, : rows - shift] + right[:, half, shift:]
            joined[:, slope, rows - shift :] = 0
        work = joined
        if level in LENGTH_LEVELS:
            out.append((level, work))
    return out


def _peaks(
    sums: NDArray[np.int16], level: int, both_signs: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], Array, Array]:
    _, slopes, rows = sums.shape
    some = sums.reshape(-1)[:: max(1, sums.size // 50_000)]
    some = some[some != 0]
    sd = 1.4826 * float(np.median(np.abs(some))) if some.size > 100 else 1e9
    limit = max(int(THRESHOLDS[level] * sd), 1)
    hit = np.flatnonzero(sums > limit)
    if both_signs:
        hit = np.concatenate((hit, np.flatnonzero(sums < -limit)))
    values = sums.reshape(-1)[hit].astype(np.float32)
    height = np.abs(values) / max(sd, 1e-6)
    if hit.size > MOST_PER_LEVEL:
        top = np.argpartition(-height, MOST_PER_LEVEL)[:MOST_PER_LEVEL]
        hit, values, height = hit[top], values[top], height[top]
    block, rest = np.divmod(hit, slopes * rows)
    slope, row = np.divmod(rest, rows)
    keep = _local_best(block, row + slope / 2, height, 2**level)
    return block[keep], slope[keep], row[keep], height[keep], np.sign(values[keep]).astype(np.float32)


def _local_best(block: NDArray[np.intp], middle: Array, height: Array, size: int) -> NDArray[np.intp]:
    """The best stretch of each block and each band of rows a few samples high."""
    band = max(4, size // 8)
    keep = np.ones(block.size, bool)
    for offset in (0.0, 0.5):
        cell = block.astype(np.int64) * 1_000_000 + np.floor(middle / band + offset).astype(np.int64)
        order = np.lexsort((-height, cell))
        best = np.ones(order.size, bool)
        best[1:] = cell[order][1:] != cell[order][:-1]
        keep[order[~best]] = False
    return np.flatnonzero(keep)
