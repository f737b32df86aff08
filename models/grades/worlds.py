"""A sheet with every size that its faults can have: one world for each choice of sizes.

What a rule says of a world hangs on the parts (`Rule.part`) of the faults alone, and where it `grows` on
their lengths, of which more is never better. Every rule, taken for itself, gets worse only by more faults
and by larger ones, which a property test holds for all grades. From this follow the three proofs here.

*What a rule can say at its worst.* A table rejects by one of its rows, and a row looks at nothing but its own
members: the world in which every fault that can be in the row is in it, at its largest, is the worst for it.
Crowds, lengths, questions, edges and sides look at each fault by its part alone: the world in which every
fault has that part, where it can have it, is the worst; a fault that cannot have it takes its longest way
of those that the rule looks at. A distance is broken by a pair: all ways of all faults are laid out at once,
and a pair of two faults that is too close is a world in which they are. Of rules one of which must be kept
it is enough that one is never broken.

*That all worlds are rejected.* What rejects a part of the faults rejects any more of them. So faults are put
in one by one, each in all its ways, and where the faults put in so far are rejected nothing more is tried.

*That nothing else can happen.* Where the worlds are few they are all judged; where they are not, and the two
proofs above fail, the answer is that it is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from math import prod

from models.grades.case import Case, Sized, pane_of, sized
from models.grades.grade import Grade
from models.grades.lines import Lengths
from models.grades.questions import AnyOf
from models.grades.rules import Rule
from models.grades.sheet import SheetToJudge
from models.grades.spacing import Separation
from models.grades.verdict import ACCEPT, WEIGHT, outcome_of
from models.grades.ways import Unsure, WaysOf, by_length, by_size, extremes, is_unsure

MOST_WORLDS = 400
"""So many worlds, or steps of the second proof, are looked at, and fewer on sheets with many faults."""

MANY_FAULTS = 50


@dataclass(frozen=True, slots=True)
class Worlds:
    """A pane, the faults of which nothing is open to a grade, and those with several ways.

    pane : the case without defects.  known : in the sheet's order; with those whose size is unknown but makes
    no difference.  unsure : all faults of unknown size, and varying those of them with more than one way.
    """

    pane: Case
    known: tuple[Sized, ...]
    unsure: tuple[Unsure, ...]
    varying: tuple[Unsure, ...]

    def case(self, picked: Iterable[Sized] = ()) -> Case:
        """The case of the known faults and those picked of the others."""
        picked = tuple(picked)
        together = sorted((*self.known, *picked), key=lambda one: one.index) if picked else self.known
        return self.pane.with_defects(together)

    def longest(self) -> Case:
        """The world in which every fault is as long as it can be."""
        return self.case(fault.ways[-1] for fault in self.varying)

    def shortest(self) -> Case:
        """The world in which every fault is as short as it can be."""
        return self.case(fault.ways[0] for fault in self.varying)

    def before(self, rule: Rule) -> Worlds:
        """The worlds that differ to one rule, without the varying faults that it leaves aside."""
        known, varying = list(self.known), []
        for fault in self.varying:
            by_part: dict[Hashable, list[Sized]] = {}
            for way in fault.ways:
                by_part.setdefault(rule.part(way, self.pane), []).append(way)
            if set(by_part) == {None}:
                continue
            ways = [w for one in by_part.values() for w in (extremes(one) if rule.grows else one[-1:])]
            if len(ways) == 1:
                known += ways
            else:
                varying.append(replace(fault, ways=tuple(sorted(ways, key=by_length))))
        known.sort(key=lambda one: one.index)
        return Worlds(self.pane, tuple(known), self.unsure, tuple(varying))

    def measured(self) -> Case:
        """The faults as far as their sizes are measured, those that run out of the photos at their least."""
        if not self.unsure:
            return self.case()
        defects = self.pane.sheet.defects
        unsure = {fault.index for fault in self.unsure}
        found = [fault for fault in self.known if fault.index not in unsure]
        found += [sized(i, defects[i], self.pane) for i in unsure if defects[i].length_mm is not None]
        return self.pane.with_defects(sorted(found, key=lambda one: one.index))

    def all(self) -> Iterator[Case] | None:
        """Every world, or None where they are too many."""
        if prod(len(fault.ways) for fault in self.varying) > self.most_looks():
            return None
        return (self.case(picks) for picks in product(*(fault.ways for fault in self.varying)))

    def every_way(self) -> Case:
        """No world: a case that holds each fault once for each of its ways."""
        return self.case(way for fault in self.varying for way in fault.ways)

    def most_looks(self) -> int:
        """How many worlds may be looked at for one answer."""
        return MOST_WORLDS * MANY_FAULTS // max(MANY_FAULTS, len(self.known) + len(self.varying))


def worlds_of(sheet: SheetToJudge, grade: Grade) -> Worlds:
    """The worlds of a sheet before a grade, by the rules that stand for its pane."""
    pane = pane_of(sheet, grade)
    return _worlds(pane, lambda: WaysOf(pane, [rule for rule in grade.rules if rule.when.holds(pane)]))


def worlds_of_pieces(pane: Case, rules: list[Rule]) -> Worlds:
    """The worlds of a pane by these rules, told apart in whatever zone of a piece a fault comes to lie."""
    return _worlds(pane, lambda: WaysOf(pane, rules, anywhere=True))


def _worlds(pane: Case, finder: Callable[[], WaysOf]) -> Worlds:
    defects = pane.sheet.defects
    known = [sized(i, defect, pane) for i, defect in enumerate(defects) if not is_unsure(defect)]
    if len(known) == len(defects):
        return Worlds(pane, tuple(known), (), ())
    ways = finder()
    unsure = tuple(ways.find(i, defect) for i, defect in enumerate(defects) if is_unsure(defect))
    known += [fault.ways[0] for fault in unsure if len(fault.ways) == 1]
    known.sort(key=lambda one: one.index)
    return Worlds(pane, tuple(known), unsure, tuple(fault for fault in unsure if len(fault.ways) > 1))


def worst_of(rule: Rule, worlds: Worlds) -> list[Case]:
    """Worlds among which is one that is the worst for the rule; the first is that of the longest faults.

    Of `AnyOf` they are the worst for each of its rules, not always for it.
    """
    pane = worlds.pane
    found = [worlds.longest()]
    if isinstance(rule, AnyOf):
        return found + [case for one in rule.rules for case in worst_of(one, worlds)[1:]]
    part = {id(way): rule.part(way, pane) for fault in worlds.varying for way in fault.ways}
    if set(part.values()) == {None}:
        return found
    looked_at = [
        sorted(
            [way for way in fault.ways if part[id(way)] is not None] or fault.ways,
            key=by_length if isinstance(rule, Lengths) else by_size,
        )
        for fault in worlds.varying
    ]
    if isinstance(rule, Separation):
        pair = _too_close(rule, worlds)
        return [*found, worlds.case(pair.get(ways[0].index, ways[-1]) for ways in looked_at)]
    # None as well: a world in which every fault that can be looked at is, at its largest
    for wanted in dict.fromkeys([None, *part.values()]):
        found.append(
            worlds.case(
                next((way for way in reversed(ways) if part[id(way)] == wanted), ways[-1])
                for ways in looked_at
            )
        )
    return found


def _too_close(rule: Separation, worlds: Worlds) -> dict[int, Sized]:
    """Two ways of two faults that are too close, by their index; empty where there are none."""
    faults, party = rule.participants(worlds.every_way())
    for i, j in rule.pairs(faults, party):
        if faults[i].index != faults[j].index:
            return {faults[i].index: faults[i], faults[j].index: faults[j]}
    return {}


def never_broken(rule: Rule, worlds: Worlds) -> bool:
    """Whether the rule accepts in all worlds; of `AnyOf` False as well where that could not be shown."""
    if isinstance(rule, AnyOf):
        return any(never_broken(one, worlds) for one in rule.rules if one.when.holds(worlds.pane))
    return all(outcome_of(rule.judge(case)) == ACCEPT for case in worst_of(rule, worlds))


def same_in_all(rule: Rule, worlds: Worlds) -> bool:
    """Whether the rule comes to one outcome in all worlds; False as well where that could not be shown."""
    most = max(WEIGHT[outcome_of(rule.judge(case))] for case in worst_of(rule, worlds))
    return always(worlds.before(rule), lambda case: WEIGHT[outcome_of(rule.judge(case))] >= most)


def always(
    worlds: Worlds, bad: Callable[[Case], bool], bad_whole: Callable[[Case], bool] | None = None
) -> bool:
    """Whether all worlds are bad; False as well where that could not be shown in so many steps.

    bad : a case that is bad stays so with more faults.  bad_whole : asked of whole worlds, for which more may
    be bad; None the same.
    """
    whole = bad_whole or bad
    if bad(worlds.case()):
        return True
    if not whole(worlds.shortest()) or not whole(worlds.longest()):
        return False
    left = worlds.most_looks()
    started: list[tuple[Sized, ...]] = [()]
    while started:
        picks = started.pop()
        fault = worlds.varying[len(picks)]
        for way in fault.ways:
            left -= 1
            if left < 0:
                return False
            more = (*picks, way)
            if bad(worlds.case(more)):
                continue
            if len(more) < len(worlds.varying):
                started.append(more)
            elif not whole(worlds.case(more)):
                return False
    return True
