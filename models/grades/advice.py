"""What would make a sheet pass: the faults that stand in the way, and the largest piece without them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from models.grades.cutout import CutOut, largest_piece
from models.grades.grade import Grade
from models.grades.judge import judge
from models.grades.names import called
from models.grades.numbers import exact
from models.grades.sheet import DefectToJudge, SheetToJudge, with_defect, without_defects
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, SAID, CloseCall, Reason, Verdict
from models.grades.ways import is_unsure


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


MOST_BLOCKING = 40
CUT_CLEARANCE_MM = 10.0
"""How far a cut keeps from each fault that counts, where nobody says otherwise (common practice, no
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
    if verdict.would_say == NOT_JUDGED:
        open_ = {i for r in verdict.reasons if r.outcome == NOT_JUDGED for i in r.finds}
        unsure = [i for i in sorted(open_) if is_unsure(sheet.defects[i])]
        if unsure:
            is_ = "is" if len(unsure) == 1 else "are"
            says.append(f"photos that show how large {_those(sheet, unsure)} {is_} may be enough")
    if without:
        says.append(f"without {_those(sheet, without)} the whole sheet would meet the grade")
    if piece is not None:
        says.append(piece.words())
    elif grade.may_decide:
        says.append("no piece of useful size meets the grade")
    if questions:
        says.append("answers are missing: " + ", ".join(questions))
    return Advice(without, piece, questions, tuple(says))


def _those(sheet: SheetToJudge, places: Sequence[int]) -> str:
    names = [sheet.defects[i].name or str(i + 1) for i in places]
    return called(names)


def blocking_faults(sheet: SheetToJudge, grade: Grade) -> tuple[int, ...] | None:
    """Faults without which the sheet passes, none of which could stay; None where that does not help.

    None as well where more than MOST_BLOCKING faults stand in the way: nobody would look at each of them.

    Found rule by rule, worst offenders first, then thinned out: there may be another set of the same kind,
    but no part of this one is enough.
    """
    gone: list[int] = []
    while True:
        rest = [i for i in range(len(sheet.defects)) if i not in gone]
        verdict = judge(without_defects(sheet, gone), grade)
        if verdict.outcome == ACCEPT:
            break
        bad = [r for r in verdict.reasons if r.outcome in (REJECT, NOT_JUDGED) and r.finds]
        if not bad:
            return None
        gone += [rest[i] for i in _offenders(bad[0])]
        if len(gone) > MOST_BLOCKING:
            return None
    for fault in list(gone):
        if judge(without_defects(sheet, [i for i in gone if i != fault]), grade).outcome == ACCEPT:
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


@dataclass(frozen=True, slots=True)
class OtherSide:
    """A close call and the other outcomes that the sheet would have, were the size just across the limit."""

    call: CloseCall
    outcomes: tuple[str, ...]

    def words(self) -> str:
        """The close call as a sentence, with what hangs on it."""
        if not self.outcomes:
            return f"{self.call.words()}; the verdict would be the same on the other side"
        return (
            f"{self.call.words()}; on the other side of the limit the sheet would be "
            f"{' or '.join(SAID[o] for o in self.outcomes)}"
        )


def other_sides(sheet: SheetToJudge, grade: Grade, verdict: Verdict) -> tuple[OtherSide, ...]:
    """For each close call what the verdict would be with the size just below, at, and just above the limit.

    Each close call is looked at by itself, all other sizes as measured.
    """
    found = []
    for call in verdict.close_calls:
        others = set()
        for shift in (-_STEP_MM, Decimal(0), _STEP_MM):
            moved = _with_size(sheet.defects[call.find], call, exact(call.limit_mm) + shift)
            others.add(judge(with_defect(sheet, call.find, moved), grade).would_say)
        others.discard(verdict.would_say)
        found.append(OtherSide(call, tuple(sorted(others))))
    return tuple(found)


_STEP_MM = Decimal("0.000001")


def _with_size(defect: DefectToJudge, call: CloseCall, target_mm: Decimal) -> DefectToJudge:
    """The defect scaled so that what the call is about measures the target; every way to size is in
    proportion.
    """
    if call.measure == "width" and defect.width_mm is not None:
        return replace(defect, width_mm=float(target_mm))
    scale = target_mm / exact(call.size_mm)

    def scaled(value: float | None) -> float | None:
        return None if value is None else float(exact(value) * scale)

    return replace(
        defect,
        length_mm=scaled(defect.length_mm),
        width_mm=scaled(defect.width_mm),
        halo_mm=scaled(defect.halo_mm),
    )
