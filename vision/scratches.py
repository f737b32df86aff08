"""Thin lines: found as long sums, followed over bends and gaps, joined where broken, fitted across."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.beamlets import find_stretches
from vision.candidates import STRIP_ROWS, ZERO, Candidates, Pyramid
from vision.results import DARK_FIELD
from vision.tracing import densify, trace_all

Array = NDArray[Any]
CLIP_SIGMA = 3.0
UNIT_BITS = 3
ACROSS_HALF_PX = 8.0
ACROSS_STEP_PX = 0.5
SMOOTH_PX = 15
SHORTEST_PX = 9.0
OFFSETS = np.arange(-ACROSS_HALF_PX, ACROSS_HALF_PX + ACROSS_STEP_PX / 2, ACROSS_STEP_PX, dtype=np.float32)
NEAR = np.abs(OFFSETS) <= 1.0
BESIDE = np.abs(OFFSETS) > 4.4
LEFT, RIGHT = OFFSETS < -4.4, OFFSETS > 4.4
MOST_LINES = 40
LEAST_HEIGHT = 6.0
LEAST_FITTED, LEAST_ALONG = 8.0, 0.35  # a path that follows noise gains height by length, not contrast
LEAST_RISE = 0.7  # of one sample, in sd: what is fainter lies far below what an eye can see
BESIDE_SAMPLES = 3.0
WIDEST_SAMPLES = 7

Rough = tuple[Array, float, float, int]
THIN_PX = (9, 70)


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


def find_lines(pyramid: Pyramid, lighting: str, seen: Candidates | None = None) -> list[Line]:
    """Every thin line that stands out, one entry each, strongest first.

    seen : the spots; strong compact ones are left out (their light would pass for short lines), thin ones
        are lines too short to have a long sum
    """
    if len(pyramid.plain) < 2 or min(pyramid.plain[1].shape) < 32:
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
    thin = (
        (longest >= THIN_PX[0]) & (longest <= THIN_PX[1]) & (seen.area_px < 0.3 * longest.astype(float) ** 2)
    )
    out: list[Rough] = []
    for i in np.flatnonzero(thin & ~seen.coarse)[:MOST_LINES]:
        x, y, w, h = (int(v) for v in seen.box_px[i])
        patch = pyramid.plain[0][max(y - 1, 0) : y + h + 1, max(x - 1, 0) : x + w + 1]
        sign = 1.0 if lighting == DARK_FIELD or patch.max() > -patch.min() else -1.0
        light = np.clip(sign * patch - 2.0, 0, 8.0)
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
        lit = run[light > 0.5]
        if lit.size < 4:
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
            cv2.remap(image, x[k : k + 20_000], y[k : k + 20_000], cv2.INTER_LINEAR)
            for k in range(0, len(every), 20_000)
        ]
    )
    first = np.concatenate(([0], np.cumsum(counts)[:-1]))
    sign = np.array([item[1] for item in raw])
    left, middle, right = (sign * np.add.reduceat(values[:, k], first) / counts for k in range(3))
    mean = (middle - np.maximum(left, right)) / sd
    height = mean * np.sqrt(counts) / 1.22
    order = np.argsort(-height, kind="stable")[:MOST_LINES]
    return [raw[i] for i in order if height[i] > LEAST_HEIGHT and mean[i] > LEAST_RISE]


def _sharpen(pyramid: Pyramid) -> tuple[NDArray[np.int16], float]:
    """Half-size signal without what is wider than a line, clipped so that no spot outweighs one; its noise.

    In whole numbers, from the bytes of level 0: sums of 64 samples fit into 16 bits.
    """
    h, w = pyramid.plain[1].shape
    coded = cv2.resize(pyramid.smooth[0][: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(coded, (3, 3), 0)
    wide = cv2.blur(coded, (WIDEST_SAMPLES, WIDEST_SAMPLES))
    unit = 1 << UNIT_BITS
    some = unit * np.abs(soft[3::7, 3::7].astype(np.float32) - wide[3::7, 3::7])
    some = some[some > 0]
    sd = max(1.4826 * float(np.median(some)), 4.0) if some.size else 32.0
    limit = float(min(int(CLIP_SIGMA * sd), 500))
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
    for a, b in itertools.pairwise(first):  # no direction reaches into the next path
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
    if height < LEAST_FITTED or float(along.mean()) < LEAST_ALONG * noise:
        return None
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
    """First and last step of the line: where the signal rises to half of what it is just further in."""
    n = len(along)
    window = min(SMOOTH_PX, max(3, n // 8) | 1)
    soft = cv2.blur(along[:, None].astype(np.float32), (1, window), borderType=cv2.BORDER_REFLECT)[:, 0]
    lit = np.flatnonzero(soft > 0.5 * np.quantile(soft, 0.9))
    if not lit.size:
        return 0, 0
    noise = 1.4826 * float(np.median(np.abs(np.diff(soft)))) + 1e-3
    body = float(np.median(soft[lit]))
    inside = np.flatnonzero(soft > max(0.4 * body, 2.0 * noise))
    if not inside.size:
        return 0, 0
    first, last = int(inside[0]), int(inside[-1])
    reach = int(np.clip((last - first) // 4, 4, 30))
    head = 0.5 * float(np.median(soft[first : first + reach]))
    tail = 0.5 * float(np.median(soft[max(last - reach, 0) : last + 1]))
    while first < last and soft[first] < head:
        first += 1
    while last > first and soft[last] < tail:
        last -= 1
    return first, last


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
