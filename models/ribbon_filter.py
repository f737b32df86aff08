"""Which defects of a line to look at: one filter for maps, lists and rates, and its conditions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Integer, Select, case, or_, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from models.errors import BadValue
from models.inspections.looking import known_looked, unknown_looked, was_looked
from models.records import DEFECT_SOURCES, Defect, Sheet, Shift
from models.ribbon_clock import first_and_last_metre, metre_clock, metre_when

__all__ = [
    "LOOKED",
    "NOT_LOOKED",
    "UNKNOWN",
    "MapFilter",
    "field_index",
    "how_looked",
    "in_strip",
    "inspected_by",
    "narrowed",
    "not_counted",
    "stretch",
]

#: what is known of a sheet: some of it was looked at, none of it was, nobody knows
LOOKED, NOT_LOOKED, UNKNOWN = "looked", "not_looked", "unknown"
#: looked at where no stretch is asked for
DEFAULT_PERIOD = timedelta(days=7)

AnySelect = Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class MapFilter:
    """Which defects of one line to look at. None and empty mean: all.

    begin, finish : stamped times between which the glass was cut
    m_lo, m_hi    : ribbon metres; they win over the times
    x_lo_mm, x_hi_mm : strip across the ribbon, from its left gross edge
    min_length_mm, max_length_mm : leave out defects that were not sized
    shift         : a shift's name (such as "early"); crew: a crew (such as "A"); both of the inspection
    source        : "photo", "hand" or "import"
    """

    line_id: int
    kinds: tuple[str, ...] = ()
    begin: datetime | None = None
    finish: datetime | None = None
    m_lo: float | None = None
    m_hi: float | None = None
    x_lo_mm: float | None = None
    x_hi_mm: float | None = None
    min_length_mm: float | None = None
    max_length_mm: float | None = None
    shift: str | None = None
    crew: str | None = None
    source: str | None = None
    along: str = "metres"

    def __post_init__(self) -> None:
        pairs = (
            ("metres", self.m_lo, self.m_hi),
            ("across", self.x_lo_mm, self.x_hi_mm),
            ("size", self.min_length_mm, self.max_length_mm),
            ("period", self.begin, self.finish),
        )
        for name, low, high in pairs:
            if low is not None and high is not None and low > high:  # type: ignore[operator]
                raise BadValue(f"{name}: from {low} to {high} is empty; expected the smaller value first")
        if self.source is not None and self.source not in DEFECT_SOURCES:
            raise BadValue(f"source: {self.source!r} is none of {', '.join(DEFECT_SOURCES)}")
        if self.along not in ("metres", "time"):
            raise BadValue(f"along: {self.along!r} is neither metres nor time")


class field_index(FunctionElement[int]):  # noqa: N801 - named like the SQL functions it stands beside
    """Whole-number part of a value that is 0 or more: the number of the field it lies in."""

    type = Integer()
    inherit_cache = True


@compiles(field_index)
def _floor(element: field_index, compiler: SQLCompiler, **kw: Any) -> str:
    return f"CAST(FLOOR({compiler.process(element.clauses, **kw)}) AS INTEGER)"


@compiles(field_index, "sqlite")
def _truncate(element: field_index, compiler: SQLCompiler, **kw: Any) -> str:
    # SQLite may be built without FLOOR; its CAST cuts off, which is the same from 0 upwards
    return f"CAST({compiler.process(element.clauses, **kw)} AS INTEGER)"


def stretch(session: Session, wanted: MapFilter) -> tuple[float, float] | None:
    """The ribbon metres from which and to which to look; None for a line without sheets.

    Where the filter names no beginning, the week before the end is taken.
    """
    ends = first_and_last_metre(session, wanted.line_id)
    if ends is None:
        return None
    first, last = ends
    m_hi = wanted.m_hi
    if m_hi is None and wanted.finish is not None:
        m_hi = metre_when(session, wanted.line_id, wanted.finish)
    m_lo = wanted.m_lo
    if m_lo is None and wanted.begin is not None:
        m_lo = metre_when(session, wanted.line_id, wanted.begin)
    m_hi = last if m_hi is None else m_hi
    if m_lo is None:
        clock = metre_clock(session, wanted.line_id, m_hi - 1.0, m_hi, samples=2)
        week_ago = None if clock is None else clock.time_at(m_hi) - DEFAULT_PERIOD
        found = None if week_ago is None else metre_when(session, wanted.line_id, week_ago)
        m_lo = first if found is None else found
    return (m_lo, m_hi) if m_hi > m_lo else (m_lo, m_lo + 1.0)


def narrowed(
    query: AnySelect,
    wanted: MapFilter,
    m_lo: float,
    m_hi: float,
    *,
    any_kind: bool = False,
    joined: bool = False,
    by_sheet: bool = False,
) -> AnySelect:
    """Add the filter's conditions to a query on defects.

    joined   : the sheets are in the query already
    by_sheet : they are, with the line and a range of their own, and lead: few sheets of many are wanted, so
        that the defects are to be looked up by sheet
    """
    # spelled out, because SQLite does not use an index for a bare truth value
    query = query.where(Defect.current.is_(True))
    if by_sheet:
        # the sum keeps the database from starting at the metres, which every defect of the stretch passes
        metre: ColumnElement[Any] = Defect.ribbon_m + 0.0
    else:
        metre = Defect.ribbon_m.expression
        query = query.where(Defect.line_id == wanted.line_id)
    query = query.where(metre >= m_lo, metre <= m_hi)
    if wanted.kinds and not any_kind:
        query = query.where(Defect.kind.in_(wanted.kinds))
    if wanted.x_lo_mm is not None:
        query = query.where(Defect.ribbon_x_mm >= wanted.x_lo_mm)
    if wanted.x_hi_mm is not None:
        query = query.where(Defect.ribbon_x_mm <= wanted.x_hi_mm)
    if wanted.min_length_mm is not None:
        query = query.where(Defect.length_mm >= wanted.min_length_mm)
    if wanted.max_length_mm is not None:
        query = query.where(Defect.length_mm <= wanted.max_length_mm)
    if wanted.source is not None:
        query = query.where(Defect.source == wanted.source)
    crew = inspected_by(wanted)
    if crew is not None:
        if not joined and not by_sheet:
            query = query.join(Sheet, Sheet.id == Defect.sheet_id)
        query = query.where(crew)
    return query


def inspected_by(wanted: MapFilter) -> ColumnElement[bool] | None:
    """The condition on sheets that a shift or a crew sets; None where neither is asked for."""
    if wanted.shift is None and wanted.crew is None:
        return None
    shifts = select(Shift.id).where(Shift.line_id == wanted.line_id)
    if wanted.shift is not None:
        shifts = shifts.where(Shift.name == wanted.shift)
    if wanted.crew is not None:
        shifts = shifts.where(Shift.crew == wanted.crew)
    return Sheet.shift_id.in_(shifts)


def in_strip(wanted: MapFilter) -> list[ColumnElement[bool]]:
    """The conditions on sheets that a strip across sets: some of their glass lies in it."""
    conditions: list[ColumnElement[bool]] = []
    if wanted.x_lo_mm is not None:
        conditions.append(Sheet.x_left_mm + Sheet.width_mm > wanted.x_lo_mm)
    if wanted.x_hi_mm is not None:
        conditions.append(Sheet.x_left_mm < wanted.x_hi_mm)
    return conditions


def how_looked() -> ColumnElement[str]:
    """SQL: LOOKED, NOT_LOOKED or UNKNOWN, of a sheet."""
    return case((was_looked(), LOOKED), (unknown_looked(), UNKNOWN), else_=NOT_LOOKED)


def not_counted() -> ColumnElement[bool]:
    """SQL: the sheet is in no rate, because nobody looked at it or nobody knows whether somebody did."""
    return or_(~known_looked(), ~was_looked())
