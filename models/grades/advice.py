"""What would make a sheet pass: the faults that stand in the way, and the largest piece without them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from models.grades.cutout import CutOut, largest_piece
from models.grades.grade import Grade
from models.grades.judge import judge
from models.grades.rules import listing_of_names
from models.grades.sheet import SheetToJudge
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, Reason


@dataclass(frozen=True, slots=True)
class Advice:
    """What would make a sheet meet a grade.

    without : faults (indices) without which the whole sheet would pass, none of which may stay; None where
    the faults are not what stands in the way. piece : the largest piece that passes.  open_questions :
    answers that are missing.
    """

    without: tuple[int, ...] | None
    piece: CutOut | None
    open_questions: tuple[str, ...]
    says: tuple[str, ...]


CUT_CLEARANCE_MM = 10.0
"""How far a cut keeps from a fault that it leaves out, where nobody says otherwise (common practice, no
source).
"""


def advice(sheet: SheetToJudge, grade: Grade, *, clearance_mm: float = CUT_CLEARANCE_MM) -> Advice:
    """The smallest changes after which the grade accepts: which faults less, which piece, which answers."""
    known = replace(sheet, covered_fraction=None, missing=())
    verdict = judge(known, grade)
    if verdict.outcome == ACCEPT:
        return Advice((), None, (), ())
    questions = tuple(dict.fromkeys(r.open_question for r in verdict.reasons if r.open_question))
    without = blocking_faults(known, grade)
    piece = largest_piece(known, grade, clearance_mm=clearance_mm)
    says = []
    if without:
        names = [sheet.defects[i].name or str(i + 1) for i in without]
        what = "defect" if len(without) == 1 else "defects"
        says.append(f"without {what} {listing_of_names(names)} the whole sheet would meet the grade")
    if piece is not None:
        says.append(piece.words())
    elif grade.may_decide:
        says.append("no piece of useful size meets the grade")
    if questions:
        says.append("answers are missing: " + ", ".join(questions))
    return Advice(without, piece, questions, tuple(says))


def blocking_faults(sheet: SheetToJudge, grade: Grade) -> tuple[int, ...] | None:
    """Faults without which the sheet passes, none of which could stay; None where that does not help.

    Found rule by rule, worst offenders first, then thinned out: there may be another set of the same kind,
    but no part of this one is enough.
    """
    gone: list[int] = []
    while True:
        rest = [i for i in range(len(sheet.defects)) if i not in gone]
        verdict = judge(replace(sheet, defects=tuple(sheet.defects[i] for i in rest)), grade)
        if verdict.outcome == ACCEPT:
            break
        bad = [r for r in verdict.reasons if r.outcome in (REJECT, NOT_JUDGED) and r.finds]
        if not bad:
            return None
        gone += [rest[i] for i in _offenders(bad[0])]
    for fault in list(gone):
        kept = [i for i in range(len(sheet.defects)) if i not in gone or i == fault]
        if judge(replace(sheet, defects=tuple(sheet.defects[i] for i in kept)), grade).outcome == ACCEPT:
            gone.remove(fault)
    return tuple(sorted(gone))


def _offenders(reason: Reason) -> list[int]:
    """As many of a reason's faults as it has too many; of pairs too close, the one in the most pairs."""
    ends = [fault for mark in reason.marks for fault in mark.get("finds", ())]
    if ends:
        return [max(dict.fromkeys(ends), key=ends.count)]
    if reason.limit is not None and reason.counted is not None and len(reason.finds) == reason.counted:
        too_many = len(reason.finds) - math.floor(reason.limit)
        return list(reason.finds[: max(1, too_many)])
    return [reason.finds[0]]
