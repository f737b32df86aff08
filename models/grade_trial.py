"""A grade on trial: what it would have said of the sheets that were judged lately. Nothing is stored."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.grades import Grade, judge
from models.records import Sheet, Verdict
from models.sheet.to_judge import kept_sheet

MOST_NAMED = 40
"""So many sheets whose verdict would change are named; all are counted."""


@dataclass(frozen=True, slots=True)
class Changed:
    """A sheet whose verdict would change."""

    sheet_id: int
    label: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Trial:
    """Sheets judged since a moment, by the verdict that holds and by the grade on trial.

    A downgraded sheet did not meet the grade that was ordered: it counts as not accepted.
    """

    instead_of: str | None
    sheets: int
    accepted_before: int
    accepted_after: int
    not_judged_after: int
    changed: int
    named: tuple[Changed, ...]

    @property
    def yield_before(self) -> float | None:
        """Part of the sheets that were accepted; None where there were none."""
        return self.accepted_before / self.sheets if self.sheets else None

    @property
    def yield_after(self) -> float | None:
        """Part of the sheets that the grade on trial would accept."""
        return self.accepted_after / self.sheets if self.sheets else None


def try_grade(session: Session, grade: Grade, *, since: datetime, instead_of: str | None = None) -> Trial:
    """Judge again, by `grade`, every sheet with a verdict given since then (for `instead_of`, or for any
    grade).

    The sheets are taken as their verdicts saw them: same defects, same answers, same coverage.
    """
    query = (
        select(
            Verdict.outcome, Verdict.defects, Verdict.sheet_as_judged, Verdict.coverage, Sheet.id, Sheet.label
        )
        .join(Sheet, Sheet.id == Verdict.sheet_id)
        .where(Verdict.current, Verdict.decided_at >= since)
        .order_by(Verdict.id)
    )
    if instead_of is not None:
        query = query.where(Verdict.grade_id == instead_of)
    sheets = accepted_before = accepted_after = not_judged = changed = 0
    named: list[Changed] = []
    clean: dict[tuple[Any, ...], str] = {}
    for outcome, defects, as_judged, coverage, sheet_id, label in session.execute(query):
        before = "accept" if outcome == "accept" else "not_judged" if outcome == "not_judged" else "reject"
        sheet = kept_sheet(as_judged, defects, coverage)
        # Most sheets carry nothing; those of one size have one answer.
        key = (sheet.width_mm, sheet.length_mm, sheet.thickness_mm, sheet.use, sheet.covered_fraction,
               sheet.smallest_sized_mm, sheet.optical_angle_deg) if not sheet.defects else None  # fmt: skip
        if key is not None and key in clean:
            after = clean[key]
        else:
            after = judge(sheet, grade).outcome
            if key is not None:
                clean[key] = after
        sheets += 1
        accepted_before += before == "accept"
        accepted_after += after == "accept"
        not_judged += after == "not_judged"
        if before != after:
            changed += 1
            if len(named) < MOST_NAMED:
                named.append(Changed(sheet_id, label, before, after))
    return Trial(instead_of, sheets, accepted_before, accepted_after, not_judged, changed, tuple(named))


def grades_judged(session: Session, *, since: datetime) -> tuple[tuple[str, int], ...]:
    """(grade id, number of sheets) of the verdicts given since then, the most frequent first."""
    count = func.count(Verdict.id)
    rows = session.execute(
        select(Verdict.grade_id, count)
        .where(Verdict.current, Verdict.decided_at >= since)
        .group_by(Verdict.grade_id)
        .order_by(count.desc(), Verdict.grade_id)
    )
    return tuple((grade_id, number) for grade_id, number in rows)
