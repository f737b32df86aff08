"""Defects counted per field of the ribbon, inside the database.

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

from models.records import Defect
from models.ribbon_filter import MapFilter, field_index, narrowed

__all__ = ["GridCounts", "Window", "count_up_to", "grid_counts"]

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
    """Counts by kind, column and row; `share` of the ribbon's length was read (1: all of it)."""

    counts: dict[tuple[str, int, int], int]
    share: float

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


def grid_counts(session: Session, wanted: MapFilter, window: Window) -> GridCounts:
    """Count the defects that pass the filter per kind and field, kinds that it leaves out too."""
    if count_up_to(session, wanted, window.m_lo, window.m_hi, EXACT_LIMIT) <= EXACT_LIMIT:
        return GridCounts(_counted(session, wanted, window), 1.0)
    share = min(1.0, SAMPLE / max(_estimate(session, wanted, window), 1.0))
    sums: dict[tuple[str, int, int], int] = {}
    for column in range(window.columns):
        for m_lo, m_hi in _pieces(window, column, share):
            for kind, row, count in _rows_of(session, wanted, window, m_lo, m_hi):
                key = kind, column, min(row, window.rows - 1)
                sums[key] = sums.get(key, 0) + count
    return GridCounts({key: round(count / share) for key, count in sums.items()}, share)


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
