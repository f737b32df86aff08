"""Judging a pack: every sheet by itself, and averages over all glass in it.

A fault whose size is not known may be of an averaged class or not, and a sheet may have more of them in
another reading of its finds. So each sheet has a least and a most number of faults of a class. An average is
kept where the most keep it, exceeded where the least exceed it, and not judged between.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from models.grades.case import Case, Sized, pane_of, sized
from models.grades.explain import SAFETY
from models.grades.grade import Grade, PackAverage
from models.grades.judge import judge
from models.grades.numbers import rounded
from models.grades.rules import Turn, Who
from models.grades.sheet import DefectToJudge, SheetToJudge
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, Verdict
from models.grades.ways import WaysOf, is_unsure


@dataclass(frozen=True, slots=True)
class AverageSoFar:
    """One averaged class over the pack.

    counted : faults on all sheets, the most that they can be.  allowed : the number that the glass in the
    pack may carry, not rounded.  left : how many more may come before the average is exceeded, negative when
    it is.  by_sheet : the most faults of the class on each sheet, in the order of the pack.
    surely : the least that the faults on all sheets can be.
    """

    name: str
    clause: str
    counted: int
    allowed: float
    left: int
    average: float
    limit: float
    per_m2: float
    by_sheet: tuple[int, ...]
    outcome: str
    source: str
    remembered: bool
    surely: int

    @property
    def counted_words(self) -> str:
        """The count, or its range where sizes are not known."""
        return str(self.counted) if self.surely == self.counted else f"{self.surely} to {self.counted}"

    @property
    def left_words(self) -> str:
        """How many more may come, or how many are too many."""
        if self.left >= 0:
            return f"{self.left} more may come"
        at_worst = " if all count whose size is not known" if self.outcome == NOT_JUDGED else ""
        return f"{-self.left} too many{at_worst}"

    def words(self) -> str:
        return (
            f"{self.name}: {self.counted_words} on {len(self.by_sheet)} sheets, {self.average:.3g} for each "
            f"{self.per_m2:g} m² against {self.limit:g}; {self.allowed:.4g} allowed, {self.left_words}"
        )


@dataclass(frozen=True, slots=True)
class PackVerdict:
    """What becomes of a pack.

    outcome : accept, reject or not_judged for the pack as it stands.  sheets : each sheet's own verdict.
    hold_back : places of the sheets to take out so that the rest passes, fewest first found; None where
    taking out sheets does not help.
    """

    grade: str
    version: str
    area_m2: float
    outcome: str
    averages: tuple[AverageSoFar, ...]
    sheets: tuple[Verdict, ...]
    hold_back: tuple[int, ...] | None
    notes: tuple[str, ...]
    safety: str = SAFETY

    def to_dict(self) -> dict[str, Any]:
        return {
            "grade": self.grade, "version": self.version, "area_m2": self.area_m2, "outcome": self.outcome,
            "averages": [average.words() for average in self.averages],
            "sheets": [verdict.outcome for verdict in self.sheets],
            "hold_back": None if self.hold_back is None else list(self.hold_back),
            "notes": list(self.notes), "safety": self.safety,
        }  # fmt: skip


def judge_pack(
    sheets: Sequence[SheetToJudge], grade: Grade, *, confirmed_by: str | None = None
) -> PackVerdict:
    """The verdict on a pack: every sheet must pass by itself, and each average must be kept over all of them.

    A grade from memory decides only when confirmed, as with single sheets. An empty pack is accepted.
    """
    verdicts = tuple(judge(sheet, grade, confirmed_by=confirmed_by) for sheet in sheets)
    counts = _Counts(sheets, grade)
    everything = list(range(len(sheets)))
    averages = tuple(counts.average(place, everything) for place in range(len(grade.averages)))
    outcomes = {verdict.outcome for verdict in verdicts} | {average.outcome for average in averages}
    outcome = REJECT if REJECT in outcomes else NOT_JUDGED if NOT_JUDGED in outcomes else ACCEPT
    notes = []
    if grade.remembered and not (confirmed_by or grade.confirmed_by):
        outcome = NOT_JUDGED
        notes.append("the grade's numbers are from memory and nobody at the plant has confirmed them yet")
    if any(verdict.outcome == NOT_JUDGED for verdict in verdicts):
        notes.append("sheets that could not be judged are counted with the faults known so far")
    if any(average.surely != average.counted for average in averages):
        notes.append("faults whose size is not known are counted where they can belong")
    alone = [i for i, verdict in enumerate(verdicts) if REJECT in (verdict.outcome, verdict.would_say)]
    return PackVerdict(
        grade.id, grade.version, float(counts.area(everything)), outcome, averages, verdicts,
        counts.hold_back(alone), tuple(notes),
    )  # fmt: skip


class _Counts:
    """The most and the least faults of each averaged class on each sheet, and the sheets' areas in m2."""

    def __init__(self, sheets: Sequence[SheetToJudge], grade: Grade) -> None:
        self.rules = grade.averages
        self.areas: list[Decimal] = []
        self.faults: list[list[int]] = []
        self.surely: list[list[int]] = []
        for sheet in sheets:
            pane = pane_of(sheet, grade)
            self.areas.append(pane.exact_area_m2)
            lists = [sheet.defects, *(reading.defects for reading in sheet.readings)]
            read = [[_count(_Averaged(rule), defects, pane) for rule in self.rules] for defects in lists]
            self.surely.append([min(least for least, _ in each) for each in zip(*read, strict=True)])
            self.faults.append([max(most for _, most in each) for each in zip(*read, strict=True)])

    def area(self, kept: list[int]) -> Decimal:
        return sum((self.areas[i] for i in kept), Decimal(0))

    def allowed(self, place: int, kept: list[int]) -> Decimal:
        """The faults that the kept sheets' glass may carry: most x area / per_m2, compared as it is."""
        rule = self.rules[place]
        return rule.most * self.area(kept) / rule.per_m2

    def over(self, place: int, kept: list[int]) -> Decimal:
        """By how many faults the average is exceeded; not positive where it is kept."""
        return sum(self.faults[i][place] for i in kept) - self.allowed(place, kept)

    def average(self, place: int, kept: list[int]) -> AverageSoFar:
        rule = self.rules[place]
        by_sheet = tuple(self.faults[i][place] for i in kept)
        counted, allowed, area = sum(by_sheet), self.allowed(place, kept), self.area(kept)
        surely = sum(self.surely[i][place] for i in kept)
        left = int(rounded(allowed - counted, "floor"))
        return AverageSoFar(
            rule.name, rule.clause, counted, float(allowed), left,
            float(counted * rule.per_m2 / area) if area else 0.0,
            float(rule.most), float(rule.per_m2), by_sheet,
            REJECT if surely > allowed else NOT_JUDGED if counted > allowed else ACCEPT,
            rule.source, rule.remembered, surely,
        )  # fmt: skip

    def hold_back(self, alone: list[int]) -> tuple[int, ...] | None:
        """Sheets to take out: those that fail by themselves, then the worst for the averages until they hold
        with every fault counted that can belong to them.

        Each sheet carries, for each average, its faults less what its own area allows; taking it out
        relieves the average by just that. The sheet that relieves the exceeded averages most goes first, and
        at the end one is put back wherever the rest holds without taking it out.
        """
        out = list(alone)
        kept = [i for i in range(len(self.areas)) if i not in out]
        places = range(len(self.rules))
        while any(self.over(place, kept) > 0 for place in places):
            worst = [place for place in places if self.over(place, kept) > 0]
            relief = {i: sum(min(self.over(p, kept), self.over(p, [i])) for p in worst) for i in kept}
            best = max(kept, key=lambda i: relief[i])
            if relief[best] <= 0:
                return None
            kept.remove(best)
            out.append(best)
        for i in [i for i in out if i not in alone]:
            if not any(self.over(place, sorted([*kept, i])) > 0 for place in places):
                kept = sorted([*kept, i])
                out.remove(i)
        return tuple(out)


def _count(averaged: _Averaged, defects: Sequence[DefectToJudge], pane: Case) -> tuple[int, int]:
    """The least and the most faults of the class among the defects."""
    ways, least, most = WaysOf(pane, [averaged]), 0, 0
    for i, defect in enumerate(defects):
        found = ways.find(i, defect).ways if is_unsure(defect) else (sized(i, defect, pane),)
        counts = [averaged.who.takes(way) for way in found]
        least, most = least + all(counts), most + any(counts)
    return least, most


class _Averaged:
    """An averaged class as it asks for the size of a fault."""

    grows = False

    def __init__(self, rule: PackAverage) -> None:
        self.who = Who(rule.kinds, (), (), rule.size)

    def part(self, fault: Sized, case: Case) -> Hashable:
        return self.who.takes(fault) or None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return self.who.turns(fault)
