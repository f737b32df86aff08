"""How many points fit in a circle of fixed diameter, wherever the circle lies.

This is not the smallest circle round all points: of four points at the corners of a unit square only two fit
in a circle of 1.41, although four fit in one of 1.4143. A circle with the most points can always be slid
until a point lies on its rim, so it is enough to turn a circle round each point and count, by a sweep over
the angle, which neighbours are inside. The circle is closed: points on the rim are in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.grades.neighbours import near_pairs

_SLACK_MM = 1e-7  # a closed circle: a point this little outside the rim is on it
_MANY_PAIRS = 400_000


@dataclass(frozen=True, slots=True)
class Fullest:
    """A circle and the points in it. `at_least` says that another circle may hold still more."""

    centre: tuple[float, float]
    members: tuple[int, ...]
    at_least: bool = False


def fullest_circle(points: NDArray[np.float64], diameter: float, enough: int | None = None) -> Fullest | None:
    """The circle of `diameter` that holds the most of `points` (N, 2), in mm; None for no points.

    `enough` : as soon as a circle with more than that many is known in a crowd too dense to search quickly,
    it is returned with `at_least` set.
    """
    count = len(points)
    if count == 0:
        return None
    if enough is not None:
        crowd = _crowded_cell(points, diameter, enough)
        if crowd is not None:
            return crowd
    pairs = near_pairs(points, diameter + _SLACK_MM)
    if len(pairs) == 0:
        return Fullest((float(points[0, 0]), float(points[0, 1])), (0,))
    pivot = np.concatenate([pairs[:, 0], pairs[:, 1]])
    other = np.concatenate([pairs[:, 1], pairs[:, 0]])
    step = points[other] - points[pivot]
    away = np.hypot(step[:, 0], step[:, 1])
    same = away <= _SLACK_MM
    always = 1 + np.bincount(pivot[same], minlength=count)
    pivot, step, away = pivot[~same], step[~same], away[~same]
    best, angle = int(np.argmax(always)), 0.0
    if len(pivot):
        half = np.arccos(np.clip(away / (diameter + _SLACK_MM), 0.0, 1.0))
        towards = np.arctan2(step[:, 1], step[:, 0])
        best, angle = _sweep(pivot, towards - half, towards + half, always)
    radius = diameter / 2
    centre = points[best] + radius * np.array([np.cos(angle), np.sin(angle)])
    inside = np.hypot(*(points - centre).T) <= radius + 2 * _SLACK_MM
    inside[best] = True
    return Fullest((float(centre[0]), float(centre[1])), tuple(int(i) for i in np.flatnonzero(inside)))


def overfull_circles(points: NDArray[np.float64], diameter: float, most: int) -> list[tuple[int, ...]]:
    """For each point on the rim of some circle with more than `most` points, the members of its fullest
    circle.

    No list of all such circles, but enough to know early where crowds are.
    """
    if len(points) <= most:
        return []
    pairs = near_pairs(points, diameter + _SLACK_MM)
    groups: dict[tuple[int, ...], None] = {}
    near: dict[int, list[int]] = {}
    for i, j in pairs.tolist():
        near.setdefault(i, []).append(j)
        near.setdefault(j, []).append(i)
    for i, others in near.items():
        if len(others) < most:
            continue
        local = np.array([i, *others])
        found = _through_first(points[local], diameter)
        if len(found) > most:
            groups[tuple(sorted(int(local[k]) for k in found))] = None
    return list(groups)


def _through_first(points: NDArray[np.float64], diameter: float) -> list[int]:
    """The most points in a circle with the first point on its rim."""
    step = points[1:] - points[0]
    away = np.hypot(step[:, 0], step[:, 1])
    apart = away > _SLACK_MM
    always = 1 + int((~apart).sum())
    if not apart.any():
        return list(range(len(points)))
    half = np.arccos(np.clip(away[apart] / (diameter + _SLACK_MM), 0.0, 1.0))
    towards = np.arctan2(step[apart, 1], step[apart, 0])
    pivots = np.zeros(int(apart.sum()), dtype=np.intp)
    _, angle = _sweep(pivots, towards - half, towards + half, np.array([always]))
    centre = points[0] + diameter / 2 * np.array([np.cos(angle), np.sin(angle)])
    inside = np.hypot(*(points - centre).T) <= diameter / 2 + 2 * _SLACK_MM
    inside[0] = True
    return [int(k) for k in np.flatnonzero(inside)]


def _sweep(
    pivot: NDArray[np.intp],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    always: NDArray[np.intp],
) -> tuple[int, float]:
    """Pivot and angle of the circle's centre that hold the most neighbours."""
    turn = 2 * np.pi
    start, end = np.mod(start, turn), np.mod(end, turn)
    open_at_zero = np.bincount(pivot[start > end], minlength=len(always))
    owner = np.concatenate([pivot, pivot])
    angle = np.concatenate([start, end])
    change = np.concatenate([np.ones(len(pivot), dtype=np.intp), -np.ones(len(pivot), dtype=np.intp)])
    order = np.lexsort((-change, angle, owner))  # at one angle, entering comes before leaving: closed arcs
    owner, angle, change = owner[order], angle[order], change[order]
    running = np.cumsum(change)
    first = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
    before = np.where(first > 0, running[first - 1], 0)
    running = running - np.repeat(before, np.diff(np.r_[first, len(owner)]))
    total = running + (always + open_at_zero)[owner]
    alone = int(np.argmax(always))
    top = int(np.argmax(total))
    if always[alone] > total[top]:
        return alone, 0.0
    return int(owner[top]), float(angle[top])


def _crowded_cell(points: NDArray[np.float64], diameter: float, enough: int) -> Fullest | None:
    """A square cell with more than `enough` points, where the search would meet very many pairs.

    All points of a square of side diameter / sqrt(2) lie in its closed circumscribed circle.
    """
    side = diameter / np.sqrt(2)
    cells = np.floor(points / side).astype(np.int64)
    _, place, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    if float((counts.astype(float) ** 2).sum()) * 9 < _MANY_PAIRS or counts.max() <= enough:
        return None
    fullest = int(np.argmax(counts))
    members = np.flatnonzero(place.ravel() == fullest)
    middle = (cells[members[0]] + 0.5) * side
    inside = np.hypot(*(points - middle).T) <= diameter / 2
    inside[members] = True
    return Fullest(
        (float(middle[0]), float(middle[1])), tuple(int(i) for i in np.flatnonzero(inside)), at_least=True
    )
