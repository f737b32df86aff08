"""Which finds of a sheet's photos belong together, nearest pairs first, and which pairs nobody can tell."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.sheet.pairs import PERHAPS, Link, in_a_row, link_of, place_sd_mm
from models.sheet.seen import Box, SeenFind, SeenPhoto

Pair = tuple[Hashable, Hashable]


@dataclass(frozen=True, slots=True)
class Doubt:
    """Two of the defects seen that may be one. first, second : places in `Joined.groups`."""

    first: int
    second: int
    gap_mm: float
    place_sd_mm: float

    @property
    def says(self) -> str:
        return (
            f"they lie {self.gap_mm:.1f} mm apart in different photos, whose places are good to"
            f" {2 * self.place_sd_mm:.1f} mm: they may be one"
        )


def grouped(
    finds: Sequence[SeenFind],
    photos: Mapping[Hashable, SeenPhoto],
    same: Iterable[Pair] = (),
    apart: Iterable[Pair] = (),
) -> tuple[list[tuple[SeenFind, ...]], list[Doubt]]:
    """Groups of finds that are one defect, from the leading edge on, and the doubts between groups.

    same, apart : pairs of refs of which a person has said that they are one, or two.
    """
    place = {find.ref: k for k, find in enumerate(finds)}
    sets = Sets(len(finds))
    for a, b in same:
        if a in place and b in place:
            sets.merge(place[a], place[b])
    never = {frozenset((place[a], place[b])) for a, b in apart if a in place and b in place}
    doubtful: list[tuple[Link, int, int]] = []
    for link, a, b in sorted(_links(finds, photos), key=lambda entry: (entry[0].gap_mm, entry[1], entry[2])):
        if not link.sure:
            doubtful.append((link, a, b))
        elif _may_merge(sets, a, b, finds, photos, never):
            sets.merge(a, b)
    listed = sets.listed()
    order = sorted(listed, key=lambda places: (finds[places[0]].y_mm, finds[places[0]].x_mm))
    group_of = {k: number for number, places in enumerate(order) for k in places}
    doubts: dict[tuple[int, int], Doubt] = {}
    for link, a, b in doubtful:
        if _may_merge(sets, a, b, finds, photos, never):
            key = min(group_of[a], group_of[b]), max(group_of[a], group_of[b])
            sd = place_sd_mm(photos[finds[a].photo], photos[finds[b].photo])
            doubts.setdefault(key, Doubt(*key, link.gap_mm, sd))
    return [tuple(finds[k] for k in places) for places in order], list(doubts.values())


def _links(finds: Sequence[SeenFind], photos: Mapping[Hashable, SeenPhoto]) -> list[tuple[Link, int, int]]:
    """What finds of different photos are to each other, as places in `finds`."""
    if not finds:
        return []
    boxes = np.array([_box(find) for find in finds])
    sds = np.array([photos[find.photo].place_sd_mm for find in finds])
    found = []
    for a in range(len(finds) - 1):
        # nothing further apart than this can be one; the rest is told exactly
        reach = PERHAPS * np.hypot(
            np.hypot(sds[a], sds[a + 1 :]), 0.15 * np.maximum(_long(finds[a]), 1.0) + 5.0
        )
        later = boxes[a + 1 :]
        near = (
            (later[:, 0] <= boxes[a, 2] + reach)
            & (later[:, 2] >= boxes[a, 0] - reach)
            & (later[:, 1] <= boxes[a, 3] + reach)
            & (later[:, 3] >= boxes[a, 1] - reach)
        )
        for b in (np.flatnonzero(near) + a + 1).tolist():
            if finds[a].photo == finds[b].photo and finds[a].counts and finds[b].counts:
                continue
            link = link_of(finds[a], finds[b], photos[finds[a].photo], photos[finds[b].photo])
            if link is not None:
                found.append((link, a, b))
    return found


def _may_merge(
    sets: Sets,
    a: int,
    b: int,
    finds: Sequence[SeenFind],
    photos: Mapping[Hashable, SeenPhoto],
    never: set[frozenset[int]],
) -> bool:
    """Whether two groups may be one: two spots of one photo are two, and so are lines of it side by side."""
    if sets.root(a) == sets.root(b):
        return False
    one, other = sets.of(a), sets.of(b)
    if any(frozenset((i, j)) in never for i in one for j in other):
        return False
    by_photo: dict[Hashable, list[int]] = {}
    for k in (*one, *other):
        if finds[k].counts:
            by_photo.setdefault(finds[k].photo, []).append(k)
    for photo, members in by_photo.items():
        if len(members) < 2:
            continue
        if not finds[members[0]].is_line:
            return False
        if not in_a_row([np.asarray(finds[k].path_mm) for k in members], photos[photo].place_sd_mm):
            return False
    return True


def _box(find: SeenFind) -> Box:
    if not find.path_mm:
        return find.x_mm, find.y_mm, find.x_mm, find.y_mm
    path = np.asarray(find.path_mm)
    (x0, y0), (x1, y1) = path.min(axis=0), path.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _long(find: SeenFind) -> float:
    return 0.0 if find.is_line else find.length_mm or 0.0


class Sets:
    """Disjoint sets of 0 .. n-1."""

    def __init__(self, count: int) -> None:
        self._root = list(range(count))
        self._members = {k: [k] for k in range(count)}

    def root(self, k: int) -> int:
        while self._root[k] != k:
            self._root[k] = self._root[self._root[k]]
            k = self._root[k]
        return k

    def of(self, k: int) -> list[int]:
        return self._members[self.root(k)]

    def merge(self, a: int, b: int) -> None:
        a, b = sorted((self.root(a), self.root(b)))
        if a != b:
            self._root[b] = a
            self._members[a] += self._members.pop(b)

    def listed(self) -> list[list[int]]:
        return [sorted(members) for _, members in sorted(self._members.items())]
