"""Following thin lines from where they stand out, over bends and gaps, and fitting their course.

A walker looks ahead along a fan of directions, takes the strongest, steps, and looks again; all walkers
move together.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.line_sums import Stretches
from vision.geometry.shapes import densify

Array = NDArray[Any]
SAMPLES = 20
OFFSETS = np.array([-1.2, -0.6, 0.0, 0.6, 1.2], np.float32)
TURNS = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0], np.float32)
KEEP_SIGMA = 3.0
RESUME_SIGMA = 4.2
MOST_ROUNDS = 8
MOST_SEEDS = 60


def clusters_of(seen: Stretches, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Number of the connected group that each stretch belongs to, on a canvas of half the size."""
    canvas = np.zeros((shape[0] // 2 + 1, shape[1] // 2 + 1), np.uint8)
    start, end = np.round(seen.start / 2).astype(int), np.round(seen.end / 2).astype(int)
    for (x0, y0), (x1, y1) in zip(start.tolist(), end.tolist(), strict=True):
        cv2.line(canvas, (x0, y0), (x1, y1), 255, 1)
    _, labels = cv2.connectedComponents(canvas, connectivity=8)
    x, y = np.clip((start + end) // 2, 0, [canvas.shape[1] - 1, canvas.shape[0] - 1]).T
    # a middle may fall beside the thin line by a sample
    group = np.max([labels[np.clip(y + dy, 0, canvas.shape[0] - 1), x] for dy in (-1, 0, 1)], axis=0)
    return np.asarray(2 * group + (seen.sign > 0), np.intp)


def trace_all(image: Array, sd: float, seen: Stretches) -> list[tuple[Array, float, float]]:
    """Paths (M, 2) in samples with sign and seed height, at most one for each line."""
    paths: list[tuple[Array, float, float]] = []
    if not seen.height.size:
        return paths
    group = clusters_of(seen, image.shape)
    open_ = np.ones(len(seen.height), bool)
    for _ in range(MOST_ROUNDS):
        seeds = _strongest(group, seen.height / np.sqrt(seen.length) * 8, seen.height, open_)
        if not seeds.size:
            break
        fresh = _walk_both(image, sd, seen, seeds)
        for seed, path in zip(seeds, fresh, strict=True):
            if not open_[seed]:
                continue
            open_[seed] = False
            if len(densify(path, 2.0)) < 2:  # the walk never left its seed: no line to follow
                continue
            paths.append((path, float(seen.sign[seed]), float(seen.height[seed])))
            _close(open_, seen, path, float(seen.sign[seed]))
    return paths


def _strongest(
    group: NDArray[np.intp], rank: Array, height: Array, open_: NDArray[np.bool_]
) -> NDArray[np.intp]:
    index = np.flatnonzero(open_)
    if not index.size:
        return index
    order = index[np.lexsort((-height[index], group[index]))]
    first = np.ones(order.size, bool)
    first[1:] = group[order][1:] != group[order][:-1]
    best = order[first]
    return best[np.argsort(-height[best], kind="stable")][:MOST_SEEDS]


def _close(open_: NDArray[np.bool_], seen: Stretches, path: Array, sign: float) -> None:
    """Take out the stretches that a path already runs along."""
    index = np.flatnonzero(open_)
    if not index.size:
        return
    lo, hi = path.min(0) - 6, path.max(0) + 6
    middle = (seen.start[index] + seen.end[index]) / 2
    near = np.all((middle >= lo) & (middle <= hi), axis=1)
    index, middle = index[near], middle[near]
    if not index.size:
        return
    dense = densify(path, 2.0)
    course = np.gradient(dense, axis=0)
    course /= np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-6)[:, None]
    gap = np.hypot(middle[:, None, 0] - dense[None, :, 0], middle[:, None, 1] - dense[None, :, 1])
    at = gap.argmin(1)
    along = seen.end[index] - seen.start[index]
    along = along / np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)[:, None]
    same = np.abs((along * course[at]).sum(1)) > 0.85
    distance = gap[np.arange(len(at)), at]
    open_[index[(distance < 4.5) & same & (seen.sign[index] == sign) | (distance < 1.5)]] = False


def _walk_both(image: Array, sd: float, seen: Stretches, seeds: NDArray[np.intp]) -> list[Array]:
    start, end = seen.start[seeds], seen.end[seeds]
    along = end - start
    heading = np.arctan2(along[:, 1], along[:, 0])
    look = np.clip(seen.length[seeds] * 0.6, 10, 38)
    sign = seen.sign[seeds]
    middle = (start + end) / 2
    n = len(seeds)
    trails = _walk(
        image,
        sd,
        np.concatenate((middle, middle)),
        np.concatenate((heading, heading + np.pi)),
        np.concatenate((look, look)).astype(np.float32),
        np.concatenate((sign, sign)),
    )
    return [np.concatenate((trails[n + i][::-1], trails[i][1:])) for i in range(n)]


def _walk(image: Array, sd: float, place: Array, heading: Array, look: Array, sign: Array) -> list[Array]:
    """Walk until the line ends, the picture ends or the path bites its own tail. Returns nodes of each
    walker."""
    n = len(place)
    trails: list[list[Array]] = [[place[i].copy()] for i in range(n)]
    idle = np.zeros(n, np.float32)
    pending: list[list[Array]] = [[] for _ in range(n)]
    alive = np.arange(n)
    place, heading = place.astype(np.float64), heading.astype(np.float64)
    h, w = image.shape
    travel = np.zeros(n)
    for _ in range(400):
        if not alive.size:
            break
        best, turn, offset = _look_ahead(image, place[alive], heading[alive], look[alive], sign[alive])
        height = best * np.sqrt(look[alive]) / sd
        good = height > np.where(idle[alive] > 0, RESUME_SIGMA, KEEP_SIGMA)
        turn = np.where(good, turn, 0.0)
        offset = np.where(good, offset, 0.0)
        normal = np.column_stack((-np.sin(heading[alive]), np.cos(heading[alive])))
        place[alive] += offset[:, None] * normal
        heading[alive] += turn
        stride = look[alive] * 0.5
        place[alive] += stride[:, None] * np.column_stack((np.cos(heading[alive]), np.sin(heading[alive])))
        travel[alive] += stride
        stop = []
        for row, i in enumerate(alive):
            if good[row]:
                trails[i].extend(pending[i])
                pending[i].clear()
                trails[i].append(place[i].astype(np.float32))
                idle[i] = 0
                if len(trails[i]) > 12 and len(trails[i]) % 4 == 0 and _bites(trails[i]):
                    stop.append(row)
            else:
                pending[i].append(place[i].astype(np.float32))
                idle[i] += stride[row]
                if idle[i] > min(20 + 0.25 * travel[i], 60):
                    stop.append(row)
            x, y = place[i]
            if not (0 <= x < w and 0 <= y < h):
                stop.append(row)
        if stop:
            alive = np.delete(alive, sorted(set(stop)))
    return [np.asarray(trail, np.float32) for trail in trails]


def _bites(trail: list[Array]) -> bool:
    last = trail[-1]
    older = np.asarray(trail[:-8])
    return bool(
        np.min(np.hypot(older[:, 0] - last[0], older[:, 1] - last[1]))
        < 4.0 + 0.5 * float(np.hypot(*(trail[-1] - trail[-2])))
    )


def _look_ahead(
    image: Array, place: Array, heading: Array, look: Array, sign: Array
) -> tuple[Array, Array, Array]:
    """Best mean signal ahead of each walker, with the turn (rad) and sideways offset (samples) that gives
    it."""
    reach = np.linspace(0.05, 1.0, SAMPLES, dtype=np.float32)
    turns = TURNS[None] * (1.1 / look)[:, None]
    course = heading[:, None] + turns
    nx, ny = -np.sin(heading), np.cos(heading)
    x: Array = place[:, 0, None, None, None] + OFFSETS[None, :, None, None] * nx[:, None, None, None]
    y: Array = place[:, 1, None, None, None] + OFFSETS[None, :, None, None] * ny[:, None, None, None]
    run = look[:, None, None, None] * reach
    x = x + np.cos(course)[:, None, :, None] * run
    y = y + np.sin(course)[:, None, :, None] * run
    n = len(place)
    flat = (n * len(OFFSETS), len(TURNS) * SAMPLES)
    values = cv2.remap(
        image,
        x.reshape(flat).astype(np.float32),
        y.reshape(flat).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )
    mean = values.reshape(n, len(OFFSETS), len(TURNS), SAMPLES).mean(3) * sign[:, None, None]
    bias = 0.04 * np.abs(OFFSETS)[:, None] + 0.03 * np.abs(TURNS)[None]
    score = mean * (1 - bias[None])
    best = score.reshape(n, -1).argmax(1)
    o, t = np.divmod(best, len(TURNS))
    return mean[np.arange(n), o, t], turns[np.arange(n), t], OFFSETS[o]
