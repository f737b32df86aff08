"""Titles of grades as they were kept with verdicts: a grade may be renamed or taken out of use later."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.records import Verdict

__all__ = ["downgrade_titles"]

_AT_ONCE = 500


def downgrade_titles(session: Session, sheet_ids: Sequence[int]) -> dict[int, str]:
    """Title of the grade that a sheet was downgraded to, by sheet, for those of the sheets that were.

    The grade's id where the verdict kept no title.
    """
    titles: dict[int, str] = {}
    for begin in range(0, len(sheet_ids), _AT_ONCE):
        query = select(Verdict.sheet_id, Verdict.downgrade_to, Verdict.ladder).where(
            Verdict.sheet_id.in_(sheet_ids[begin : begin + _AT_ONCE]),
            Verdict.current,
            Verdict.downgrade_to.is_not(None),
        )
        for sheet_id, grade_id, ladder in session.execute(query):
            kept = (step["title"] for step in ladder or () if step.get("grade") == grade_id)
            titles[sheet_id] = next((str(title) for title in kept if title), str(grade_id))
    return titles
