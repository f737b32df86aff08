"""Pieces of one line joined, and lines that run along a stronger one left out."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.detection.line_fits import Line, fit_lines
from vision.detection.pyramid import Pyramid

Array = NDArray[Any]

# Which ends are joined; photo px, by hand, origin unknown (halved and doubled in tests/bench/sensitivity.py)
MOST_GAP_PX, GAP_SHARE, GAP_PX = 160.0, 0.5, 10.0
"""The gap is at most the first, and at most this share of both lines together and so many px."""
LEAST_COSINE = 0.93
"""Of the angle between the two directions: 22 degrees."""
END_STEPS = 30
"""Steps from its end over which a line's direction there is taken."""
MOST_SIDE_PX, SIDE_SHARE = 3.0, 0.08
"""Sideways distance of the other end, at most: so many px and this share of the gap."""
MOST_OVERLAP_PX = 6.0
"""Two ends may overlap by so much."""
LEAST_JOINED = 0.9
"""The joint line, fitted anew, is at least this share of both pieces: else it was none."""
ROUNDS = 3
"""Rounds of joining pairs: a line of up to 8 pieces (derived)."""

# Which lines are doubles (by hand, origin unknown)
MAP_PX, DRAWN_MAP_PX = 4, 2
"""Lines are drawn so wide, pixels of a map of one for so many px: 8 photo px."""
MOST_TAKEN = 0.5
"""A line is a double when more than this share of it lies on stronger ones."""


def join(pyramid: Pyramid, lines: list[Line]) -> list[Line]:
    """Join pieces whose ends point at each other; drop those that run along a stronger one."""
    lines = sorted(lines, key=lambda line: -line.height)
    lines = _without_doubles(lines, pyramid.plain[0].shape)
    for _ in range(ROUNDS):
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
            if both is not None and both.length_px > LEAST_JOINED * (lines[i].length_px + lines[j].length_px):
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
    """Leave out what runs along a stronger line: those are drawn wide on a map of a quarter of the size."""
    taken = np.zeros((shape[0] // MAP_PX + 1, shape[1] // MAP_PX + 1), np.uint8)
    kept: list[Line] = []
    for line in lines:
        coarse = np.round(line.path_px / MAP_PX - 0.5).astype(np.int32)
        x, y = np.clip(coarse[:, 0], 0, taken.shape[1] - 1), np.clip(coarse[:, 1], 0, taken.shape[0] - 1)
        if np.mean(taken[y, x] > 0) > MOST_TAKEN:
            continue
        cv2.polylines(taken, [np.ascontiguousarray(coarse[::2]).reshape(-1, 1, 2)], False, 255, DRAWN_MAP_PX)
        kept.append(line)
    return kept


def _joinable(lines: list[Line]) -> list[tuple[int, int, Array]]:
    """Pairs with the joint path, nearest gap first."""
    ends, out = [], []
    for i, line in enumerate(lines):
        k = min(len(line.path_px) - 1, END_STEPS)
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
            if reach > min(GAP_SHARE * (lines[i].length_px + lines[j].length_px) + GAP_PX, MOST_GAP_PX):
                continue
            if float(-(u @ v)) < LEAST_COSINE:
                continue
            side = abs(float(u[0] * gap[1] - u[1] * gap[0]))
            if side > MOST_SIDE_PX + SIDE_SHARE * reach or float(u @ gap) < -MOST_OVERLAP_PX:
                continue
            first = lines[i].path_px[::-1] if flip_i else lines[i].path_px
            second = lines[j].path_px if flip_j else lines[j].path_px[::-1]
            out.append((reach, i, j, np.concatenate((first, second))))
    out.sort(key=lambda item: item[0])
    return [(i, j, path) for _, i, j, path in out]
