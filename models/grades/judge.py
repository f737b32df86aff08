"""The judge: a sheet and a grade in, a verdict with its reasons out. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from models.grades.case import Case
from models.grades.close_calls import close_calls
from models.grades.explain import REMEMBERED
from models.grades.grade import Grade
from models.grades.numbers import number, plain
from models.grades.readings import in_every_reading
from models.grades.settle import settled
from models.grades.sheet import SheetToJudge
from models.grades.verdict import (
    ACCEPT,
    NOT_EXAMINED,
    NOT_JUDGED,
    REJECT,
    Decision,
    Reason,
    Verdict,
    outcome_of,
)
from models.grades.worlds import Worlds, worlds_of

COVERED_ENOUGH = 0.995
"""Part of the sheet that must have been photographed well enough; the rest is the width of the cut edge in a
photo.
"""

_ORDER = {REJECT: 0, NOT_JUDGED: 1, NOT_EXAMINED: 2, ACCEPT: 3}


def judge(sheet: SheetToJudge, grade: Grade, *, confirmed_by: str | None = None) -> Verdict:
    """The verdict of one grade on one sheet.

    Reject as soon as one rule rejects; else not judged where something is missing or no rule covers a fault;
    else accept. Sizes that are not known, and other readings of the finds, are judged in every way that they
    can be: the sheet is accepted or rejected only where each of them says so (`settle`, `readings`).

    A grade from memory never decides unless `confirmed_by` (or the grade itself) names the person who checked
    it; `would_say` then holds what it would have said.
    """
    confirmed_by = confirmed_by or grade.confirmed_by
    worlds = worlds_of(sheet, grade)
    reasons = _reasons(worlds, confirmed_by)
    if sheet.readings:
        others = [
            _reasons(worlds_of(replace(sheet, defects=reading.defects), grade), confirmed_by)
            for reading in sheet.readings
        ]
        reasons = in_every_reading(reasons, sheet.readings, others)
    would_say = outcome_of(reasons)
    outcome = would_say
    if grade.remembered and not confirmed_by:
        outcome = NOT_JUDGED
        reasons.append(_unconfirmed(grade, would_say))
    reasons.sort(key=lambda r: _ORDER[r.outcome])
    measured = worlds.measured()
    sizes = {fault.index: _as_float(fault.size) for fault in measured.defects}
    return Verdict(
        grade.id, grade.version, grade.source, outcome, tuple(reasons), tuple(close_calls(measured)),
        tuple(_notes(grade, reasons, confirmed_by)), would_say,
        tuple((defect.length_mm, sizes.get(i)) for i, defect in enumerate(sheet.defects)),
        grade.title, grade.sha256, confirmed_by if grade.remembered else None, grade.edition,
    )  # fmt: skip


def judge_ladder(sheet: SheetToJudge, ordered_grade: Grade, ladder: Sequence[Grade]) -> Decision:
    """The ordered grade's verdict and, where it rejects, the best grade further down that accepts the sheet.

    ladder : grades from the best down; only those after the ordered one are tried. A sheet that the ordered
    grade could not judge is not downgraded: what is missing must be found first.
    """
    ids = [grade.id for grade in ladder]
    below = ladder[ids.index(ordered_grade.id) + 1 :] if ordered_grade.id in ids else ladder
    verdicts = [judge(sheet, ordered_grade)]
    if verdicts[0].outcome != REJECT:
        return Decision(verdicts[0].outcome, None, tuple(verdicts))
    undecided = False
    for grade in below:
        verdict = judge(sheet, grade)
        verdicts.append(verdict)
        if verdict.outcome == ACCEPT:
            return Decision("downgrade", grade.id, tuple(verdicts))
        undecided = undecided or verdict.outcome == NOT_JUDGED
    return Decision(NOT_JUDGED if undecided else REJECT, None, tuple(verdicts))


def _reasons(worlds: Worlds, confirmed_by: str | None) -> list[Reason]:
    """What the rules and the photos' gaps say of a sheet, as far as the rules may say it."""
    grade = worlds.pane.grade
    doubtful = not grade.remembered and not confirmed_by
    reasons = _scope(worlds.pane)
    if not reasons:
        reasons = settled(worlds, lambda reason: not (doubtful and reason.remembered))
    reasons += _missing(worlds.pane.sheet, grade)
    if not doubtful:
        return reasons
    doubts = {rule.origin.name: rule.origin.doubt for rule in grade.rules}
    return [
        _held_back(r, doubts.get(r.rule, REMEMBERED)) if r.remembered and r.outcome == REJECT else r
        for r in reasons
    ]


def _scope(case: Case) -> list[Reason]:
    """Why the grade says nothing about such a pane at all."""
    grade, why = case.grade, []
    if grade.thickness is not None and case.thickness not in grade.thickness:
        why.append(f"thickness {plain(case.thickness)} mm, the rules are for {grade.thickness.words()}")
    if grade.thicknesses and case.thickness not in grade.thicknesses:
        listed = ", ".join(plain(t) for t in grade.thicknesses)
        why.append(f"thickness {plain(case.thickness)} mm, the rules are for {listed} mm")
    if case.sheet.use not in grade.uses:
        use = "a cut size" if case.sheet.use == "cut_size" else "a stock size"
        why.append(f"{use}, the rules are for {' and '.join(u.replace('_', ' ') + 's' for u in grade.uses)}")
    shorter = min(case.width, case.length)
    if grade.smallest_side_mm is not None and shorter < grade.smallest_side_mm:
        why.append(
            f"a side of {plain(shorter)} mm, the rules are for {plain(grade.smallest_side_mm)} mm and more"
        )
    if grade.smallest_area_m2 is not None and case.exact_area_m2 < grade.smallest_area_m2:
        why.append(
            f"{plain(case.exact_area_m2)} m², the rules are for {plain(grade.smallest_area_m2)} m² and more"
        )
    if grade.largest_area_m2 is not None and case.exact_area_m2 > grade.largest_area_m2:
        why.append(
            f"{plain(case.exact_area_m2)} m², the rules are for up to {plain(grade.largest_area_m2)} m²"
        )
    return [
        Reason(
            "scope", f"no rule covers this: {text}", (), None, None, NOT_JUDGED, "scope", grade.source,
            grade.remembered,
        )
        for text in why
    ]  # fmt: skip


def _per_cent(share: float) -> str:
    """Rounded down, so that a sheet of which something is missing never reads as whole."""
    return "less than 1 %" if 0 < share < 0.01 else f"{math.floor(100 * share + 1e-9)} %"


def _missing(sheet: SheetToJudge, grade: Grade) -> list[Reason]:
    """What the photos do not show."""
    texts = []
    if sheet.covered_fraction is not None and sheet.covered_fraction < COVERED_ENOUGH:
        texts.append(
            f"{_per_cent(sheet.covered_fraction)} of the sheet has been photographed well enough; the grade"
            " is for the whole sheet"
        )
    smallest, needed = sheet.smallest_sized_mm, grade.smallest_class_mm
    if smallest is not None and needed is not None and smallest > needed * (1 + 1e-9):
        texts.append(f"the smallest class starts at {needed:g} mm, the photos size from {smallest:.2f} mm")
    if texts:
        texts += sheet.missing
    return [
        Reason("coverage", text, (), None, None, NOT_JUDGED, "coverage", "the photos of this sheet")
        for text in texts
    ]


def _held_back(reason: Reason, doubt: str) -> Reason:
    """A doubtful rule inside a grade seen in print may warn, not reject."""
    return replace(reason, outcome=NOT_JUDGED, says=f"{reason.says}; the rule is doubtful: {doubt}")


def _unconfirmed(grade: Grade, would_say: str) -> Reason:
    would = {ACCEPT: "accept", REJECT: "reject", NOT_JUDGED: "leave undecided"}[would_say]
    says = (
        f"the numbers of {grade.title} are {REMEMBERED}; until somebody at the plant has confirmed them "
        f"by name they decide nothing (they would {would} this sheet)"
    )
    return Reason("confirmation", says, (), None, None, NOT_JUDGED, "confirmation", grade.source, True)


def _notes(grade: Grade, reasons: list[Reason], confirmed_by: str | None) -> list[str]:
    notes = []
    if grade.remembered:
        notes.append(
            f"numbers {REMEMBERED}"
            + (f"; confirmed for this plant by {confirmed_by}" if confirmed_by else "; not confirmed yet")
        )
    elif any(r.remembered for r in reasons):
        notes += [
            f"{rule.origin.name}: {rule.origin.doubt}; the rule may hold a verdict back, not reject"
            for rule in grade.rules
            if rule.origin.remembered
        ]
    if grade.places_read == 1:
        notes.append(f"numbers read in one place only: {grade.source}")
    notes += [f"not examined: {r.says}" for r in reasons if r.outcome == NOT_EXAMINED]
    notes += [f"judged over the pack, not the sheet: {a.clause}" for a in grade.averages]
    return notes + list(grade.notes)


def _as_float(value: Decimal | None) -> float | None:
    converted = number(value)
    return None if converted is None else float(converted)
