"""The largest piece of a sheet, edges parallel to the sheet's, that meets the grade when it is judged by
itself.

A best-first search. It starts with the whole sheet. If a piece breaks a rule, some few faults can be named
of which any smaller piece must leave out at least one (or bring it nearer to an edge, into another zone,
where the grade has zones). Leaving one out means cutting beyond it on one of four sides, so every smaller
piece that passes lies in one of four smaller pieces. Always the largest piece at hand is taken; the first
that passes is the largest there is. No cut runs through a fault on which a rule bears: a piece holds it
whole or not at all, and so does every piece inside. The four are kept apart: what the first cut allows, the
others leave out, and a piece that must keep more faults than allowed is dropped at once. Each answer is
judged as a sheet of its own before it is given.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal

from models.grades.case import Case, Sized, Zone, pane_of
from models.grades.constraints import Constraints, Crowd, constraints_of, rules_of_pieces
from models.grades.cuts import Broken, Near, above, amount, area, below, better, nearest, too_many
from models.grades.grade import Grade
from models.grades.judge import judge
from models.grades.numbers import rounded_at
from models.grades.piece import MICRON, Extent, Rect, extent_of, piece_of
from models.grades.sheet import SheetToJudge
from models.grades.verdict import ACCEPT, Verdict
from models.grades.worlds import worlds_of_pieces

_FAR = 1 << 60
_OPEN = (_FAR, _FAR, -_FAR, -_FAR)


@dataclass(frozen=True, slots=True)
class Answer:
    """The piece found: its edges in microns, the faults on it, its verdict, whether none larger can pass."""

    rect: Rect
    kept: tuple[int, ...]
    verdict: Verdict
    proved: bool
    looked_at: int


@dataclass(slots=True)
class _Node:
    """Pieces inside `rect` whose left edge lies before open_[0], lower before [1], right beyond [2], upper
    beyond [3].
    """

    rect: Rect
    open_: tuple[int, int, int, int]
    inside: list[int]
    crowds: list[Crowd]


class Search:
    def __init__(
        self, sheet: SheetToJudge, grade: Grade, confirmed_by: str | None, least: Decimal, clearance: Decimal
    ) -> None:
        self.sheet, self.grade, self.confirmed_by = sheet, grade, confirmed_by
        self.case: Case = pane_of(sheet, grade)
        every_way = worlds_of_pieces(self.case, rules_of_pieces(self.case)).every_way()
        self.faults: dict[int, Sized] = {way.index: way for way in every_way.defects}
        self.extents: list[Extent] = [extent_of(defect, sheet, clearance) for defect in sheet.defects]
        self.stated: Constraints = constraints_of(every_way)
        self.least = int((least * MICRON).to_integral_value(rounding=ROUND_CEILING))
        self.zones: tuple[Zone, ...] = grade.zones
        self.of_fault: dict[int, list[int]] = {}
        for place, limit in enumerate(self.stated.limits):
            for fault in limit.members:
                self.of_fault.setdefault(fault, []).append(place)
        self.proved = not (self.zones and any(d.path_mm for d in sheet.defects))
        self.whole: Rect = (0, 0, int(self.case.width * MICRON), int(self.case.length * MICRON))
        self.count = 0
        self.seen: dict[Rect, list[tuple[int, int, int, int]]] = {}

    def run(self, most_looked_at: int) -> Answer | None:
        """The largest accepted piece; after `most_looked_at` pieces only the most promising are followed."""
        whole = self.whole
        concerned = sorted(self.stated.concerned())
        heap: list[tuple[int, int, _Node]] = []
        ticket = 0
        first = self._child(whole, _OPEN, concerned, self.stated.crowds)
        if first is not None:
            heap.append((-area(whole), ticket, first))
        while heap:
            self.count += 1
            if self.count > most_looked_at and len(heap) > 40:
                heap = heapq.nsmallest(40, heap)
                self.proved = False
            _, _, node = heapq.heappop(heap)
            broken = self._broken(node)
            if broken is None:
                answer, broken = self._judged(node)
                if answer is not None:
                    return answer
                if broken is None:
                    continue
            for child in self._children(node, broken):
                ticket += 1
                heapq.heappush(heap, (-area(child.rect), ticket, child))
        return None

    # one piece

    def _pane(self, rect: Rect) -> Case:
        """The case of a piece without its faults: what limits depend on."""
        width, length = (rect[2] - rect[0]) / MICRON, (rect[3] - rect[1]) / MICRON
        area = width * length / 1_000_000
        return replace(
            self.case, width=width, length=length, exact_area_m2=area,
            area_m2=rounded_at(area, self.grade.area_decimals, self.grade.area_rounding),
            perimeter_m=2 * (width + length) / 1000,
        )  # fmt: skip

    def _zones(self, faults: list[int], rect: Rect) -> dict[int, int]:
        """The zone of the piece in which each fault lies, by its place moved onto the piece."""
        width, length = (rect[2] - rect[0]) / MICRON, (rect[3] - rect[1]) / MICRON
        bands = [
            ((zone.reach(width) or 0) * MICRON, (zone.reach(length) or 0) * MICRON, zone.outer_end_in)
            for zone in self.zones[:-1]
        ]
        innermost = max(0, len(self.zones) - 1)
        found = {}
        for fault in faults:
            place = self.extents[fault]
            across = max(0, min(place.x - rect[0], rect[2] - place.x))
            along = max(0, min(place.y - rect[1], rect[3] - place.y))
            found[fault] = innermost
            for i, (reach_x, reach_y, end_in) in enumerate(bands):
                if (
                    across < reach_x
                    or along < reach_y
                    or (end_in and (across == reach_x or along == reach_y))
                ):
                    found[fault] = i
                    break
        return found

    def _broken(self, node: _Node) -> Broken | None:
        """The broken statement whose four smaller pieces are smallest; None where all are kept."""
        rect = node.rect
        zone = self._zones(node.inside, rect) if self.zones else {}
        pane = self._pane(rect)
        members: dict[int, list[int]] = {}
        for fault in node.inside:
            for place in self.of_fault.get(fault, ()):
                zones = self.stated.limits[place].zones
                if zones is None or zone[fault] in zones:
                    members.setdefault(place, []).append(fault)
        near = self._nearness(node).__getitem__
        best: Broken | None = None
        for fault in self._cut_through(node.inside, rect):
            best = better(best, self._cuts(rect, [fault], None, zone))
        for place, faults in members.items():
            limit = self.stated.limits[place]
            if limit.when is not None and not limit.when.holds(pane):
                continue
            chosen = too_many(limit, faults, limit.cap(pane), near)
            if chosen:
                if limit.when is not None:
                    self.proved = False  # on a smaller pane the rule may not stand
                best = better(best, self._cuts(rect, chosen, limit.zones, zone))
        crowd = self._worst_crowd(node, zone, near)
        if crowd is not None:
            chosen = sorted(crowd[0], key=near)[: crowd[1].most + 1]
            best = better(best, self._cuts(rect, chosen, crowd[1].zones, zone))
        return best if best is not None else self._cluster(node, zone, near)

    def _cut_through(self, faults: Iterable[int], rect: Rect) -> list[int]:
        """Faults that one of the piece's edges runs through; none does where the sheet itself ends."""
        x0, y0, x1, y1 = rect
        right, trailing = self.whole[2], self.whole[3]
        return [
            i
            for i in faults
            if (self.extents[i].x0 < x0 and x0 > 0)
            or (self.extents[i].y0 < y0 and y0 > 0)
            or (self.extents[i].x1 > x1 and x1 < right)
            or (self.extents[i].y1 > y1 and y1 < trailing)
        ]

    def _nearness(self, node: _Node) -> dict[int, float]:
        """How far each fault lies from the middle of the piece: 0 in the middle, 1 at an edge."""
        x0, y0, x1, y1 = node.rect
        width, length, x, y = x1 - x0, y1 - y0, x0 + x1, y0 + y1
        found = {}
        for fault in node.inside:
            place = self.extents[fault]
            across, along = abs(place.x0 + place.x1 - x) / width, abs(place.y0 + place.y1 - y) / length
            found[fault] = across if across > along else along
        return found

    def _worst_crowd(self, node: _Node, zone: dict[int, int], near: Near) -> tuple[list[int], Crowd] | None:
        inside = set(node.inside)
        best: tuple[float, list[int], Crowd] | None = None
        for crowd in node.crowds:
            faults = [i for i in crowd.members if i in inside]
            if crowd.zones is not None:
                faults = [i for i in faults if zone[i] in crowd.zones]
            if len(faults) > crowd.most:
                far = sorted(near(i) for i in faults)[crowd.most]
                if best is None or far < best[0]:
                    best = (far, faults, crowd)
        return None if best is None else (best[1], best[2])

    def _cluster(self, node: _Node, zone: dict[int, int], near: Near) -> Broken | None:
        """A full circle that was not listed; it is listed from here on."""
        for rule, members, zones in self.stated.clusters:
            faults = [i for i in node.inside if i in members and (zones is None or zone[i] in zones)]
            if len(faults) <= rule.most:
                continue
            group, _, _ = rule.crowd([self.faults[i] for i in faults])
            if len(group) > rule.most:
                crowd = Crowd(tuple(fault.index for fault in group), rule.most, zones)
                node.crowds.append(crowd)
                chosen = sorted(crowd.members, key=near)[: rule.most + 1]
                return self._cuts(node.rect, chosen, zones, zone)
        return None

    def _judged(self, node: _Node) -> tuple[Answer | None, Broken | None]:
        """The piece before the judge: an answer, or what he holds against it."""
        piece, kept = piece_of(self.sheet, node.rect, self.extents)
        verdict = judge(piece, self.grade, confirmed_by=self.confirmed_by)
        if verdict.outcome == ACCEPT:
            return Answer(node.rect, kept, verdict, self.proved, self.count), None
        self.proved = False
        for reason in verdict.reasons:
            if reason.outcome != ACCEPT and reason.finds:
                return None, self._cuts(node.rect, [kept[i] for i in reason.finds], None, {})
        return None, None

    # smaller pieces

    def _cuts(
        self, rect: Rect, faults: Iterable[int], zones: frozenset[int] | None, zone: dict[int, int]
    ) -> Broken:
        cuts = nearest([self._ways_out(fault, rect, zones, zone) for fault in faults])
        width, length = rect[2] - rect[0], rect[3] - rect[1]
        worst = max(
            (rect[2] - cuts[0]) * length,
            (rect[3] - cuts[1]) * width,
            (cuts[2] - rect[0]) * length,
            (cuts[3] - rect[1]) * width,
        )
        return Broken(cuts, worst)

    def _ways_out(self, fault: int, rect: Rect, zones: frozenset[int] | None, zone: dict[int, int]) -> Rect:
        """For each side the nearest edge that can free a smaller piece of the fault."""
        place = self.extents[fault]
        outward = None
        if zones is not None:
            outward = max((j for j in range(zone[fault]) if j not in zones), default=None)
        if outward is None:
            return (place.x1, place.y1, place.x0, place.y0)
        band, x, y = self.zones[outward], Decimal(place.x), Decimal(place.y)
        ends = band.outer_end_in
        if band.to_mm is not None:
            reach = band.to_mm * MICRON
            return (
                above(x - reach, ends), above(y - reach, ends),
                below(x + reach, ends), below(y + reach, ends),
            )  # fmt: skip
        # the band is part of the side: it is widest while the opposite edge stays where it is
        part = band.to_fraction or Decimal(0)
        rest = 1 - part
        return (
            above((x - part * rect[2]) / rest, ends), above((y - part * rect[3]) / rest, ends),
            below((x - part * rect[0]) / rest, ends), below((y - part * rect[1]) / rest, ends),
        )  # fmt: skip

    def _children(self, node: _Node, broken: Broken) -> list[_Node]:
        rect, open_ = node.rect, list(node.open_)
        smaller: list[tuple[int, int, Rect]] = []
        for side in range(4):
            edges = list(rect)
            edges[side] = broken.cuts[side]
            piece: Rect = (edges[0], edges[1], edges[2], edges[3])
            smaller.append((area(piece), side, piece))
        smaller.sort()
        children = []
        for _, side, piece in smaller:
            child = self._child(piece, (open_[0], open_[1], open_[2], open_[3]), node.inside, node.crowds)
            if child is not None:
                children.append(child)
            # every piece that makes this cut lies in that child, so those still to come do not make it
            pick = min if side < 2 else max
            open_[side] = pick(open_[side], broken.cuts[side])
        return children

    def _child(
        self, rect: Rect, open_: tuple[int, int, int, int], inside: list[int], crowds: list[Crowd]
    ) -> _Node | None:
        """A smaller piece, or None where it is too small or must keep more than it may."""
        if rect[2] - rect[0] < self.least or rect[3] - rect[1] < self.least:
            return None
        if rect[0] >= open_[0] or rect[1] >= open_[1] or rect[2] <= open_[2] or rect[3] <= open_[3]:
            return None
        if self._seen(rect, open_):
            return None
        extents = self.extents
        here = [i for i in inside if extents[i].touches(rect)]
        present = set(here)
        must = {
            i
            for i in here
            if extents[i].x1 >= open_[0]
            and extents[i].y1 >= open_[1]
            and extents[i].x0 <= open_[2]
            and extents[i].y0 <= open_[3]
        }
        left = []
        for crowd in crowds:
            if len(present.intersection(crowd.members)) > crowd.most:
                if crowd.zones is None and len(must.intersection(crowd.members)) > crowd.most:
                    return None
                left.append(crowd)
        if must and (self._cut_through(must, rect) or self._over(must, rect)):
            return None
        return _Node(rect, open_, here, left)

    def _seen(self, rect: Rect, open_: tuple[int, int, int, int]) -> bool:
        """Whether all these pieces, or more, have been taken up already."""
        known = self.seen.setdefault(rect, [])
        for o in known:
            if o[0] >= open_[0] and o[1] >= open_[1] and o[2] <= open_[2] and o[3] <= open_[3]:
                return True
        known.append(open_)
        return False

    def _over(self, must: set[int], rect: Rect) -> bool:
        """Whether the faults that every piece inside must keep are more than allowed."""
        kept: dict[int, list[int]] = {}
        for fault in must:
            for place in self.of_fault.get(fault, ()):
                kept.setdefault(place, []).append(fault)
        pane: Case | None = None
        for place, faults in kept.items():
            limit = self.stated.limits[place]
            if limit.zones is not None or limit.when is not None:
                continue
            pane = pane or self._pane(rect)
            cap = limit.cap(pane)
            if cap is not None and amount(limit, faults) > cap:
                return True
        return False
