"""The finds of all photos of a sheet put together into the defects seen. Pure.

Repeats in several photos are one defect; pieces of a line that overlap, touch, or leave a gap smaller than
their places are uncertain are one path with the length of their union. What nobody can tell from the places
(one or two?) is kept as a doubt, and `Joined.readings` gives every way to take it. A line that ends on the
border of its photo, and that no other photo closes, is open there.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.sheet.grouping import Doubt, Pair, Sets, grouped
from models.sheet.pairs import PERHAPS, SURE, place_sd_mm
from models.sheet.paths import Floats, middle, unite
from models.sheet.seen import Point, SeenFind, SeenPhoto

#: mm from the glass's edge within which an end lies on it (cut edges in photos are good to some mm)
EDGE_MM = 3.0
#: what photos together call no defect counts as one while they are less sure than this: a missed stone costs
#: more than a second look (set by hand)
SURELY_NOT_GLASS = 0.8
#: smallest share that one photo's opinion gives any kind, so that no photo overrules all others
LEAST_SHARE = 0.01
#: more doubts than this are not taken one by one: all as one, all as two, and without them
MOST_DOUBTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenDefect:
    """One defect as all photos together show it.

    members : refs of its finds, the one to trust first.  kind, not_glass, kind_scores : all photos' opinions.
    x_mm, y_mm : its middle.  length_mm : None where no photo could size it; then it is at most
    `length_at_most_mm` (None: not known).  path_mm : of a line, put together.  open_at_mm : where it runs out
    of all photos; its length is then at least `length_mm`.  missed_in : refs of photos that show the place
    finely enough and do not show it.
    """

    members: tuple[Hashable, ...]
    kind: str
    not_glass: str | None
    kind_scores: Mapping[str, float]
    x_mm: float
    y_mm: float
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    width_sd_mm: float | None
    angle_deg: float | None
    path_mm: tuple[Point, ...]
    length_at_most_mm: float | None
    open_at_mm: tuple[Point, ...]
    missed_in: tuple[Hashable, ...]


Reading = tuple[tuple[Doubt, ...], tuple[tuple[tuple[int, ...], SeenDefect], ...]]


class Joined:
    """Finds in groups, one for each defect seen, with the doubts between groups."""

    def __init__(
        self,
        photos: Mapping[Hashable, SeenPhoto],
        groups: Sequence[tuple[SeenFind, ...]],
        doubts: Sequence[Doubt],
        sheet_mm: tuple[float, float] | None,
    ) -> None:
        self.groups = tuple(groups)
        self.doubts = tuple(doubts)
        self._photos = photos
        self._sheet_mm = sheet_mm
        self.defects = tuple(self._defect(group) for group in self.groups)

    def readings(self, doubts: Sequence[Doubt] | None = None) -> Iterator[Reading]:
        """Other ways to take the finds: (doubts taken as one, groups by place with the defect they are then).

        doubts : those that matter, all where none are given. Up to four in every combination; of more: all as
        one, and all of them left out, so that an answer holds for any combination whose defects only add up.
        """
        given = self.doubts if doubts is None else tuple(doubts)
        if not given:
            return
        if len(given) <= MOST_DOUBTS:
            for count in range(1, len(given) + 1):
                for chosen in itertools.combinations(given, count):
                    yield chosen, self._taken_as_one(chosen)
            return
        yield given, self._taken_as_one(given)
        unclear = {k for doubt in given for k in (doubt.first, doubt.second)}
        yield given, tuple(((k,), d) for k, d in enumerate(self.defects) if k not in unclear)

    def _taken_as_one(self, doubts: Sequence[Doubt]) -> tuple[tuple[tuple[int, ...], SeenDefect], ...]:
        sets = Sets(len(self.groups))
        for doubt in doubts:
            sets.merge(doubt.first, doubt.second)
        return tuple(
            (
                tuple(places),
                self.defects[places[0]]
                if len(places) == 1
                else self._defect(tuple(find for k in places for find in self.groups[k])),
            )
            for places in sets.listed()
        )

    def _defect(self, group: tuple[SeenFind, ...]) -> SeenDefect:
        counted = [find for find in group if find.counts] or list(group)
        best_first = sorted(counted, key=self._trust)
        best = best_first[0]
        scores = pooled([find.kind_scores for find in counted if find.kind_scores])
        photos = {find.photo for find in counted}
        limits = [
            p.smallest_sized_mm for p in (self._photos[k] for k in photos) if p.smallest_sized_mm is not None
        ]
        seen = SeenDefect(
            members=tuple(find.ref for find in best_first)
            + tuple(find.ref for find in group if find not in counted),
            kind=best.kind if len(counted) == 1 else _kind(scores, best),
            not_glass=_not_glass(scores, best_first),
            kind_scores=scores,
            x_mm=best.x_mm,
            y_mm=best.y_mm,
            length_mm=best.length_mm,
            width_mm=best.width_mm,
            halo_mm=best.halo_mm,
            length_sd_mm=best.length_sd_mm,
            width_sd_mm=best.width_sd_mm,
            angle_deg=best.angle_deg,
            path_mm=best.path_mm,
            length_at_most_mm=min(limits, default=None) if best.length_mm is None else None,
            open_at_mm=(),
            missed_in=(),
        )
        if best.is_line:
            seen = self._line(seen, [find for find in best_first if find.is_line])
        elif best.cut and not self._on_edge(best.x_mm, best.y_mm, (best.length_mm or 0.0) / 2):
            seen = replace(seen, open_at_mm=((best.x_mm, best.y_mm),))
        return replace(seen, missed_in=self._missed(seen, photos))

    def _line(self, seen: SeenDefect, pieces: list[SeenFind]) -> SeenDefect:
        if len(pieces) == 1:
            path = np.asarray(pieces[0].path_mm, np.float64)
            return replace(seen, open_at_mm=self._open_ends(path, (pieces[0], pieces[0]), pieces))
        reach = PERHAPS * self._worst_sd(pieces)
        paths = [np.asarray(piece.path_mm, np.float64) for piece in pieces]
        union = unite(paths, [piece.length_mm for piece in pieces], reach)
        ends = pieces[union.first], pieces[union.last]
        x, y = middle(union.path)
        whole = np.asarray(union.path[-1] - union.path[0])
        return replace(
            seen,
            x_mm=x,
            y_mm=y,
            length_mm=None if all(piece.length_mm is None for piece in pieces) else union.length_mm,
            length_at_most_mm=None,
            length_sd_mm=self._length_sd(ends, union.joints, pieces),
            width_mm=_by_length(pieces, [piece.width_mm for piece in pieces]),
            width_sd_mm=_by_length(pieces, [piece.width_sd_mm for piece in pieces]),
            angle_deg=math.degrees(math.atan2(whole[1], whole[0])) % 180.0,
            path_mm=tuple((float(px), float(py)) for px, py in union.path),
            open_at_mm=self._open_ends(union.path, ends, pieces),
        )

    def _length_sd(
        self, ends: tuple[SeenFind, SeenFind], joints: int, pieces: Sequence[SeenFind]
    ) -> float | None:
        """Half of each end piece's variance, since each gives one end, and the places' at each joint."""
        if ends[0] is ends[1]:
            return ends[0].length_sd_mm
        parts = [end.length_sd_mm for end in ends if end.length_sd_mm is not None]
        if not parts:
            return None
        joint = self._worst_sd(pieces) * math.sqrt(joints)
        return math.hypot(*(part / math.sqrt(2) for part in parts), joint)

    def _open_ends(
        self, path: Floats, owners: tuple[SeenFind, SeenFind], pieces: Sequence[SeenFind]
    ) -> tuple[Point, ...]:
        places = []
        for end, owner in ((path[0], owners[0]), (path[-1], owners[1])):
            x, y = float(end[0]), float(end[1])
            photo = self._photos[owner.photo]
            if photo.covered_mm is None:
                if not owner.cut:
                    continue
            elif not photo.at_border(x, y):
                continue
            if not self._on_edge(x, y) and not any(
                self._closes(piece, x, y, photo) for piece in pieces if piece.photo != owner.photo
            ):
                places.append((x, y))
        return tuple(places)

    def _closes(self, piece: SeenFind, x: float, y: float, photo: SeenPhoto) -> bool:
        """Whether another photo shows the line's end here, well inside of what it shows."""
        other = self._photos[piece.photo]
        reach = SURE * place_sd_mm(photo, other) + 2 * max(photo.mm_per_px, other.mm_per_px)
        return any(
            math.hypot(px - x, py - y) <= reach and not other.at_border(px, py)
            for px, py in (piece.path_mm[0], piece.path_mm[-1])
        )

    def _on_edge(self, x: float, y: float, half_mm: float = 0.0) -> bool:
        if self._sheet_mm is None:
            return False
        width, length = self._sheet_mm
        return min(x, y, width - x, length - y) <= EDGE_MM + half_mm

    def _trust(self, find: SeenFind) -> tuple[bool, bool, float, float]:
        """Order of trust: whole before cut off, sized before unsized, then of a line the longest, of a spot
        the least uncertain.
        """
        size = -(find.length_mm or 0.0) if find.is_line else (find.length_sd_mm or math.inf)
        return find.cut and not find.is_line, find.length_mm is None, size, self._photos[find.photo].mm_per_px

    def _worst_sd(self, pieces: Sequence[SeenFind]) -> float:
        sds = sorted((self._photos[piece.photo].place_sd_mm for piece in pieces), reverse=True)
        return math.hypot(*sds[:2])

    def _missed(self, seen: SeenDefect, photos: set[Hashable]) -> tuple[Hashable, ...]:
        return tuple(
            ref
            for ref, photo in self._photos.items()
            if ref not in photos
            and seen.length_mm is not None
            and photo.smallest_sized_mm is not None
            and seen.length_mm >= photo.smallest_sized_mm
            and photo.shows(seen.x_mm, seen.y_mm, seen.length_mm / 2 if not seen.path_mm else 0.0)
        )


def join(
    photos: Sequence[SeenPhoto],
    finds: Sequence[SeenFind],
    *,
    sheet_mm: tuple[float, float] | None = None,
    same: Iterable[Pair] = (),
    apart: Iterable[Pair] = (),
) -> Joined:
    """The defects that the finds of a sheet's photos show, from the leading edge on.

    sheet_mm : width and length of the sheet, so that ends on its edge are told.  same, apart : pairs of refs
    of finds of which a person has said that they are one, or two.
    """
    by_ref = {photo.ref: photo for photo in photos}
    groups, doubts = grouped([find for find in finds if find.photo in by_ref], by_ref, same, apart)
    return Joined(by_ref, groups, doubts, sheet_mm)


def pooled(opinions: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Probabilities of several photos as one: the normalised product, each opinion kept above 1 %.

    Photos under different light err for different reasons, so their opinions multiply (logarithmic opinion
    pool).
    """
    names = sorted({name for opinion in opinions for name in opinion})
    logs = {
        name: sum(math.log(max(opinion.get(name, 0.0), LEAST_SHARE)) for opinion in opinions)
        for name in names
    }
    top = max(logs.values(), default=0.0)
    total = sum(math.exp(value - top) for value in logs.values())
    return {name: math.exp(value - top) / total for name, value in logs.items()}


def _kind(scores: Mapping[str, float], best: SeenFind) -> str:
    in_glass = {kind: share for kind, share in scores.items() if kind != "not_glass"}
    return max(in_glass, key=lambda name: in_glass[name]) if in_glass else best.kind


def _not_glass(scores: Mapping[str, float], best_first: Sequence[SeenFind]) -> str | None:
    """What it is instead of a defect: if every photo says so, or all together are sure of it."""
    names = [find.not_glass for find in best_first if find.not_glass is not None]
    if not names:
        return None
    sure = scores.get("not_glass", 0.0) >= SURELY_NOT_GLASS
    return names[0] if sure or len(names) == len(best_first) else None


def _by_length(pieces: Sequence[SeenFind], values: Sequence[float | None]) -> float | None:
    """Mean over the pieces that have the value, weighed by their lengths: a whole line's width is such a
    mean.
    """
    known = [
        (piece.length_mm or 0.0, value)
        for piece, value in zip(pieces, values, strict=True)
        if value is not None
    ]
    total = sum(length for length, _ in known)
    if not known:
        return None
    return sum(length * value for length, value in known) / total if total else known[0][1]
