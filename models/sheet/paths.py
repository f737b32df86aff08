"""Geometry of scratches' paths: dense points, distances to a path, and the union of pieces of one line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_MM = 1.0
MOST_STEPS = 400
#: mm of a path from its end by which the end's direction is told
END_MM = 10.0


def arc_mm(path: Floats) -> float:
    """Length along a path, shape (N, 2)."""
    return float(np.hypot(*np.diff(path, axis=0).T).sum()) if len(path) > 1 else 0.0


def dense(path: Floats, step_mm: float = STEP_MM) -> Floats:
    """The path at even steps of about `step_mm`, at most 400 of them; shape (M, 2), M >= 3."""
    along = _along(path)
    count = int(np.clip(math.ceil(along[-1] / step_mm), 2, MOST_STEPS)) + 1
    return at(path, np.linspace(0.0, along[-1], count))


def at(path: Floats, arcs_mm: Floats) -> Floats:
    """The places that lie so far along a path; shape (M, 2)."""
    along = _along(path)
    return np.column_stack([np.interp(arcs_mm, along, path[:, 0]), np.interp(arcs_mm, along, path[:, 1])])


def middle(path: Floats) -> tuple[float, float]:
    """The place half way along."""
    x, y = at(path, np.array([arc_mm(path) / 2]))[0]
    return float(x), float(y)


def end_direction(path: Floats, last: bool) -> Floats:
    """Unit vector in which the path leaves at its first or last end, from its last ten millimetres."""
    line = path if last else path[::-1]
    total = arc_mm(line)
    inner = at(line, np.array([max(total - END_MM, 0.0)]))[0]
    out = line[-1] - inner
    return out / max(float(np.hypot(*out)), 1e-9)


@dataclass(frozen=True, slots=True)
class Nearest:
    """For each of N points the nearest place on a path.

    distance_mm, arc_mm : shape (N,).  place : shape (N, 2).  tangent : unit vectors of the path there, (N, 2)
    """

    distance_mm: Floats
    arc_mm: Floats
    place: Floats
    tangent: Floats


def nearest_on(path: Floats, points: Floats) -> Nearest:
    """Nearest places on the segments of `path` (M, 2) to `points` (N, 2)."""
    starts, steps = path[:-1], np.diff(path, axis=0)
    squares = np.maximum((steps**2).sum(axis=1), 1e-12)
    offset = points[:, None, :] - starts[None, :, :]
    share = np.clip((offset * steps[None]).sum(axis=2) / squares[None], 0.0, 1.0)
    feet = starts[None] + share[..., None] * steps[None]
    gaps = np.hypot(*np.moveaxis(points[:, None, :] - feet, 2, 0))
    k = gaps.argmin(axis=1)
    rows = np.arange(len(points))
    lengths = np.sqrt(squares)
    along = _along(path)
    return Nearest(
        gaps[rows, k], along[k] + share[rows, k] * lengths[k], feet[rows, k], steps[k] / lengths[k][:, None]
    )


def tangents(path: Floats) -> Floats:
    """Unit directions at each point of a dense path; shape (N, 2)."""
    steps = np.gradient(path, axis=0)
    return steps / np.maximum(np.hypot(*steps.T), 1e-9)[:, None]


@dataclass(frozen=True, slots=True)
class Union:
    """Pieces of one line put together.

    path : shape (N, 2).  length_mm : along it, each part at the length that its own piece was measured with.
    first, last : places in the list of pieces of those whose ends are the line's ends.  joints : pieces added
    beyond the first one
    """

    path: Floats
    length_mm: float
    first: int
    last: int
    joints: int


def unite(paths: Sequence[Floats], lengths_mm: Sequence[float | None], reach_mm: float) -> Union:
    """The union of pieces of one line: overlapping parts count once, gaps between ends are bridged.

    paths : each (N, 2), N >= 2.  lengths_mm : as measured, which may differ from the path's own arc; None
    takes the arc.  reach_mm : how far apart the same part of the line may lie in two pieces.
    Where a piece lies beside the line so far, only what runs on beyond an end is added, moved sideways by the
    offset at the joint, so that the offset of two photos adds no length.
    """
    order = sorted(range(len(paths)), key=lambda k: -arc_mm(paths[k]))
    ratios = [
        1.0 if lengths_mm[k] is None else float(lengths_mm[k] or 0.0) / max(arc_mm(paths[k]), 1e-9)
        for k in range(len(paths))
    ]
    start = order.pop(0)
    line = _Line(paths[start], [ratios[start]] * (len(paths[start]) - 1), start, start, 0)
    while order:
        # the piece that lies nearest to the line so far comes next, so that a chain grows link by link
        nearest = min(order, key=lambda k: float(nearest_on(line.path, _ends(paths[k])).distance_mm.min()))
        order.remove(nearest)
        line = _extended(line, dense(paths[nearest]), ratios[nearest], nearest, reach_mm)
    steps = np.hypot(*np.diff(line.path, axis=0).T)
    return Union(line.path, float((steps * np.array(line.ratios)).sum()), line.first, line.last, line.joints)


@dataclass(frozen=True, slots=True)
class _Line:
    path: Floats
    ratios: list[float]
    first: int
    last: int
    joints: int


def _extended(line: _Line, piece: Floats, ratio: float, owner: int, reach_mm: float) -> _Line:
    """`line` with what of `piece` (dense) runs on beyond its ends."""
    near = nearest_on(line.path, piece)
    where = np.flatnonzero(near.distance_mm <= reach_mm)
    run = float(near.arc_mm[where[-1]] - near.arc_mm[where[0]]) if len(where) else 0.0
    if abs(run) > reach_mm:
        backward = run < 0
    else:  # they meet at their ends at the most
        backward = _faces_backward(line.path, piece)
    if backward:
        piece = piece[::-1]
        near = nearest_on(line.path, piece)
    beside = near.distance_mm <= reach_mm
    total = arc_mm(line.path)
    beyond_start = (near.arc_mm <= 1e-9) & _ahead(line.path, piece, last=False)
    beyond_end = (near.arc_mm >= total - 1e-9) & _ahead(line.path, piece, last=True)
    lead = _run(beyond_start)
    trail = _run(beyond_end[::-1])
    path, ratios, first, last, joints = line.path, line.ratios, line.first, line.last, line.joints
    if lead:
        part = piece[:lead] + (near.place[lead] - piece[lead] if lead < len(piece) and beside[lead] else 0.0)
        path, ratios = np.concatenate([part, path]), [ratio] * lead + ratios
        first, joints = owner, joints + 1
    if trail and trail < len(piece) + 1 - lead:
        k = len(piece) - trail
        part = piece[k:] + (near.place[k - 1] - piece[k - 1] if k > 0 and beside[k - 1] else 0.0)
        path, ratios = np.concatenate([path, part]), ratios + [ratio] * trail
        last, joints = owner, joints + 1
    return _Line(path, ratios, first, last, joints)


def _ahead(path: Floats, points: Floats, *, last: bool) -> NDArray[np.bool_]:
    """Which points lie beyond the path's end, in the direction in which it leaves there."""
    end = path[-1] if last else path[0]
    ahead: NDArray[np.bool_] = (points - end) @ end_direction(path, last) > 1e-9
    return ahead


def _run(flags: NDArray[np.bool_]) -> int:
    """How many are true from the first on."""
    gone = np.flatnonzero(~flags)
    return int(gone[0]) if len(gone) else len(flags)


def _faces_backward(path: Floats, piece: Floats) -> bool:
    """Whether a piece that lies off the ends of a path runs against it."""
    to_end = np.hypot(*(_ends(piece) - path[-1]).T)
    to_start = np.hypot(*(_ends(piece) - path[0]).T)
    if to_end.min() <= to_start.min():
        return bool(to_end[1] < to_end[0])
    return bool(to_start[0] < to_start[1])


def _ends(path: Floats) -> Floats:
    return path[[0, -1]]


def _along(path: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
