"""Whether finds of different photos are the same thing in the glass. Pure: positions in, pairs out.

Two photos that overlap show a defect twice, at places that differ by the errors of both
scales. A spot is matched to the nearest free spot within reach; a scratch to one along
whose path most of the shorter one runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: reach between two photos, mm: corners of printed tags are placed by hand, good to about a millimetre
REACH_MM = 2.0
#: share of the shorter scratch that must run along the other
ALONG = 0.5
_STEP_MM = 1.0
_MAX_STEPS = 400


@dataclass(frozen=True, slots=True)
class Spot:
    """What is needed of a find: where it lies and how large it is, mm in the sheet frame.

    ref : whatever the caller knows it by.  path_mm : the line of a scratch; empty for spots.
    """

    ref: int
    x_mm: float
    y_mm: float
    length_mm: float = 0.0
    path_mm: tuple[tuple[float, float], ...] = ()


def same_spots(new: Sequence[Spot], known: Sequence[Spot], reach_mm: float = REACH_MM) -> dict[int, int]:
    """For each new find that is one of the known ones: {new ref: known ref}.

    Nearest pairs first; each known find is met at most once by the finds of one photo.
    """
    pairs = sorted(
        (distance, i, j)
        for i, a in enumerate(new)
        for j, b in enumerate(known)
        if (distance := _distance(a, b, reach_mm)) is not None
    )
    met: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in pairs:
        if new[i].ref not in met and j not in taken:
            met[new[i].ref] = known[j].ref
            taken.add(j)
    return met


def _distance(a: Spot, b: Spot, reach_mm: float) -> float | None:
    """How far apart, or None when they cannot be the same."""
    if bool(a.path_mm) != bool(b.path_mm):
        return None
    if a.path_mm:
        return _path_distance(a, b, reach_mm)
    distance = math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm)
    # A large stone's middle is less certain than a seed's: half of the smaller one's length is given in.
    reach = reach_mm + 0.5 * min(a.length_mm, b.length_mm)
    return distance if distance <= reach else None


def _path_distance(a: Spot, b: Spot, reach_mm: float) -> float | None:
    if not _boxes_meet(a.path_mm, b.path_mm, reach_mm):
        return None
    dense_a, dense_b = _dense(a.path_mm), _dense(b.path_mm)
    short, long = (dense_a, dense_b) if len(dense_a) <= len(dense_b) else (dense_b, dense_a)
    gaps = np.sqrt(((short[:, None, :] - long[None, :, :]) ** 2).sum(axis=2)).min(axis=1)
    near = gaps <= reach_mm
    return float(gaps[near].mean()) if near.mean() >= ALONG else None


def _boxes_meet(
    a: tuple[tuple[float, float], ...], b: tuple[tuple[float, float], ...], reach_mm: float
) -> bool:
    pa, pb = np.asarray(a, float), np.asarray(b, float)
    return bool(
        np.all(pa.min(axis=0) - reach_mm <= pb.max(axis=0))
        and np.all(pb.min(axis=0) - reach_mm <= pa.max(axis=0))
    )


def _dense(path: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Points along a path, about one a millimetre, never more than a few hundred."""
    points = np.asarray(path, float)
    if len(points) < 2:
        return points
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    count = int(min(max(along[-1] / _STEP_MM, 2), _MAX_STEPS))
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])
