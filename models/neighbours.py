"""The sheets beside a sheet on the ribbon, and where they went."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from models.history_records import Neighbour, SheetFacts
from models.records import Customer, Defect, Pack, Sheet, Verdict
from models.verdict_titles import downgrade_titles

__all__ = ["neighbours"]

EACH_WAY = 3
#: edges closer than this are one cut (rounding of the counter)
SAME_CUT_M = 0.01


def neighbours(session: Session, sheet: SheetFacts, each_way: int = EACH_WAY) -> tuple[Neighbour, ...]:
    """Up to `each_way` sheets before and after on the ribbon and all that lie beside, in ribbon order.

    "Before" is glass with smaller metres: it passed the inspection point earlier.
    """
    start, end = sheet.ribbon_start_m, sheet.ribbon_end_m
    sheet_end = Sheet.ribbon_start_m + Sheet.length_mm / 1000.0
    beside = _read(
        session,
        sheet,
        # no sheet is longer than the counter's window looked through here; it keeps the search in the index
        (Sheet.ribbon_start_m > start - LONGEST_M)
        & (Sheet.ribbon_start_m < end - SAME_CUT_M)
        & (sheet_end > start + SAME_CUT_M),
        Sheet.ribbon_start_m.asc(),
        4 * each_way,
        "beside",
    )
    taken = {found.sheet_id for found in beside}
    before = _read(
        session,
        sheet,
        (Sheet.ribbon_start_m < start) & (sheet_end <= start + SAME_CUT_M),
        Sheet.ribbon_start_m.desc(),
        each_way,
        "before",
    )
    after = _read(
        session,
        sheet,
        Sheet.ribbon_start_m >= end - SAME_CUT_M,
        Sheet.ribbon_start_m.asc(),
        each_way,
        "after",
    )
    outer = [found for found in before + after if found.sheet_id not in taken]
    return tuple(sorted(outer + beside, key=lambda n: (n.ribbon_start_m, n.x_left_mm)))


#: a sheet longer than this is not cut anywhere (common practice, no source)
LONGEST_M = 50.0


def _read(
    session: Session,
    sheet: SheetFacts,
    where: ColumnElement[bool],
    order: ColumnElement[Any],
    limit: int,
    relation: str,
) -> list[Neighbour]:
    query: Select[*tuple[Any, ...]] = (
        select(
            Sheet,
            Pack.label,
            Customer.name,
            Pack.shipped_at,
            Pack.destination,
            Verdict.outcome,
            select(func.count())
            .where(Defect.sheet_id == Sheet.id, Defect.current)
            .correlate(Sheet)
            .scalar_subquery(),
        )
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Verdict, (Verdict.sheet_id == Sheet.id) & Verdict.current)
        .where(Sheet.line_id == sheet.line_id, Sheet.id != sheet.id, where)
        .order_by(order, Sheet.id)
        .limit(limit)
    )
    rows = session.execute(query).all()
    titles = downgrade_titles(session, [row[0].id for row in rows])
    return [_neighbour(sheet, relation, titles, *row) for row in rows]


def _neighbour(
    sheet: SheetFacts,
    relation: str,
    titles: Mapping[int, str],
    other: Sheet,
    pack: str | None,
    customer: str | None,
    shipped_at: Any,
    destination: str | None,
    outcome: str | None,
    defects: int,
) -> Neighbour:
    other_end = other.ribbon_start_m + other.length_mm / 1000.0
    gap = {
        "before": sheet.ribbon_start_m - other_end,
        "after": other.ribbon_start_m - sheet.ribbon_end_m,
        "beside": 0.0,
    }[relation]
    return Neighbour(
        relation=relation,
        sheet_id=other.id,
        label=other.label,
        ribbon_start_m=other.ribbon_start_m,
        length_mm=other.length_mm,
        x_left_mm=other.x_left_mm,
        width_mm=other.width_mm,
        gap_m=gap if gap > SAME_CUT_M else 0.0,
        defects=defects,
        looked_fraction=other.looked_fraction,
        outcome=outcome,
        downgrade_to=titles.get(other.id),
        state=other.state,
        pack=pack,
        customer=customer,
        shipped_at=shipped_at,
        destination=destination,
    )
