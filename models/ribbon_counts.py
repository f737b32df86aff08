"""Defects counted per field of the ribbon, inside the database.

The fields hold every defect that is in the books. What of them lies on sheets that nobody looked at, or of
which nobody knows, is counted once more, so that rates can leave it out.

Up to some hundred thousand defects every one is counted. Beyond that a database would sort
millions of rows for a picture of a few thousand fields; then evenly spread pieces of each
column are counted and the counts scaled up, and the result says which share was read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.records import Defect, Sheet
from models.ribbon_filter import (
    NOT_LOOKED,
    UNKNOWN,
    MapFilter,
    field_index,
    how_looked,
    narrowed,
    not_counted,
)

__all__ = ["LONGEST_SHEET_MM", "GridCounts", "Window", "count_up_to", "defects_apart", "grid_counts"]

#: no cut sheet is longer; so far before a stretch may a sheet begin that reaches into it
LONGEST_SHEET_MM = 50_000.0
#: a defect may stand this far outside its sheet, as rounded
SLACK_M = 1.0

#: up to so many defects each is counted
EXACT_LIMIT = 400_000
#: about so many defects are read where not all are
SAMPLE = 200_000
#: pieces of each column that are read then
PIECES = 4
#: places at which the ribbon is probed to learn how many defects there are
PROBES = 64
#: steps of this share of a turn never fall into step with sheets or rolls
GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of ribbon and a strip across it, cut into columns along and rows across."""

    m_lo: float
    m_hi: float
    x_lo_mm: float
    x_hi_mm: float
    columns: int
    rows: int

    @property
    def m_step(self) -> float:
        """Metres of a column."""
        return (self.m_hi - self.m_lo) / self.columns

    @property
    def x_step(self) -> float:
        """Millimetres of a row."""
        return (self.x_hi_mm - self.x_lo_mm) / self.rows


@dataclass(frozen=True, slots=True)
class GridCounts:
    """Counts by kind, column and row, of which some are on glass that is in no rate.

    counts : every defect of the window, scaled up to all of it
    share  : part of the ribbon's length that was read (1: all of it)
    strips : as read, not scaled up, by kind and row, on sheets that were looked at
    apart  : as read, not scaled up, by NOT_LOOKED or UNKNOWN and kind, on the other sheets
    """

    counts: dict[tuple[str, int, int], int]
    share: float
    strips: dict[tuple[str, int], int]
    apart: dict[tuple[str, str], int]

    def by_kind(self) -> dict[str, int]:
        """Sums over all fields."""
        sums: dict[str, int] = {}
        for (kind, _, _), count in self.counts.items():
            sums[kind] = sums.get(kind, 0) + count
        return sums


def count_up_to(session: Session, wanted: MapFilter, m_lo: float, m_hi: float, most: int) -> int:
    """How many defects pass the filter, counted no further than `most` + 1."""
    some = narrowed(select(Defect.ribbon_m), wanted, m_lo, m_hi).limit(most + 1).subquery()
    return session.scalar(select(func.count()).select_from(some)) or 0


def grid_counts(
    session: Session,
    wanted: MapFilter,
    window: Window,
    *,
    only: str | None = None,
    reach_mm: float = LONGEST_SHEET_MM,
) -> GridCounts:
    """Count the defects that pass the filter per kind and field, kinds that it leaves out too.

    only     : what is known of all sheets of the window alike, as `how_looked` says it; saves looking for it
    reach_mm : length of the longest sheet there
    """
    counts: dict[tuple[str, int, int], int] = {}
    apart: dict[tuple[str, str, int], int] = {}
    share = 1.0
    pieces = [(window.m_lo, window.m_hi)]
    if count_up_to(session, wanted, window.m_lo, window.m_hi, EXACT_LIMIT) <= EXACT_LIMIT:
        counts = _counted(session, wanted, window)
    else:
        share = min(1.0, SAMPLE / max(_estimate(session, wanted, window), 1.0))
        pieces = []
        for column in range(window.columns):
            for m_lo, m_hi in _pieces(window, column, share):
                pieces.append((m_lo, m_hi))
                for kind, row, count in _rows_of(session, wanted, window, m_lo, m_hi):
                    key = kind, column, min(row, window.rows - 1)
                    counts[key] = counts.get(key, 0) + count
    row = field_index((Defect.ribbon_x_mm - window.x_lo_mm) / window.x_step)
    if only in (NOT_LOOKED, UNKNOWN):
        for (kind, _, strip), count in counts.items():
            apart[only, kind, strip] = apart.get((only, kind, strip), 0) + count
    for m_lo, m_hi in pieces if only is None else ():
        found = defects_apart(
            session, wanted, m_lo, m_hi, Defect.kind, row, any_kind=True, reach_mm=reach_mm, across=window
        )
        for state, kind, strip, count in found:
            place = state, kind, min(strip, window.rows - 1)
            apart[place] = apart.get(place, 0) + count
    return GridCounts(
        {key: round(count / share) for key, count in counts.items()}, share, *_parted(counts, apart)
    )


def _parted(
    counts: dict[tuple[str, int, int], int], apart: dict[tuple[str, str, int], int]
) -> tuple[dict[tuple[str, int], int], dict[tuple[str, str], int]]:
    """Counts by kind and row less those apart, and those apart by what is known of their sheets and kind."""
    strips: dict[tuple[str, int], int] = {}
    sums: dict[tuple[str, str], int] = {}
    for (kind, _, row), count in counts.items():
        strips[kind, row] = strips.get((kind, row), 0) + count
    for (state, kind, row), count in apart.items():
        strips[kind, row] = strips.get((kind, row), 0) - count
        sums[state, kind] = sums.get((state, kind), 0) + count
    return strips, sums


def defects_apart(
    session: Session,
    wanted: MapFilter,
    m_lo: float,
    m_hi: float,
    *columns: Any,
    any_kind: bool = False,
    reach_mm: float = LONGEST_SHEET_MM,
    across: Window | None = None,
) -> Iterator[Any]:
    """Defects of a stretch on sheets that are in no rate: rows of NOT_LOOKED or UNKNOWN, columns, count.

    The sheets lead, since most of those that nobody looked at have no defect.

    columns  : what to group by besides
    reach_mm : length of the longest sheet there
    across   : only what lies in this window's strip
    """
    state = how_looked()
    query = narrowed(
        select(state.label("state"), *columns, func.count().label("n"))
        .select_from(Sheet)
        .join(Defect, Defect.sheet_id == Sheet.id)
        .where(
            Sheet.line_id == wanted.line_id,
            Sheet.ribbon_start_m >= m_lo - reach_mm / 1000.0 - SLACK_M,
            Sheet.ribbon_start_m <= m_hi + SLACK_M,
            not_counted(),
        ),
        wanted,
        m_lo,
        m_hi,
        any_kind=any_kind,
        by_sheet=True,
    )
    if across is not None:
        query = query.where(Defect.ribbon_x_mm >= across.x_lo_mm, Defect.ribbon_x_mm <= across.x_hi_mm)
    yield from session.execute(query.group_by(state, *columns))


def _counted(session: Session, wanted: MapFilter, window: Window) -> dict[tuple[str, int, int], int]:
    column = field_index((Defect.ribbon_m - window.m_lo) / window.m_step)
    row = field_index((Defect.ribbon_x_mm - window.x_lo_mm) / window.x_step)
    query = narrowed(
        select(Defect.kind, column.label("column"), row.label("row"), func.count().label("n")).where(
            Defect.ribbon_x_mm >= window.x_lo_mm, Defect.ribbon_x_mm <= window.x_hi_mm
        ),
        wanted,
        window.m_lo,
        window.m_hi,
        any_kind=True,
    ).group_by(Defect.kind, column, row)
    counts: dict[tuple[str, int, int], int] = {}
    for kind, i, j, n in session.execute(query):
        # what lies exactly on the far edge belongs to the last field
        key = kind, min(i, window.columns - 1), min(j, window.rows - 1)
        counts[key] = counts.get(key, 0) + n
    return counts


def _rows_of(session: Session, wanted: MapFilter, window: Window, m_lo: float, m_hi: float) -> Iterator[Any]:
    row = field_index((Defect.ribbon_x_mm - window.x_lo_mm) / window.x_step)
    query = narrowed(
        select(Defect.kind, row.label("row"), func.count().label("n")).where(
            Defect.ribbon_x_mm >= window.x_lo_mm, Defect.ribbon_x_mm <= window.x_hi_mm
        ),
        wanted,
        m_lo,
        m_hi,
        any_kind=True,
    ).group_by(Defect.kind, row)
    yield from session.execute(query)


def _pieces(window: Window, column: int, share: float) -> Iterator[tuple[float, float]]:
    """Ends of the pieces of one column: one in each of PIECES equal parts, at places that repeat nowhere."""
    part = window.m_step / PIECES
    for piece in range(PIECES):
        turn = ((column * PIECES + piece) * GOLDEN) % 1.0
        start = window.m_lo + column * window.m_step + piece * part + turn * part * (1.0 - share)
        yield start, start + part * share


def _estimate(session: Session, wanted: MapFilter, window: Window) -> float:
    """About how many defects there are, from thin probes along the stretch."""
    part = (window.m_hi - window.m_lo) / PROBES
    thin = part / 100.0
    found = 0
    for probe in range(PROBES):
        start = window.m_lo + probe * part + (probe * GOLDEN % 1.0) * (part - thin)
        query = narrowed(select(func.count()).select_from(Defect), wanted, start, start + thin, any_kind=True)
        found += session.scalar(query) or 0
    return found * 100.0
