"""Pairs of points closer than a distance: found in floats, settled in decimals where floats cannot tell."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from models.grades.case import Sized

_DOUBT = 1e-9  # relative; ten thousand times what double arithmetic can be wrong by
_FEW = 48
_SMALL = 256  # up to here all distances at once are quicker than a tree


def close_pairs(
    faults: list[Sized],
    apart: Decimal,
    *,
    exactly_allowed: bool,
    edge_to_edge: bool = False,
    times_smaller: Decimal = Decimal(0),
) -> list[tuple[int, int]]:
    """Pairs (places in `faults`) that lie too close to each other.

    apart : asked distance in mm.  exactly_allowed : whether exactly that distance will do (at least), or not
    (more than).  edge_to_edge : measured between the rims of circles of each fault's size, else centre to
    centre.  times_smaller : the asked distance is also so many times the size of the smaller fault.
    """
    how = (apart, exactly_allowed, edge_to_edge, times_smaller)
    if len(faults) < 2:
        return []
    if len(faults) <= _FEW:
        return [
            (i, j)
            for i in range(len(faults) - 1)
            for j in range(i + 1, len(faults))
            if _too_close(faults[i], faults[j], *how)
        ]
    points = np.array([(float(f.x), float(f.y)) for f in faults])
    sizes = np.array([float(f.size or 0) for f in faults])
    radii = sizes / 2 if edge_to_edge else np.zeros(len(faults))
    times = float(times_smaller)
    asked = max(float(apart), times * float(sizes.max()))
    pairs = near_pairs(points, (asked + 2 * float(radii.max())) * (1 + _DOUBT))
    a, b = pairs[:, 0], pairs[:, 1]
    between = np.hypot(*(points[a] - points[b]).T)
    wanted = np.maximum(float(apart), times * np.minimum(sizes[a], sizes[b])) + radii[a] + radii[b]
    sure = between < wanted * (1 - _DOUBT)
    doubtful = ~sure & (between <= wanted * (1 + _DOUBT))
    found = [(i, j) for i, j in pairs[sure].tolist()]
    found += [(i, j) for i, j in pairs[doubtful].tolist() if _too_close(faults[i], faults[j], *how)]
    return sorted(found)


def near_pairs(points: NDArray[np.float64], distance: float) -> NDArray[np.intp]:
    """All pairs i < j of rows of `points` (N, 2) at most `distance` apart, as an (M, 2) array."""
    if len(points) <= _SMALL:
        gap = points[:, None, :] - points[None, :, :]
        near = np.hypot(gap[..., 0], gap[..., 1]) <= distance
        return np.argwhere(np.triu(near, k=1))
    from scipy.spatial import cKDTree

    return cKDTree(points).query_pairs(distance, output_type="ndarray")


def _too_close(
    a: Sized, b: Sized, apart: Decimal, exactly_allowed: bool, edge_to_edge: bool, times_smaller: Decimal
) -> bool:
    dx, dy = a.x - b.x, a.y - b.y
    asked = apart
    if times_smaller:
        asked = max(apart, times_smaller * min(a.size or Decimal(0), b.size or Decimal(0)))
    if edge_to_edge:
        asked += ((a.size or 0) + (b.size or 0)) / Decimal(2)
    square, wanted = dx * dx + dy * dy, asked * asked
    return square < wanted or (square == wanted and not exactly_allowed)


def nearest_pair(faults: list[Sized], pairs: list[tuple[int, int]]) -> tuple[int, int]:
    """The pair of places whose faults lie nearest to each other."""
    places = [(float(fault.x), float(fault.y)) for fault in faults]
    return min(
        pairs,
        key=lambda pair: (
            (places[pair[0]][0] - places[pair[1]][0]) ** 2 + (places[pair[0]][1] - places[pair[1]][1]) ** 2
        ),
    )


def distance(a: Sized, b: Sized) -> Decimal:
    """Centre to centre distance in mm."""
    dx, dy = a.x - b.x, a.y - b.y
    return (dx * dx + dy * dy).sqrt()
