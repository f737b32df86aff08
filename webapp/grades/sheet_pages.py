"""What the page of a sheet's verdict shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from models import inspections
from models.errors import NoSuchSheet
from models.grades import Decision, Grade, GradeBook, Reason, SheetToJudge, Verdict, judge_ladder
from models.grades.advice import Advice, advice, other_sides
from models.records import Sheet
from models.records import Verdict as KeptVerdict
from models.sheet.looked import LookedAt
from models.sheet.to_judge import kept_sheet
from webapp.figures.against import AGAINST
from webapp.figures.sheet_layout import SheetLayout
from webapp.grades.drawing import draw


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One defect with both sizes: as measured, and as the grade sizes it."""

    name: str
    kind: str
    x_mm: float
    y_mm: float
    measured_mm: float | None
    by_grade_mm: float | None
    sd_mm: float | None
    detection_distance_mm: float | None


@dataclass(frozen=True, slots=True)
class SheetPage:
    """Everything the page shows. `kept` is the verdict that was given, None while the sheet is not
    finished.
    """

    sheet: Sheet
    grade: Grade
    grades: tuple[tuple[str, str], ...]
    ordered: str | None
    judged: SheetToJudge
    decision: Decision
    verdict: Verdict
    against: tuple[Reason, ...]
    others: tuple[Reason, ...]
    advice: Advice
    close_calls: tuple[str, ...]
    drawing: SheetLayout
    faults: tuple[FaultRow, ...]
    kept: KeptVerdict | None
    kept_is_older: bool
    downgrade_title: str


def sheet_page(
    session: Session, program: GradeBook, book: GradeBook, sheet_id: int, grade_id: str | None
) -> SheetPage:
    """A sheet judged by today's rules of the grade ordered, or of another.

    A finished sheet is taken as its verdict saw it, one in work as it stands. Raises NoSuchSheet,
    NoSuchGrade, and NotAllowedNow where no grade is named anywhere.
    """
    sheet = session.get(Sheet, sheet_id)
    if sheet is None:
        raise NoSuchSheet(f"sheet number {sheet_id}: there is no such sheet")
    if grade_id is not None:
        book.grade(grade_id)
    kept = inspections.current_verdict(session, sheet_id)
    ordered = kept.grade_id if kept is not None else inspections.ordered_grade(session, sheet)[0]
    wanted = grade_id or (ordered if ordered in book.ids() else None)
    if kept is not None and wanted is not None:
        # as the verdict saw it: the same defects, answers and coverage, by the rules of today
        grade = book.grade(wanted)
        to_judge = kept_sheet(kept.sheet_as_judged, kept.defects, kept.coverage)
        decision = judge_ladder(to_judge, grade, book.ladder(wanted))
        looked: LookedAt | Mapping[str, Any] = kept.coverage
    else:
        judged = inspections.judge_sheet(session, program, sheet_id, wanted)
        grade, to_judge, decision = judged.grade, judged.sheet, judged.decision
        looked = judged.coverage
    verdict = decision.verdicts[0]
    what = advice(to_judge, grade)
    against = tuple(r for r in verdict.reasons if r.outcome in AGAINST)
    others = tuple(r for r in verdict.reasons if r.outcome not in AGAINST)
    older = kept is not None and grade.id == kept.grade_id and kept.rule_set_sha256 != grade.sha256
    title = "" if decision.downgrade_to is None else book.grade(decision.downgrade_to).title
    return SheetPage(
        sheet, grade, tuple((name, book.grade(name).title) for name in book.ids()), ordered, to_judge,
        decision, verdict, against, others, what,
        tuple(one.words() for one in other_sides(to_judge, grade, verdict)),
        draw(to_judge, verdict, grade, what.piece, looked), _faults(to_judge, verdict), kept, older, title,
    )  # fmt: skip


def _faults(sheet: SheetToJudge, verdict: Verdict) -> tuple[FaultRow, ...]:
    return tuple(
        FaultRow(
            defect.name or str(i + 1), defect.kind, defect.x_mm, defect.y_mm, measured, by_grade,
            defect.length_sd_mm, defect.detection_distance_mm,
        )
        for i, (defect, (measured, by_grade)) in enumerate(zip(sheet.defects, verdict.sizes, strict=True))
    )  # fmt: skip
