"""A grade's rules on one sheet, turned into statements that also bind every piece cut from the sheet.

Each statement has the form "of these faults, at most so many (or so many mm) may lie in these zones of the
piece". The number may grow with the piece's area, never shrink, so what a piece breaks every smaller piece
inside it breaks too unless enough of the faults are left out or come to lie in another zone, nearer to an
edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial

import numpy as np

from models.grades.allowance import Allowance, ByArea, Unlimited
from models.grades.case import Case, Sized
from models.grades.circles import overfull_circles
from models.grades.classes import ClassTable, Spaced
from models.grades.edges import EdgeFault
from models.grades.lines import Lengths
from models.grades.questions import Question, SeenFrom
from models.grades.rules import Rule, When, Who
from models.grades.spacing import Cluster, Separation
from models.grades.verdict import NOT_JUDGED, REJECT

ANYWHERE: frozenset[int] | None = None
"""Zones of a statement that looks at the whole piece."""

Cap = Callable[[Case], Decimal | None]


@dataclass(frozen=True, slots=True)
class Limit:
    """At most `cap` of the members in `zones`; weights in mm where lengths are summed, None where faults
    count one.
    """

    members: frozenset[int]
    cap: Cap
    zones: frozenset[int] | None = ANYWHERE
    weights: dict[int, Decimal] | None = None
    when: When | None = None


@dataclass(frozen=True, slots=True)
class Crowd:
    """At most `most` of these few faults in `zones`: a pair too close, or a circle too full."""

    members: tuple[int, ...]
    most: int
    zones: frozenset[int] | None = ANYWHERE


@dataclass(slots=True)
class Constraints:
    """All statements that bind smaller pieces too. What a grade has besides is left to the judge, piece by
    piece.

    `clusters` are looked at again in each piece, as not every full circle is listed.
    """

    limits: list[Limit] = field(default_factory=list)
    crowds: list[Crowd] = field(default_factory=list)
    clusters: list[tuple[Cluster, frozenset[int], frozenset[int] | None]] = field(default_factory=list)

    def concerned(self) -> set[int]:
        """The faults on which any statement bears."""
        faults: set[int] = set()
        for limit in self.limits:
            faults |= limit.members
        for crowd in self.crowds:
            faults.update(crowd.members)
        for _, members, _ in self.clusters:
            faults |= members
        return faults


def constraints_of(case: Case) -> Constraints:
    """The statements that the case's grade makes about its sheet's faults.

    Of a fault whose size is unknown the case holds every way (`Worlds.every_way`). A piece passes only if it
    passes in all worlds, so what some way of a fault would break is broken: a fault is a member where any of
    its ways is one, with the longest of its lengths.
    """
    built = _Builder(case)
    for rule in rules_of_pieces(case):
        built.add(rule)
    built.uncovered()
    return built.result


def rules_of_pieces(case: Case) -> list[Rule]:
    """The rules that stand for such panes, their conditions on the pane's size left aside."""
    return [rule for rule in case.grade.rules if _could_hold(rule.when, case)]


def _could_hold(when: When, case: Case) -> bool:
    return When(thickness=when.thickness, panes=when.panes, use=when.use).holds(case)


class _Builder:
    def __init__(self, case: Case) -> None:
        self.case = case
        self.result = Constraints()
        self.names = [zone.name for zone in case.grade.zones]
        # by way: a fault is covered where each of its ways is
        self.claimed: dict[int, set[int]] = {id(way): set() for way in case.defects}

    def add(self, rule: Rule) -> None:
        if isinstance(rule, ClassTable):
            self._class_table(rule)
        elif isinstance(rule, Separation):
            self._separation(rule)
        elif isinstance(rule, Cluster):
            self._cluster(rule)
        elif isinstance(rule, Lengths):
            self._lengths(rule)
        elif isinstance(rule, EdgeFault):
            faults = self._faults(rule.who, claims=True)
            bad = [
                f for f in faults if any(r.outcome in (REJECT, NOT_JUDGED) for r in rule.one(f, self.case))
            ]
            self._forbid(bad, rule.who, rule.when)
        elif isinstance(rule, SeenFrom):
            faults = self._faults(rule.who, claims=True)
            self._forbid([f for f in faults if rule.forbids(f)], rule.who, rule.when)
        elif isinstance(rule, Question):
            faults = self._faults(rule.who, claims=True)
            if self.case.sheet.answers.get(rule.name) is not False:
                self._limit(faults, partial(_at_most, Decimal(rule.more_than)), rule.who, rule.when)

    def _class_table(self, rule: ClassTable) -> None:
        rows: list[list[Sized]] = [[] for _ in rule.classes]
        holes = []
        for fault in self._faults(rule.who, claims=True):
            place = rule.place(fault)
            if place is None:
                holes.append(fault)
            else:
                rows[place].append(fault)
        self._forbid(holes, rule.who, rule.when)
        for row, faults in zip(rule.classes, rows, strict=True):
            allowance = row.allowance
            if isinstance(allowance, Spaced):
                pairs = allowance.too_close(faults)
                self._pairs([(faults[i].index, faults[j].index) for i, j in pairs], self._zones(rule.who))
            elif not isinstance(allowance, Unlimited):
                self._limit(faults, partial(highest, allowance), rule.who, rule.when)

    def _separation(self, rule: Separation) -> None:
        faults, party = [], []
        for fault in self.case.defects:
            for place, who in enumerate(rule.parties):
                if _takes_anywhere(who, fault):
                    faults.append(fault)
                    party.append(place)
                    break
        zones = {self._zones(who) for who in rule.parties}
        if len(zones) > 1:
            return
        pairs = rule.pairs(faults, party)
        self._pairs([(faults[i].index, faults[j].index) for i, j in pairs], zones.pop())

    def _cluster(self, rule: Cluster) -> None:
        zones = {self._zones(who) for who in rule.parties}
        if len(zones) > 1:
            return
        zone = zones.pop()
        faults = [f for f in self.case.defects if any(_takes_anywhere(who, f) for who in rule.parties)]
        faults = list({f.index: f for f in faults}.values())
        if len(faults) <= rule.most:
            return
        self.result.clusters.append((rule, frozenset(f.index for f in faults), zone))
        if not rule.mutual:
            points = np.array([(float(f.x), float(f.y)) for f in faults])
            for group in overfull_circles(points, float(rule.across), rule.most):
                self.result.crowds.append(Crowd(tuple(faults[i].index for i in group), rule.most, zone))

    def _lengths(self, rule: Lengths) -> None:
        faults = self._faults(rule.who, claims=True)
        if rule.single is not None:
            most = rule.limit(rule.single, self.case)
            self._forbid([f for f in faults if f.length > most], rule.who, rule.when)
        if rule.total is not None or rule.total_by_area:
            weights: dict[int, Decimal] = {}
            for f in faults:
                weights[f.index] = max(f.length, weights.get(f.index, f.length))

            def cap(pane: Case) -> Decimal | None:
                totals = [total for areas, total in rule.total_by_area if areas.low <= pane.area_m2]
                if rule.total is not None:
                    totals.append(rule.total)
                return rule.limit(max(totals), pane) if totals else None

            self._limit(faults, cap, rule.who, rule.when, weights)

    def uncovered(self) -> None:
        """Faults on which no rule has a word, in the zones where that is so."""
        zones = self.case.grade.zones
        ignored = {i for i, zone in enumerate(zones) if zone.ignored}
        everywhere = set(range(max(1, len(zones))))
        for fault in self.case.defects:
            left = everywhere - self.claimed[id(fault)] - ignored
            if left:
                where = ANYWHERE if not zones or left == everywhere else frozenset(left)
                self.result.limits.append(Limit(frozenset((fault.index,)), _none, where))

    def _faults(self, who: Who, *, claims: bool) -> list[Sized]:
        faults = [fault for fault in self.case.defects if _takes_anywhere(who, fault)]
        if claims:
            zones = self._zones(who)
            for fault in faults:
                self.claimed[id(fault)] |= set(range(max(1, len(self.names)))) if zones is None else zones
        return faults

    def _zones(self, who: Who) -> frozenset[int] | None:
        return frozenset(self.names.index(name) for name in who.zones) if who.zones else ANYWHERE

    def _forbid(self, faults: list[Sized], who: Who, when: When) -> None:
        self._limit(faults, _none, who, when)

    def _limit(
        self, faults: list[Sized], cap: Cap, who: Who, when: When, weights: dict[int, Decimal] | None = None
    ) -> None:
        if faults:
            sized = when.area is not None or when.longest_side is not None
            members = frozenset(fault.index for fault in faults)
            self.result.limits.append(Limit(members, cap, self._zones(who), weights, when if sized else None))

    def _pairs(self, pairs: list[tuple[int, int]], zones: frozenset[int] | None) -> None:
        apart = dict.fromkeys((min(pair), max(pair)) for pair in pairs if pair[0] != pair[1])
        self.result.crowds += [Crowd(pair, 1, zones) for pair in apart]


def _at_most(most: Decimal, pane: Case) -> Decimal | None:
    return most


def _none(pane: Case) -> Decimal | None:
    return Decimal(0)


def _takes_anywhere(who: Who, fault: Sized) -> bool:
    if not who.of_kind(fault.kinds):
        return False
    return who.size is None or fault.size in who.size


def highest(allowance: Allowance, pane: Case) -> Decimal | None:
    """The largest limit that the allowance gives to the pane or to any smaller one inside it."""
    if not isinstance(allowance, ByArea):
        return allowance.limit(pane)
    limits = [step.limit(pane) for areas, step in allowance.steps if areas.low <= pane.area_m2]
    if any(limit is None for limit in limits):
        return None
    return max((limit for limit in limits if limit is not None), default=Decimal(0))
