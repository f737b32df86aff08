"""Defects per square metre looked at, by the shift that inspected, with exact limits.

A shift's rate counts what was found on the sheets it looked at over the glass of those
sheets that was looked at, so that a short shift or a stopped table does not look like a
better furnace. Sheets of which nobody knows whether they were looked at are counted beside
the rates. Rates of crews differ with their eyes too; the pages say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

import numpy as np
from sqlalchemy import String, case, func, null, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from models.inspections.looking import looked_share
from models.rates import Rate, enough_glass, rate, usual_rate
from models.records import Defect, Sheet, Shift
from models.ribbon_clock import metre_clock
from models.ribbon_counts import LONGEST_SHEET_MM, count_up_to, defects_apart
from models.ribbon_filter import (
    LOOKED,
    NOT_LOOKED,
    UNKNOWN,
    MapFilter,
    how_looked,
    in_strip,
    inspected_by,
    narrowed,
    stretch,
)
from models.ribbon_glass import Apart
from models.shift_calendar import local_days, unnamed_shift

__all__ = ["ShiftRate", "ShiftRates", "apart_of", "shift_rates"]

#: more shifts than this are put together by day, and more days by week
MOST_BARS = 130
#: more defects than this are counted by the day on which their glass was cut, from the ribbon's index
MANY = 200_000
NONE_APART = Apart()


@dataclass(frozen=True, slots=True)
class ShiftRate:
    """One shift (or day, or week): the glass it looked at and what it found.

    sheets, area_m2 : sheets that it looked at, at least in part, and the glass of them that it looked at
    rates : one rate per kind, in the order of `ShiftRates.kinds`
    apart : its other sheets
    """

    name: str
    crew: str | None
    begin: datetime
    finish: datetime
    sheets: int
    area_m2: float
    rates: tuple[Rate, ...]
    apart: Apart

    @property
    def looked_fraction(self) -> float | None:
        """1 where it has a rate, 0 where nothing was looked at, None where nobody knows of anything."""
        if self.area_m2 > 0.0:
            return 1.0
        return None if self.apart.unknown_sheets else 0.0


@dataclass(frozen=True, slots=True)
class ShiftRates:
    """Rates of consecutive shifts over a stretch of ribbon.

    by      : "shift", "day" or "week": what one entry stands for
    cutting : True where days and weeks are those of cutting, False where they are those of inspection
    pooled  : rate of the whole stretch per kind
    usual   : rate per m2 that is usual per kind, which an episode does not lift; None without glass looked at
    apart   : sheets of the stretch that are in no rate; those that nobody looked at belong to no shift
    assumed : True where the plant has no shifts of its own entered and eight-hour ones were taken
    """

    kinds: tuple[str, ...]
    by: str
    shifts: tuple[ShiftRate, ...]
    pooled: tuple[Rate, ...]
    usual: tuple[float | None, ...]
    apart: Apart
    assumed: bool
    cutting: bool = False


class ten_minutes(FunctionElement[str]):  # noqa: N801 - named like the SQL functions it stands beside
    """A UTC time cut down to ten minutes, as text: 2026-03-01 06:1."""

    type = String()
    inherit_cache = True


@compiles(ten_minutes, "sqlite")
def _first_letters(element: ten_minutes, compiler: SQLCompiler, **kw: Any) -> str:
    return f"substr({compiler.process(element.clauses, **kw)}, 1, 15)"


@compiles(ten_minutes)
def _formatted(element: ten_minutes, compiler: SQLCompiler, **kw: Any) -> str:
    moment = compiler.process(element.clauses, **kw)
    return f"substr(to_char({moment} AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI'), 1, 15)"


@dataclass(slots=True)
class _Sum:
    name: str
    crew: str | None
    begin: datetime
    finish: datetime
    sheets: int = 0
    area_m2: float = 0.0
    counts: dict[str, int] = field(default_factory=dict)
    apart: Apart = NONE_APART


def shift_rates(session: Session, wanted: MapFilter, kinds: tuple[str, ...], zone: tzinfo) -> ShiftRates:
    """Rates of the shifts that inspected a stretch of ribbon.

    kinds : the kinds to count, one rate each
    zone  : the plant's time zone, in which days and unnamed shifts begin
    """
    ends = stretch(session, wanted)
    if ends is None:
        return _summed([], kinds, "shift", NONE_APART)
    if count_up_to(session, wanted, *ends, MANY) > MANY:
        return _by_cutting(session, wanted, kinds, zone, ends)
    named = {
        row.id: row for row in session.execute(select(Shift.__table__).where(Shift.line_id == wanted.line_id))
    }
    sums: dict[tuple[Any, ...], _Sum] = {}
    assumed = False
    nobodys = NONE_APART
    # sheets of a plant that has no shifts carry the time at which they were inspected, else cut
    stamp = ten_minutes(func.coalesce(Sheet.inspected_at, Sheet.cut_at))
    slot = case((Sheet.shift_id.is_(None), stamp), else_=null())
    state = how_looked()
    for row in session.execute(_glass_query(wanted, *ends, slot, state)):
        if row.state == NOT_LOOKED and row.shift_id is None:
            nobodys += Apart(not_looked_sheets=row.sheets)
            continue
        entry = _entry(sums, named.get(row.shift_id), row.slot, zone)
        assumed = assumed or row.shift_id is None
        if row.state == LOOKED:
            entry.sheets += row.sheets
            entry.area_m2 += row.mm2 / 1e6
        else:
            entry.apart += _apart(row.state, sheets=row.sheets)
    for row in session.execute(_defect_query(wanted, *ends, slot, state)):
        if row.state == NOT_LOOKED and row.shift_id is None:
            nobodys += Apart(not_looked_defects=row.n)
            continue
        entry = _entry(sums, named.get(row.shift_id), row.slot, zone)
        if row.state == LOOKED:
            entry.counts[row.kind] = entry.counts.get(row.kind, 0) + row.n
        elif row.kind in kinds:
            entry.apart += _apart(row.state, defects=row.n)
    by, merged = _few_enough(sorted(sums.values(), key=lambda entry: entry.begin), zone)
    return _summed(merged, kinds, by, nobodys, assumed=assumed)


def _apart(state: str, *, sheets: int = 0, defects: int = 0) -> Apart:
    if state == UNKNOWN:
        return Apart(unknown_sheets=sheets, unknown_defects=defects)
    return Apart(not_looked_sheets=sheets, not_looked_defects=defects)


def _by_cutting(
    session: Session, wanted: MapFilter, kinds: tuple[str, ...], zone: tzinfo, ends: tuple[float, float]
) -> ShiftRates:
    """Rates by local day or week of cutting: one look into the index for each."""
    clock = metre_clock(session, wanted.line_id, *ends)
    if clock is None:
        return _summed([], kinds, "day", NONE_APART, cutting=True)
    begin, finish = clock.time_at(ends[0]), clock.time_at(ends[1])
    days = 1 if (finish - begin) / timedelta(days=1) <= MOST_BARS else 7
    totals = [func.sum(case((Defect.kind == kind, 1), else_=0)) for kind in kinds]
    by = "day" if days == 1 else "week"
    entries: list[_Sum] = []
    for start, end in local_days(begin, finish, zone, days):
        m_lo = max(ends[0], clock.metre_at(start))
        m_hi = min(ends[1], clock.metre_at(end))
        if m_hi <= m_lo:
            continue
        counted = session.execute(narrowed(select(*totals), wanted, m_lo, m_hi)).one()
        entry = _Sum(by, None, start, end)
        entry.counts = {kind: int(n or 0) for kind, n in zip(kinds, counted, strict=True)}
        # a sheet over midnight has glass on both days and counts as a sheet of the first
        glass = session.execute(_glass_between(wanted, m_lo, m_hi, begun=not entries)).all()
        for row in glass:
            if row.state == LOOKED:
                entry.sheets, entry.area_m2 = row.sheets, row.mm2 / 1e6
            else:
                entry.apart += _apart(row.state, sheets=row.sheets)
        states = {row.state for row in glass}
        if len(states) > 1:
            for row in defects_apart(session, wanted, m_lo, m_hi, Defect.kind):
                if row.kind in kinds:
                    entry.counts[row.kind] -= row.n
                    entry.apart += _apart(row.state, defects=row.n)
        elif states and LOOKED not in states:
            # all alike, so all of the day's defects are on such sheets
            entry.apart += _apart(*states, defects=sum(entry.counts.values()))
            entry.counts = {}
        entries.append(entry)
    return _summed(entries, kinds, by, NONE_APART, cutting=True)


def _glass_between(wanted: MapFilter, m_lo: float, m_hi: float, *, begun: bool = True) -> Any:
    """Sums by what is known of the sheets; `begun` counts sheets that began before the stretch, too."""
    state = how_looked()
    query = select(state.label("state"), *_glass_sums(wanted, m_lo, m_hi, begun=begun))
    return _of_sheets(wanted, query, m_lo, m_hi).group_by(state)


def _glass_sums(wanted: MapFilter, m_lo: float, m_hi: float, *, begun: bool = True) -> tuple[Any, Any]:
    """How many sheets, and mm² looked at of what of them lies on the stretch."""
    sheets = func.count() if begun else func.sum(case((Sheet.ribbon_start_m >= m_lo, 1), else_=0))
    end = _end_m()
    start = case((Sheet.ribbon_start_m > m_lo, Sheet.ribbon_start_m), else_=m_lo)
    length_mm = (case((end < m_hi, end), else_=m_hi) - start) * 1000.0
    looked = _width_in_strip(wanted) * length_mm * looked_share()
    return sheets.label("sheets"), func.sum(looked).label("mm2")


def _end_m() -> Any:
    return Sheet.ribbon_start_m + Sheet.length_mm / 1000.0


def _of_sheets(wanted: MapFilter, query: Any, m_lo: float, m_hi: float) -> Any:
    """The sheets that lie on a stretch, at least in part, and pass the filter."""
    query = query.where(
        Sheet.line_id == wanted.line_id,
        # the end is what is meant; the start is what the index knows
        Sheet.ribbon_start_m >= m_lo - LONGEST_SHEET_MM / 1000.0,
        Sheet.ribbon_start_m < m_hi,
        _end_m() > m_lo,
        *in_strip(wanted),
    )
    crew = inspected_by(wanted)
    return query if crew is None else query.where(crew)


def _width_in_strip(wanted: MapFilter) -> Any:
    """Width of a sheet within the strip asked for, as the database works it out."""
    width: Any = Sheet.width_mm
    if wanted.x_lo_mm is not None or wanted.x_hi_mm is not None:
        right = Sheet.x_left_mm + Sheet.width_mm
        high = (
            right if wanted.x_hi_mm is None else case((right < wanted.x_hi_mm, right), else_=wanted.x_hi_mm)
        )
        left = Sheet.x_left_mm
        low = left if wanted.x_lo_mm is None else case((left > wanted.x_lo_mm, left), else_=wanted.x_lo_mm)
        width = case((high > low, high - low), else_=0.0)
    return width


def _glass_query(wanted: MapFilter, m_lo: float, m_hi: float, slot: Any, state: Any) -> Any:
    sums = _glass_sums(wanted, m_lo, m_hi)
    query = select(Sheet.shift_id, slot.label("slot"), state.label("state"), *sums)
    return _of_sheets(wanted, query, m_lo, m_hi).group_by(Sheet.shift_id, slot, state)


def _defect_query(wanted: MapFilter, m_lo: float, m_hi: float, slot: Any, state: Any) -> Any:
    query = select(
        Defect.kind, Sheet.shift_id, slot.label("slot"), state.label("state"), func.count().label("n")
    ).join(Sheet, Sheet.id == Defect.sheet_id)
    query = narrowed(query, wanted, m_lo, m_hi, joined=True)
    return query.group_by(Defect.kind, Sheet.shift_id, slot, state)


def _entry(sums: dict[tuple[Any, ...], _Sum], shift: Any, slot: str | None, zone: tzinfo) -> _Sum:
    if shift is not None:
        key: tuple[Any, ...] = ("named", shift.id)
        name, crew, begin, finish = shift.name, shift.crew, shift.start_at, shift.end_at
    else:
        begin, finish, name = unnamed_shift(datetime.fromisoformat(f"{slot}0").replace(tzinfo=UTC), zone)
        key, crew = ("unnamed", begin), None
    if key not in sums:
        sums[key] = _Sum(name, crew, begin, finish)
    return sums[key]


def _few_enough(entries: list[_Sum], zone: tzinfo) -> tuple[str, list[_Sum]]:
    if len(entries) <= MOST_BARS:
        return "shift", entries
    days = _together(entries, zone, 1)
    if len(days) <= MOST_BARS:
        return "day", days
    return "week", _together(entries, zone, 7)


def _together(entries: Iterable[_Sum], zone: tzinfo, days: int) -> list[_Sum]:
    """Put shifts together that begin in the same local day or week (weeks begin on Mondays)."""
    merged: dict[datetime, _Sum] = {}
    for entry in entries:
        start = entry.begin.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
        if days == 7:
            start -= timedelta(days=start.weekday())
        begin = start.replace(tzinfo=zone).astimezone(UTC)
        finish = (start + timedelta(days=days)).replace(tzinfo=zone).astimezone(UTC)
        whole = merged.setdefault(begin, _Sum("day" if days == 1 else "week", None, begin, finish))
        whole.sheets += entry.sheets
        whole.area_m2 += entry.area_m2
        whole.apart += entry.apart
        for kind, n in entry.counts.items():
            whole.counts[kind] = whole.counts.get(kind, 0) + n
    return [merged[begin] for begin in sorted(merged)]


def _summed(
    entries: Sequence[_Sum],
    kinds: tuple[str, ...],
    by: str,
    nobodys: Apart,
    *,
    assumed: bool = False,
    cutting: bool = False,
) -> ShiftRates:
    """The entries as rates; `nobodys` are sheets that belong to none of them."""
    area = np.array([entry.area_m2 for entry in entries])
    enough = np.where(enough_glass(area), area, 0.0)
    counts = {kind: np.array([entry.counts.get(kind, 0) for entry in entries], dtype=float) for kind in kinds}
    return ShiftRates(
        kinds=kinds,
        by=by,
        shifts=tuple(_finished(entry, kinds) for entry in entries),
        pooled=tuple(rate(int(counts[kind].sum()), float(area.sum())) for kind in kinds),
        usual=tuple(usual_rate(counts[kind], enough) for kind in kinds),
        apart=sum((entry.apart for entry in entries), nobodys),
        assumed=assumed,
        cutting=cutting,
    )


def _finished(entry: _Sum, kinds: tuple[str, ...]) -> ShiftRate:
    return ShiftRate(
        entry.name,
        entry.crew,
        entry.begin,
        entry.finish,
        entry.sheets,
        entry.area_m2,
        tuple(rate(entry.counts.get(kind, 0), entry.area_m2) for kind in kinds),
        entry.apart,
    )


def apart_of(session: Session, wanted: MapFilter) -> Apart:
    """The sheets of a stretch that are in no rate, and the defects on them that pass the filter."""
    ends = stretch(session, wanted)
    if ends is None:
        return NONE_APART
    rows = session.execute(_glass_between(wanted, *ends))
    found = [_apart(row.state, sheets=row.sheets) for row in rows if row.state != LOOKED]
    if found:
        found += [_apart(row.state, defects=row.n) for row in defects_apart(session, wanted, *ends)]
    return sum(found, NONE_APART)
