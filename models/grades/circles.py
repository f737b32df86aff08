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

Points = NDArray[np.float64]
_SLACK_MM = 1e-7  # a closed circle: a point this little outside the rim is on it
_MANY_PAIRS = 400_000
_TURN_APART = 8.0
_HAIR = 1e-11  # radians


@dataclass(frozen=True, slots=True)
class Fullest:
    """A circle and the points in it. `at_least` says that another circle may hold still more."""

    centre: tuple[float, float]
    members: tuple[int, ...]
    at_least: bool = False


def fullest_circle(points: Points, diameter: float, enough: int | None = None) -> Fullest | None:
    """The circle of `diameter` that holds the most of `points` (N, 2), in mm; None for no points.

    `enough` : as soon as a circle with more than that many is known in a crowd too dense to search
    quickly, it is returned with `at_least` set.
    """
    if len(points) == 0:
        return None
    if enough is not None:
        crowd = _crowded_cell(points, diameter, enough)
        if crowd is not None:
            return crowd
    counts, angles = _fullest_through_each(points, diameter)
    best = int(np.argmax(counts))
    centre = _centres(points[best : best + 1], angles[best : best + 1], diameter)[0]
    inside = _inside(points, centre, diameter)
    inside[best] = True
    return Fullest((float(centre[0]), float(centre[1])), tuple(int(i) for i in np.flatnonzero(inside)))


def overfull_circles(points: Points, diameter: float, most: int) -> list[tuple[int, ...]]:
    """For each point on the rim of some circle with more than `most` points, its fullest circle's members.

    No list of all such circles, but enough to know early where crowds are.
    """
    if len(points) <= most:
        return []
    counts, angles = _fullest_through_each(points, diameter)
    full = np.flatnonzero(counts > most)
    groups: dict[tuple[int, ...], None] = {}
    for pivot, centre in zip(full, _centres(points[full], angles[full], diameter), strict=True):
        inside = _inside(points, centre, diameter)
        inside[pivot] = True
        groups[tuple(int(k) for k in np.flatnonzero(inside))] = None
    return list(groups)


def _centres(pivots: Points, angles: NDArray[np.float64], diameter: float) -> Points:
    """Centres (N, 2) of the circles through the pivots, seen from them under the angles."""
    return pivots + diameter / 2 * np.column_stack([np.cos(angles), np.sin(angles)])


def _inside(points: Points, centre: NDArray[np.float64], diameter: float) -> NDArray[np.bool_]:
    return np.hypot(*(points - centre).T) <= diameter / 2 + 2 * _SLACK_MM


def _fullest_through_each(points: Points, diameter: float) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """For each point: the most points in a circle with it on the rim, and the angle to that circle's
    centre.
    """
    count = len(points)
    pairs = near_pairs(points, diameter + _SLACK_MM)
    pivot = np.concatenate([pairs[:, 0], pairs[:, 1]])
    other = np.concatenate([pairs[:, 1], pairs[:, 0]])
    step = points[other] - points[pivot]
    away = np.hypot(step[:, 0], step[:, 1])
    apart = away > _SLACK_MM
    counts = 1 + np.bincount(pivot[~apart], minlength=count)
    angles = np.zeros(count)
    if not apart.any():
        return counts, angles
    pivot, step, away = pivot[apart], step[apart], away[apart]
    half = np.arccos(np.clip(away / (diameter + _SLACK_MM), 0.0, 1.0))
    towards = np.arctan2(step[:, 1], step[:, 0])
    turn = 2 * np.pi
    start, end = np.mod(towards - half, turn), np.mod(towards + half, turn)
    at_zero = np.bincount(pivot[start > end], minlength=count)
    # one key a turn of each pivot's circle; entering comes a hair before leaving: arcs are closed
    both = np.concatenate([pivot, pivot])
    angle = np.concatenate([start, end])
    key = both * _TURN_APART + angle
    key[: len(pivot)] -= _HAIR
    order = np.argsort(key)
    owner, angle = both[order], angle[order]
    running = np.cumsum(np.where(order < len(pivot), 1, -1))
    first = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
    lengths = np.diff(np.r_[first, len(owner)])
    running -= np.repeat(np.where(first > 0, running[first - 1], 0), lengths)
    running += at_zero[owner]
    top = np.maximum.reduceat(running, first)
    at_top = np.flatnonzero(running == np.repeat(top, lengths))
    places = at_top[np.unique(owner[at_top], return_index=True)[1]]
    counts[owner[first]] += top
    angles[owner[places]] = angle[places]
    return counts, angles


def _crowded_cell(points: Points, diameter: float, enough: int) -> Fullest | None:
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
