"""Find sheets by what a claim names: a label, a pack, a customer, a time of cutting."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select, true
from sqlalchemy.orm import Session

from models.records import Customer, Defect, Pack, Sheet, Verdict
from models.sheet.looked_words import count_words
from models.verdict_titles import downgrade_titles

__all__ = ["FoundSheet", "SheetSearch", "find_sheets"]

PAGE = 50
NEAR_POOL = 400
NEAR_SHOWN = 5
NEAR_ENOUGH = 0.6


@dataclass(frozen=True, slots=True)
class FoundSheet:
    """One line of the list of sheets found.

    downgrade_to : title of the grade, as kept with the verdict.  looked_fraction : part of the sheet that was
    looked at, None where nobody knows
    """

    sheet_id: int
    label: str
    pack: str | None
    customer: str | None
    cut_at: datetime
    ribbon_start_m: float
    state: str
    outcome: str | None
    downgrade_to: str | None
    shipped_at: datetime | None
    looked_fraction: float | None
    defects: int

    @property
    def count(self) -> str:
        """Its number of defects over what was looked at."""
        return count_words(self.defects, self.looked_fraction)


@dataclass(frozen=True, slots=True)
class SheetSearch:
    """What a search brought.

    sheets : at most one page, the newest first; the sheet of exactly this label alone, where there is one
    more   : id from which to go on for the next page, None on the last one
    near   : labels, packs and customers that look like the text, where nothing was found
    """

    text: str
    sheets: tuple[FoundSheet, ...]
    more: int | None
    near: tuple[str, ...]
    exact: bool


def find_sheets(
    session: Session,
    text: str = "",
    *,
    cut_from: datetime | None = None,
    cut_to: datetime | None = None,
    before_id: int | None = None,
    limit: int = PAGE,
) -> SheetSearch:
    """Sheets whose label, pack or customer holds the text, cut in a period.

    text : letter case does not matter; empty finds every sheet of the period
    before_id : `more` of the page before
    """
    wanted = " ".join(text.split())
    exact = _exact(session, wanted) if wanted else None
    if exact is not None and before_id is None:
        rows = _read(session, Sheet.id == exact, 1)
        return SheetSearch(wanted, tuple(rows), None, (), exact=True)
    where: list[ColumnElement[bool]] = []
    if wanted:
        where.append(_holds(wanted))
    if cut_from is not None:
        where.append(Sheet.cut_at >= cut_from)
    if cut_to is not None:
        where.append(Sheet.cut_at < cut_to)
    if before_id is not None:
        where.append(Sheet.id < before_id)
    rows = _read(session, and_(true(), *where), limit + 1)
    more = rows[limit - 1].sheet_id if len(rows) > limit else None
    near = _near(session, wanted) if wanted and not rows and before_id is None else ()
    return SheetSearch(wanted, tuple(rows[:limit]), more, near, exact=False)


def _exact(session: Session, wanted: str) -> int | None:
    """The sheet of exactly this label, or of this label in capitals (as printed)."""
    for label in (wanted, wanted.upper()):
        found = session.scalar(select(Sheet.id).where(Sheet.label == label))
        if found is not None:
            return found
    return None


def _pattern(text: str) -> str:
    """A LIKE pattern that finds the text anywhere; its own wildcards are taken as they stand."""
    escaped = text.lower().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{escaped}%"


def _holds(text: str) -> ColumnElement[bool]:
    pattern = _pattern(text)
    customers = select(Customer.id).where(func.lower(Customer.name).like(pattern, escape="\\"))
    packs = select(Pack.id).where(
        or_(func.lower(Pack.label).like(pattern, escape="\\"), Pack.customer_id.in_(customers))
    )
    return or_(func.lower(Sheet.label).like(pattern, escape="\\"), Sheet.pack_id.in_(packs))


def _read(session: Session, where: ColumnElement[bool], limit: int) -> list[FoundSheet]:
    rows: Sequence[Any] = session.execute(
        select(
            Sheet.id,
            Sheet.label,
            Pack.label,
            Customer.name,
            Sheet.cut_at,
            Sheet.ribbon_start_m,
            Sheet.state,
            Verdict.outcome,
            Pack.shipped_at,
            Sheet.looked_fraction,
            select(func.count())
            .where(Defect.sheet_id == Sheet.id, Defect.current)
            .correlate(Sheet)
            .scalar_subquery(),
        )
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Verdict, (Verdict.sheet_id == Sheet.id) & Verdict.current)
        .where(where)
        .order_by(Sheet.id.desc())
        .limit(limit)
    ).all()
    titles = downgrade_titles(session, [row[0] for row in rows])
    return [FoundSheet(*(*row[:8], titles.get(row[0]), *row[8:])) for row in rows]


#: signs that are taken for each other on a scratched label
_ALIKE = str.maketrans("oilsbz", "011582")


def _near(session: Session, text: str) -> tuple[str, ...]:
    """Names in the books that look like the text: same beginning or same end, and mostly the same letters."""
    typed = text.lower()
    beginnings = {typed[:3], typed[:3].translate(_ALIKE)}
    ends = {typed[-4:], typed[-4:].translate(_ALIKE)}
    pool: list[str] = []
    for column in (Sheet.label, Pack.label, Customer.name):
        lowered = func.lower(column)
        looks = or_(
            *(lowered.like(_pattern(beginning)[1:], escape="\\") for beginning in beginnings),
            *(lowered.like(_pattern(end)[:-1], escape="\\") for end in ends),
        )
        pool.extend(session.scalars(select(column).where(looks).order_by(column.desc()).limit(NEAR_POOL)))
    pool.extend(session.scalars(select(Customer.name).order_by(Customer.name).limit(NEAR_POOL)))
    by_look: dict[str, str] = {}
    for name in pool:
        by_look.setdefault(name.lower().translate(_ALIKE), name)
    close = difflib.get_close_matches(typed.translate(_ALIKE), list(by_look), NEAR_SHOWN, NEAR_ENOUGH)
    return tuple(by_look[look] for look in close)
