"""Thin lines: found as long sums, followed over bends and gaps, joined where broken, fitted across."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.beamlets import find_stretches
from vision.candidates import Pyramid
from vision.results import DARK_FIELD
from vision.tracing import densify, trace_all

Array = NDArray[Any]
CLIP_SIGMA = 3.0
UNITS_PER_SIGMA = 64
ACROSS_HALF_PX = 8.0
ACROSS_STEP_PX = 0.5
SMOOTH_PX = 15
SHORTEST_PX = 14.0
OFFSETS = np.arange(-ACROSS_HALF_PX, ACROSS_HALF_PX + ACROSS_STEP_PX / 2, ACROSS_STEP_PX, dtype=np.float32)
NEAR = np.abs(OFFSETS) <= 1.0
BESIDE = (np.abs(OFFSETS) > 3.5) & (np.abs(OFFSETS) <= 7)
MOST_LINES = 40
LEAST_HEIGHT = 6.0
LEAST_RISE = 0.7  # of one sample, in sd: what is fainter lies far below what an eye can see
BESIDE_SAMPLES = 3.0
WIDEST_SAMPLES = 7


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


def find_lines(pyramid: Pyramid, lighting: str, compact: NDArray[np.uint8] | None = None) -> list[Line]:
    """Every thin line that stands out, one entry each, strongest first.

    compact : uint8, shape of the half-size level, > 0 on strong spots whose light would pass for short lines
    """
    if len(pyramid.plain) < 2 or min(pyramid.plain[1].shape) < 32:
        return []
    fine, sd = _sharpen(pyramid)
    if compact is not None and compact.shape == fine.shape:
        fine[compact > 0] = 0
    scaled = np.clip(
        fine * (UNITS_PER_SIGMA / sd), -CLIP_SIGMA * UNITS_PER_SIGMA, CLIP_SIGMA * UNITS_PER_SIGMA
    )
    stretches = find_stretches(scaled.astype(np.int16), both_signs=lighting != DARK_FIELD)
    clipped = np.clip(fine, -CLIP_SIGMA * sd, CLIP_SIGMA * sd)
    raw = trace_all(clipped, sd, stretches)
    rough = [(path * 2 + 1.0, sign, seed, 0) for path, sign, seed in _standing_out(clipped, sd, raw)]
    return join(pyramid, [line for line in fit_lines(pyramid, rough) if line is not None])


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
            cv2.remap(image, x[k : k + 20_000], y[k : k + 20_000], cv2.INTER_LINEAR)
            for k in range(0, len(every), 20_000)
        ]
    )
    rise = values[:, 1] - 0.5 * (values[:, 0] + values[:, 2])
    first = np.concatenate(([0], np.cumsum(counts)[:-1]))
    sign = np.array([item[1] for item in raw])
    mean = sign * np.add.reduceat(rise, first) / counts / sd
    height = mean * np.sqrt(counts) / 1.22
    order = np.argsort(-height, kind="stable")[:MOST_LINES]
    return [raw[i] for i in order if height[i] > LEAST_HEIGHT and mean[i] > LEAST_RISE]


def _sharpen(pyramid: Pyramid) -> tuple[Array, float]:
    """Half-size signal without anything wider than a line, and its noise."""
    base = pyramid.smooth[1]
    fine = base - cv2.blur(pyramid.plain[1], (WIDEST_SAMPLES, WIDEST_SAMPLES))
    some = fine[::7, ::7]
    sd = 1.4826 * float(np.median(np.abs(some[some != 0]))) if np.any(some) else 1.0
    return fine, max(sd, 1e-3)


Rough = tuple[Array, float, float, int]


def fit_lines(pyramid: Pyramid, rough: list[Rough]) -> list[Line | None]:
    """Centre rough paths on their lines, find the ends, and measure along and across; None where nothing is
    left.

    rough : path (photo px), sign, height of the strongest stretch, gaps bridged
    All lines share each sampling of the photo, because a call costs more than the samples of one line.
    """
    if not rough:
        return []
    paths = [_lengthen(densify(path, 1.0), 24.0) for path, _, _, _ in rough]
    for reach in (3.5, 2.0):
        rows, course = _strips(pyramid.plain[0], paths)
        for i, (_, sign, _, _) in enumerate(rough):
            shift = _ridge(np.clip(sign * rows[i], -4, 4), reach)
            paths[i] = paths[i] + np.column_stack((-course[i][:, 1], course[i][:, 0])) * shift[:, None]
    rows, _ = _strips(pyramid.plain[0], paths)
    return [_finish(path, one[1] * row, one) for path, row, one in zip(paths, rows, rough, strict=True)]


def _strips(image: Array, paths: list[Array]) -> tuple[list[Array], list[Array]]:
    """Samples (M, K) across each path of equal steps, and its smoothed directions (M, 2)."""
    counts = [len(path) for path in paths]
    every = np.concatenate(paths)
    ahead, behind = every.copy(), every.copy()
    ahead[:-4], behind[4:] = every[4:], every[:-4]
    first = np.concatenate(([0], np.cumsum(counts)))
    for a, b in zip(first[:-1], first[1:], strict=True):  # no direction reaches into the next path
        n = min(4, b - a - 1)
        ahead[b - n - 1 : b], behind[a : a + n + 1] = every[b - 1], every[a]
    course = ahead - behind
    course /= np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-6)[:, None]
    x = every[:, 0, None] - course[:, 1, None] * OFFSETS - 0.5
    y = every[:, 1, None] + course[:, 0, None] * OFFSETS - 0.5
    x, y = x.astype(np.float32), y.astype(np.float32)
    parts = [
        cv2.remap(image, x[k : k + 20_000], y[k : k + 20_000], cv2.INTER_LINEAR)
        for k in range(0, len(every), 20_000)
    ]
    return np.split(np.concatenate(parts), first[1:-1]), np.split(course, first[1:-1])


def _finish(path: Array, rows: Array, rough: Rough) -> Line | None:
    _, sign, seed, joined = rough
    along = rows[:, NEAR].mean(1) - rows[:, BESIDE].mean(1)
    first, last = _ends(along)
    if last - first < SHORTEST_PX * 0.6:
        return None
    path, rows, along = path[first : last + 1], rows[first : last + 1], along[first : last + 1]
    path = densify(path, 1.0)
    noise = np.sqrt(max(float(np.var(rows[:, BESIDE])), 1e-6))
    height = float(along.mean() * np.sqrt(len(along) * 2.0) / noise)
    seg = np.hypot(*np.diff(path, axis=0).T)
    return Line(path, float(seg.sum()), sign, along, rows.mean(0), height, seed, joined)


def _lengthen(path: Array, extra: float) -> Array:
    """Run both ends on straight, so that an end which the walker missed can be found."""
    k = min(12, len(path) - 1)
    if k < 1:
        return path
    steps = np.arange(1, int(extra) + 1, dtype=np.float32)[:, None]
    head, tail = path[0] - path[k], path[-1] - path[-1 - k]
    head = head / max(float(np.hypot(*head)), 1e-6)
    tail = tail / max(float(np.hypot(*tail)), 1e-6)
    return np.concatenate(((path[0] + head * steps)[::-1], path, path[-1] + tail * steps)).astype(np.float32)


def _ridge(rows: Array, reach: float) -> Array:
    """Sideways distance (M,) from the path to the ridge of its strip, smoothed along the path."""
    window = max(5, min(41, len(rows) // 4) | 1)
    soft = cv2.blur(rows.astype(np.float32), (3, window), borderType=cv2.BORDER_REPLICATE)
    near = np.abs(OFFSETS) <= reach
    part = soft[:, near]
    floor = np.maximum(soft[:, BESIDE].mean(1, keepdims=True), 0.35 * part.max(1, keepdims=True))
    weight = np.clip(part - floor, 0, None)
    total = weight.sum(1)
    shift = np.where(total > 1e-3, (weight * OFFSETS[near]).sum(1) / np.maximum(total, 1e-3), 0.0)
    smooth = cv2.blur(shift[:, None].astype(np.float32), (1, window), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(smooth[:, 0])


def _ends(along: Array) -> tuple[int, int]:
    """First and last step of the line: where the signal rises to half of what it is further in."""
    n = len(along)
    soft = cv2.blur(
        along[:, None].astype(np.float32),
        (1, min(SMOOTH_PX, max(3, n // 6) | 1)),
        borderType=cv2.BORDER_REFLECT,
    )[:, 0]
    body = np.quantile(soft, 0.6)
    noise = 1.4826 * float(np.median(np.abs(np.diff(soft)))) + 1e-3
    inside = np.flatnonzero(soft > max(0.4 * body, 2.0 * noise))
    if not inside.size:
        return 0, 0
    return int(inside[0]), int(inside[-1])


def join(pyramid: Pyramid, lines: list[Line]) -> list[Line]:
    """Join pieces whose ends point at each other; drop those that run along a stronger one."""
    lines = sorted(lines, key=lambda line: -line.height)
    lines = _without_doubles(lines, pyramid.plain[0].shape)
    for _ in range(3):
        pair = _joinable(lines)
        if not pair:
            break
        used: set[int] = set()
        fresh: list[Line] = []
        for i, j, path in pair:
            if i in used or j in used:
                continue
            seed = max(lines[i].seed, lines[j].seed)
            gaps = lines[i].joined + lines[j].joined + 1
            both = fit_lines(pyramid, [(path, lines[i].sign, seed, gaps)])[0]
            if both is not None and both.length_px > 0.9 * (lines[i].length_px + lines[j].length_px):
                fresh.append(both)
                used |= {i, j}
        if not used:
            break
        lines = sorted(
            [line for k, line in enumerate(lines) if k not in used] + fresh, key=lambda line: -line.height
        )
        lines = _without_doubles(lines, pyramid.plain[0].shape)
    return lines


def _without_doubles(lines: list[Line], shape: tuple[int, int]) -> list[Line]:
    """Leave out what runs along a stronger line: those are drawn 8 px wide on a map of a quarter of the
    size."""
    taken = np.zeros((shape[0] // 4 + 1, shape[1] // 4 + 1), np.uint8)
    kept: list[Line] = []
    for line in lines:
        coarse = np.round(line.path_px / 4 - 0.5).astype(np.int32)
        x, y = np.clip(coarse[:, 0], 0, taken.shape[1] - 1), np.clip(coarse[:, 1], 0, taken.shape[0] - 1)
        if np.mean(taken[y, x] > 0) > 0.5:
            continue
        cv2.polylines(taken, [np.ascontiguousarray(coarse[::2]).reshape(-1, 1, 2)], False, 255, 2)
        kept.append(line)
    return kept


def _joinable(lines: list[Line]) -> list[tuple[int, int, Array]]:
    """Pairs with the joint path, nearest gap first."""
    ends, out = [], []
    for i, line in enumerate(lines):
        k = min(len(line.path_px) - 1, 30)
        for flip in (False, True):
            path = line.path_px[::-1] if flip else line.path_px
            way = path[-1] - path[-1 - k]
            ends.append((i, flip, path[-1], way / max(float(np.hypot(*way)), 1e-6)))
    for a in range(len(ends)):
        for b in range(a + 1, len(ends)):
            i, flip_i, p, u = ends[a]
            j, flip_j, q, v = ends[b]
            if i == j or lines[i].sign != lines[j].sign:
                continue
            gap = q - p
            reach = float(np.hypot(*gap))
            if reach > min(0.5 * (lines[i].length_px + lines[j].length_px) + 10, 160):
                continue
            if float(-(u @ v)) < 0.93:
                continue
            side = abs(float(u[0] * gap[1] - u[1] * gap[0]))
            if side > 3.0 + 0.08 * reach or float(u @ gap) < -6:
                continue
            first = lines[i].path_px[::-1] if flip_i else lines[i].path_px
            second = lines[j].path_px if flip_j else lines[j].path_px[::-1]
            out.append((reach, i, j, np.concatenate((first, second))))
    out.sort(key=lambda item: item[0])
    return [(i, j, path) for _, i, j, path in out]
