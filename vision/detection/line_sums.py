"""Sums along all straight stretches of 32 and 64 samples at once.

The approximate discrete Radon transform in strips: W. A. Gotz and H. J. Druckmuller, "A fast digital Radon
transform", Pattern Recognition 29 (1996); M. L. Brady, SIAM J. Comput. 27 (1998). Each doubling of the
length joins two neighbouring stretches, so all slopes of a length cost one addition a pixel and doubling. A
line of 64 samples stands out although each of its samples is lost in the noise (8 times the signal to
noise).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

LENGTH_LEVELS = (5, 6)
THRESHOLDS = {5: 6.2, 6: 6.2}
MOST_AT_ONCE = 800
MOST_STRETCHES = 1500
BLOCKS_AT_ONCE = 4
SAMPLE = 6000
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
    size = 2 ** max(LENGTH_LEVELS)
    for upright in (False, True):
        turned = image if upright else cv2.transpose(image)
        for mirrored in (False, True):
            lanes = np.ascontiguousarray(turned[:, ::-1]) if mirrored else turned
            for first in range(0, len(lanes), size * BLOCKS_AT_ONCE):
                for level, sums in _doublings(lanes[first : first + size * BLOCKS_AT_ONCE]):
                    block, slope, row, height, sign = _peaks(sums, level, both_signs)
                    if not len(row):
                        continue
                    step = 2**level
                    x0 = (first + block * step).astype(np.float32)
                    y0, y1 = row.astype(np.float32), (row + slope).astype(np.float32)
                    if mirrored:
                        y0, y1 = lanes.shape[1] - 1 - y0, lanes.shape[1] - 1 - y1
                    start, end = np.column_stack((x0, y0)), np.column_stack((x0 + step - 1, y1))
                    if upright:
                        start, end = start[:, ::-1], end[:, ::-1]
                    found.append((start, end, height, sign, np.full(len(row), step, np.float32)))
    if not found:
        none, pairs = np.zeros(0, np.float32), np.zeros((0, 2), np.float32)
        return Stretches(pairs, pairs, none, none, none)
    start, end, height, sign, length = (np.concatenate(parts) for parts in zip(*found, strict=True))
    if len(height) > MOST_STRETCHES:
        top = np.argpartition(-height, MOST_STRETCHES)[:MOST_STRETCHES]
        start, end, height, sign, length = start[top], end[top], height[top], sign[top], length[top]
    return Stretches(start, end, height, sign, length)


def _doublings(lanes: NDArray[np.int16]) -> list[tuple[int, NDArray[np.int16]]]:
    """Sums (blocks, slopes, rows) for each wanted length; slope s means the stretch ends s rows further down.

    lanes : (steps along the stretch, rows); a few blocks at a time, so that all of it stays in the
        processor's cache
    """
    steps, rows = lanes.shape
    top = max(LENGTH_LEVELS)
    wide = -(-steps // 2**top) * 2**top
    if wide == steps:
        work = lanes[:, None, :]
    else:
        work = np.zeros((wide, 1, rows), np.int16)
        work[:steps, 0] = lanes
    out = []
    for level in range(1, top + 1):
        left, right = work[0::2], work[1::2]
        joined = np.empty((left.shape[0], 2 * left.shape[1], rows), np.int16)
        for slope in range(joined.shape[1]):
            half, shift = slope // 2, (slope + 1) // 2
            np.add(
                left[:, half, : rows - shift], right[:, half, shift:], out=joined[:, slope, : rows - shift]
            )
            joined[:, slope, rows - shift :] = 0
        work = joined
        if level in LENGTH_LEVELS:
            out.append((level, work))
    return out


def _peaks(
    sums: NDArray[np.int16], level: int, both_signs: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], Array, Array]:
    _, slopes, rows = sums.shape
    flat = sums.reshape(-1)
    some = flat[:: max(1, flat.size // SAMPLE) | 1]
    some = some[some != 0]
    sd = 1.4826 * float(np.median(np.abs(some))) if some.size > 100 else 1e4
    limit = min(max(int(THRESHOLDS[level] * sd), 1), 16_000)
    if both_signs:
        # shifted so that -limit..limit becomes 0..2 limit: one comparison without sign serves both
        hit = np.flatnonzero((flat + np.int16(limit)).view(np.uint16) > 2 * limit)
    else:
        hit = np.flatnonzero(flat > limit)
    values = flat[hit].astype(np.float32)
    height = np.abs(values) / max(sd, 1e-6)
    if hit.size > MOST_AT_ONCE:
        top = np.argpartition(-height, MOST_AT_ONCE)[:MOST_AT_ONCE]
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
