"""Several photos of one sheet taken together: the same mark counts once, and what the photos cover is one
map.

Everything here works on the numbers of result files (`Inspection.to_dict()`), so results that were stored
can be put together at any time, in any order. Photos without a scale take no part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PLACE_TOLERANCE_MM = 0.4
PLACE_TOLERANCE_PX = 1.5
SIZE_SHARE = 0.3
PATH_TOLERANCE_MM = 1.0
PATH_SHARE = 0.5
JOIN_GAP_MM = 4.0
LEAST_PROBABILITY = 0.01


@dataclass(frozen=True, slots=True)
class Merged:
    """One mark on the sheet, seen in one photo or more.

    members : (index of the photo, number of the find in it), best first
    kind, not_glass, kind_scores : all photos' opinions together
    x_mm, y_mm, length_mm, width_mm, halo_mm, length_sd_mm : of the best photo (a scratch that runs over
    several photos: of the joined path); None where no photo could size it
    path_mm : of a scratch, joined; missed_in : photos that show the place well enough and do not show the
    mark
    """

    members: tuple[tuple[int, int], ...]
    kind: str
    not_glass: str | None
    kind_scores: dict[str, float]
    x_mm: float
    y_mm: float
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    path_mm: tuple[tuple[float, float], ...] | None
    missed_in: tuple[int, ...]


def merge_results(results: Sequence[dict[str, Any]]) -> list[Merged]:
    """Marks on the sheet from the results of its photos, from the leading edge on (by y, then x)."""
    placed = [
        (i, find)
        for i, result in enumerate(results)
        if result.get("scale") is not None
        for find in result["finds"]
        if find["x_mm"] is not None
    ]
    groups = _groups(placed, [_mm_per_px(result) for result in results])
    merged = [_merged([placed[k] for k in group], results) for group in groups]
    return sorted(merged, key=lambda mark: (mark.y_mm, mark.x_mm))


def _mm_per_px(result: dict[str, Any]) -> float:
    return float(result["scale"]["mm_per_px"]) if result.get("scale") is not None else 0.0


def _groups(placed: list[tuple[int, dict[str, Any]]], mm_per_px: list[float]) -> list[list[int]]:
    """Indices into `placed`, in groups of the same mark; a group holds at most one spot of each photo."""
    pairs = []
    xy = np.array([(find["x_mm"], find["y_mm"]) for _, find in placed], np.float64).reshape(-1, 2)
    for a in range(len(placed)):
        photo_a, find_a = placed[a]
        for b in _neighbours(a, placed, xy):
            photo_b, find_b = placed[b]
            if photo_a == photo_b:
                continue
            tolerance = PLACE_TOLERANCE_MM + PLACE_TOLERANCE_PX * (mm_per_px[photo_a] + mm_per_px[photo_b])
            gap = _gap(find_a, find_b, tolerance)
            if gap is not None:
                pairs.append((gap, a, b))
    group = list(range(len(placed)))
    photos = [{photo} if find["path_mm"] is None else set() for photo, find in placed]
    for _, a, b in sorted(pairs):
        ga, gb = _root(group, a), _root(group, b)
        # nearest pairs first: two spots of one photo are two marks, however near they lie to a third
        if ga != gb and not photos[ga] & photos[gb]:
            group[gb] = ga
            photos[ga] |= photos[gb]
    members: dict[int, list[int]] = {}
    for k in range(len(placed)):
        members.setdefault(_root(group, k), []).append(k)
    return list(members.values())


def _root(group: list[int], k: int) -> int:
    while group[k] != k:
        group[k] = group[group[k]]
        k = group[k]
    return k


def _neighbours(a: int, placed: list[tuple[int, dict[str, Any]]], xy: Floats) -> list[int]:
    """Later entries that can be the same mark at all (paths: every later path)."""
    later = np.arange(a + 1, len(placed))
    if placed[a][1]["path_mm"] is not None:
        return [int(b) for b in later if placed[b][1]["path_mm"] is not None]
    near = np.hypot(*(xy[later] - xy[a]).T) < 25.0
    return [int(b) for b in later[near] if placed[b][1]["path_mm"] is None]


def _gap(find_a: dict[str, Any], find_b: dict[str, Any], tolerance_mm: float) -> float | None:
    """Distance of two finds when they can be the same mark, else None."""
    if find_a["path_mm"] is not None and find_b["path_mm"] is not None:
        return _path_gap(np.asarray(find_a["path_mm"]), np.asarray(find_b["path_mm"]), tolerance_mm)
    gap = math.hypot(find_a["x_mm"] - find_b["x_mm"], find_a["y_mm"] - find_b["y_mm"])
    lengths = [float(find["length_mm"] or 0.0) for find in (find_a, find_b)]
    return gap if gap < tolerance_mm + SIZE_SHARE * max(lengths) else None


def _path_gap(a: Floats, b: Floats, tolerance_mm: float) -> float | None:
    """Median distance where two paths run side by side, or the gap between ends that continue each other."""
    reach = PATH_TOLERANCE_MM + tolerance_mm
    low, high = np.maximum(a.min(axis=0), b.min(axis=0)), np.minimum(a.max(axis=0), b.max(axis=0))
    if np.any(low - high > reach + JOIN_GAP_MM):
        return None
    fine_a, fine_b = _dense(a), _dense(b)
    short, long = (fine_a, fine_b) if len(fine_a) <= len(fine_b) else (fine_b, fine_a)
    distance = np.sqrt(((short[:, None, :] - long[None, :, :]) ** 2).sum(axis=2).min(axis=1))
    beside = distance < reach
    if beside.mean() >= PATH_SHARE:
        return float(np.median(distance[beside]))
    joins = [(float(np.hypot(*(p[0] - q[0]))), float(np.dot(p[1], q[1]))) for p in _ends(a) for q in _ends(b)]
    gap, turn = min(joins)
    # ends that face each other along one line continue each other; their outward directions are opposite
    return gap + reach if gap < reach + JOIN_GAP_MM and turn < -0.9 else None


def _dense(path: Floats, step_mm: float = 1.0) -> Floats:
    """The path at even steps (about 1 mm, at most 400 of them)."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    count = int(np.clip(along[-1] / step_mm, 4, 400)) + 1
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, path[:, 0]), np.interp(at, along, path[:, 1])])


def _ends(path: Floats) -> list[tuple[Floats, Floats]]:
    """Both ends with the direction in which each leaves the path."""
    ends = []
    for line in (path, path[::-1]):
        inner = line[min(len(line) - 1, 5)]
        out = line[0] - inner
        ends.append((line[0], out / max(float(np.hypot(*out)), 1e-9)))
    return ends


def _merged(members: list[tuple[int, dict[str, Any]]], results: Sequence[dict[str, Any]]) -> Merged:
    best_first = sorted(members, key=lambda member: _worth(member[1], results[member[0]]))
    best = best_first[0][1]
    scores = pooled([find["kind_scores"] for _, find in members])
    in_glass = {kind: share for kind, share in scores.items() if kind != "not_glass"}
    kind = max(in_glass, key=lambda name: in_glass[name]) if in_glass else best["kind"]
    dismissed = scores.get("not_glass", 0.0) > sum(in_glass.values())
    names = [find["not_glass"] for _, find in best_first if find["not_glass"] is not None]
    path, length, length_sd = _joined_path(best_first)
    photos = {i for i, _ in members}
    missed = tuple(
        i
        for i, result in enumerate(results)
        if i not in photos and _would_show(result, best["x_mm"], best["y_mm"], best["length_mm"])
    )
    return Merged(
        members=tuple((i, find["number"]) for i, find in best_first),
        kind=kind,
        not_glass=names[0] if dismissed and names else None,
        kind_scores=scores,
        x_mm=best["x_mm"],
        y_mm=best["y_mm"],
        length_mm=length,
        width_mm=best["width_mm"],
        halo_mm=best["halo_mm"],
        length_sd_mm=length_sd,
        path_mm=path,
        missed_in=missed,
    )


def _worth(find: dict[str, Any], result: dict[str, Any]) -> tuple[bool, bool, float]:
    """Order of trust: whole before cut off by the border, sized before unsized, then the finer scale."""
    return ("touches_edge" in find["flags"], find["length_mm"] is None, _mm_per_px(result))


def pooled(opinions: Sequence[dict[str, float]]) -> dict[str, float]:
    """Probabilities of several photos as one: the normalised product, each opinion kept above 1 %.

    Photos under different light err for different reasons, so their opinions multiply (logarithmic opinion
    pool).
    """
    names = sorted({name for opinion in opinions for name in opinion})
    logs = {
        name: sum(math.log(max(opinion.get(name, 0.0), LEAST_PROBABILITY)) for opinion in opinions)
        for name in names
    }
    top = max(logs.values(), default=0.0)
    total = sum(math.exp(value - top) for value in logs.values())
    return {name: math.exp(value - top) / total for name, value in logs.items()}


def _joined_path(
    members: list[tuple[int, dict[str, Any]]],
) -> tuple[tuple[tuple[float, float], ...] | None, float | None, float | None]:
    """Path, length and its uncertainty of a mark; a scratch in
    several photos is put together along its course."""
    best = members[0][1]
    paths = [np.asarray(find["path_mm"], np.float64) for _, find in members if find["path_mm"] is not None]
    if not paths:
        return None, best["length_mm"], best["length_sd_mm"]
    whole = paths[0]
    for path in paths[1:]:
        whole = _extended(whole, path)
    grown = _arc(whole) / max(_arc(paths[0]), 1e-9)
    length = None if best["length_mm"] is None else best["length_mm"] * grown
    points = tuple((float(x), float(y)) for x, y in whole)
    return points, length, best["length_sd_mm"]


def _extended(whole: Floats, other: Floats) -> Floats:
    """`whole` with the parts of `other` that run on beyond its ends."""
    order = other if np.dot(whole[-1] - whole[0], other[-1] - other[0]) >= 0 else other[::-1]
    direction = whole[-1] - whole[0]
    direction = direction / max(float(np.hypot(*direction)), 1e-9)
    along = (order - whole[0]) @ direction
    first, last = 0.0, float((whole[-1] - whole[0]) @ direction)
    before, after = order[along < first - 1e-9], order[along > last + 1e-9]
    return np.concatenate([before, whole, after])


def _arc(path: Floats) -> float:
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def _would_show(result: dict[str, Any], x_mm: float, y_mm: float, length_mm: float | None) -> bool:
    """Whether a photo shows a place, and finely enough to size a mark of that length."""
    covered, smallest = result.get("covered_mm"), result.get("smallest_sized_mm")
    if covered is None or smallest is None or not _inside(covered, x_mm, y_mm):
        return False
    if any(_inside(place["box_mm"], x_mm, y_mm) for place in result.get("hidden") or ()):
        return False
    return length_mm is not None and length_mm >= smallest


def _inside(box_mm: Sequence[float], x_mm: float, y_mm: float) -> bool:
    return box_mm[0] <= x_mm <= box_mm[2] and box_mm[1] <= y_mm <= box_mm[3]
