"""Defects per square metre inspected, by the shift that inspected, with exact limits.

A shift's rate counts what was found on the sheets it inspected over the glass of those
sheets, so that a short shift or a stopped table does not look like a better furnace. Rates
of crews differ with their eyes too; the pages say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from sqlalchemy import String, case, func, null, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from models.rates import Rate, rate
from models.records import INSPECTED_STATES, Defect, Sheet, Shift
from models.ribbon_clock import metre_clock
from models.ribbon_counts import count_up_to
from models.ribbon_filter import MapFilter, inspected_by, narrowed, stretch

__all__ = ["ShiftRate", "ShiftRates", "shift_rates"]

#: where the plant has entered no shifts: three of eight hours from 06:00 on (common practice, no source)
UNNAMED_SHIFTS = ((6, "early"), (14, "late"), (22, "night"))
#: more shifts than this are put together by day, and more days by week
MOST_BARS = 130
#: more defects than this are counted by the day on which their glass was cut, from the ribbon's index
MANY = 200_000


@dataclass(frozen=True, slots=True)
class ShiftRate:
    """One shift (or day, or week): the glass it inspected and what it found.

    rates : one rate per kind, in the order of `ShiftRates.kinds`
    """

    name: str
    crew: str | None
    begin: datetime
    finish: datetime
    sheets: int
    area_m2: float
    rates: tuple[Rate, ...]


@dataclass(frozen=True, slots=True)
class ShiftRates:
    """Rates of consecutive shifts over a stretch of ribbon.

    by      : "shift", "day" or "week": what one entry stands for
    cutting : True where days and weeks are those of cutting, False where they are those of inspection
    pooled  : rate of the whole stretch per kind
    assumed : True where the plant has no shifts of its own entered and eight-hour ones were taken
    """

    kinds: tuple[str, ...]
    by: str
    shifts: tuple[ShiftRate, ...]
    pooled: tuple[Rate, ...]
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
    sheets: int
    area_m2: float
    counts: dict[str, int]


def shift_rates(session: Session, wanted: MapFilter, kinds: tuple[str, ...], zone: tzinfo) -> ShiftRates:
    """Rates of the shifts that inspected a stretch of ribbon.

    kinds : the kinds to count, one rate each
    zone  : the plant's time zone, in which days and unnamed shifts begin
    """
    ends = stretch(session, wanted)
    if ends is None:
        return ShiftRates(kinds, "shift", (), tuple(rate(0, 0.0) for _ in kinds), assumed=False)
    if count_up_to(session, wanted, *ends, MANY) > MANY:
        return _by_cutting(session, wanted, kinds, zone, ends)
    named = {
        row.id: row for row in session.execute(select(Shift.__table__).where(Shift.line_id == wanted.line_id))
    }
    sums: dict[tuple[Any, ...], _Sum] = {}
    assumed = False
    # sheets of a plant that has no shifts carry the time at which they were inspected, else cut
    stamp = ten_minutes(func.coalesce(Sheet.inspected_at, Sheet.cut_at))
    slot = case((Sheet.shift_id.is_(None), stamp), else_=null())
    for row in session.execute(_glass_query(wanted, *ends, slot)):
        entry = _entry(sums, named.get(row.shift_id), row.slot, zone)
        assumed = assumed or row.shift_id is None
        entry.sheets += row.sheets
        entry.area_m2 += row.mm2 / 1e6
    query = select(Defect.kind, Sheet.shift_id, slot.label("slot"), func.count().label("n")).join(
        Sheet, Sheet.id == Defect.sheet_id
    )
    query = narrowed(query, wanted, *ends, joined=True).where(Sheet.state.in_(INSPECTED_STATES))
    for row in session.execute(query.group_by(Defect.kind, Sheet.shift_id, slot)):
        entry = _entry(sums, named.get(row.shift_id), row.slot, zone)
        entry.counts[row.kind] = entry.counts.get(row.kind, 0) + row.n
    by, merged = _few_enough(sorted(sums.values(), key=lambda entry: entry.begin), zone)
    return ShiftRates(
        kinds=kinds,
        by=by,
        shifts=tuple(_finished(entry, kinds) for entry in merged),
        pooled=_pooled(merged, kinds),
        assumed=assumed,
    )


def _by_cutting(
    session: Session, wanted: MapFilter, kinds: tuple[str, ...], zone: tzinfo, ends: tuple[float, float]
) -> ShiftRates:
    """Rates by local day or week of cutting: one look into the index for each."""
    clock = metre_clock(session, wanted.line_id, *ends)
    if clock is None:
        return ShiftRates(kinds, "day", (), tuple(rate(0, 0.0) for _ in kinds), assumed=False, cutting=True)
    begin, finish = clock.time_at(ends[0]), clock.time_at(ends[1])
    days = 1 if (finish - begin) / timedelta(days=1) <= MOST_BARS else 7
    totals = [func.sum(case((Defect.kind == kind, 1), else_=0)) for kind in kinds]
    entries = []
    for start, end in _local_days(begin, finish, zone, days):
        m_lo = max(ends[0], clock.metre_at(start))
        m_hi = min(ends[1], clock.metre_at(end))
        if m_hi <= m_lo:
            continue
        counted = session.execute(narrowed(select(*totals), wanted, m_lo, m_hi)).one()
        sheets, area = session.execute(_glass_between(wanted, m_lo, m_hi)).one()
        counts = {kind: int(n or 0) for kind, n in zip(kinds, counted, strict=True)}
        name = "day" if days == 1 else "week"
        entries.append(_Sum(name, None, start, end, sheets or 0, (area or 0.0) / 1e6, counts))
    return ShiftRates(
        kinds=kinds,
        by="day" if days == 1 else "week",
        shifts=tuple(_finished(entry, kinds) for entry in entries),
        pooled=_pooled(entries, kinds),
        assumed=False,
        cutting=True,
    )


def _local_days(
    begin: datetime, finish: datetime, zone: tzinfo, days: int
) -> Iterator[tuple[datetime, datetime]]:
    """Local days, or weeks from Monday on, that cover a period."""
    wall = begin.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    if days == 7:
        wall -= timedelta(days=wall.weekday())
    start = wall.replace(tzinfo=zone).astimezone(UTC)
    while start < finish:
        wall += timedelta(days=days)
        end = wall.replace(tzinfo=zone).astimezone(UTC)
        yield start, end
        start = end


def _glass_between(wanted: MapFilter, m_lo: float, m_hi: float) -> Any:
    query = select(func.count(), func.sum(_inspected_width(wanted) * Sheet.length_mm)).where(
        Sheet.line_id == wanted.line_id,
        Sheet.state.in_(INSPECTED_STATES),
        Sheet.ribbon_start_m >= m_lo,
        Sheet.ribbon_start_m < m_hi,
    )
    crew = inspected_by(wanted)
    return query if crew is None else query.where(crew)


def _inspected_width(wanted: MapFilter) -> Any:
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


def _glass_query(wanted: MapFilter, m_lo: float, m_hi: float, slot: Any) -> Any:
    query = select(
        Sheet.shift_id,
        slot.label("slot"),
        func.count().label("sheets"),
        func.sum(_inspected_width(wanted) * Sheet.length_mm).label("mm2"),
    ).where(
        Sheet.line_id == wanted.line_id,
        Sheet.state.in_(INSPECTED_STATES),
        Sheet.ribbon_start_m >= m_lo,
        Sheet.ribbon_start_m <= m_hi,
    )
    crew = inspected_by(wanted)
    if crew is not None:
        query = query.where(crew)
    return query.group_by(Sheet.shift_id, slot)


def _entry(sums: dict[tuple[Any, ...], _Sum], shift: Any, slot: str | None, zone: tzinfo) -> _Sum:
    if shift is not None:
        key: tuple[Any, ...] = ("named", shift.id)
        name, crew, begin, finish = shift.name, shift.crew, shift.start_at, shift.end_at
    else:
        begin, finish, name = _unnamed_shift(datetime.fromisoformat(f"{slot}0").replace(tzinfo=UTC), zone)
        key, crew = ("unnamed", begin), None
    if key not in sums:
        sums[key] = _Sum(name, crew, begin, finish, 0, 0.0, {})
    return sums[key]


def _unnamed_shift(when: datetime, zone: tzinfo) -> tuple[datetime, datetime, str]:
    """Begin, end and name of the eight hours of local time in which an instant lies."""
    local = when.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    starts = [
        (midnight + timedelta(days=day, hours=hour), name)
        for day in (-1, 0, 1)
        for hour, name in UNNAMED_SHIFTS
    ]
    wall = local.replace(tzinfo=None)
    n = max(i for i, (start, _) in enumerate(starts) if start <= wall)
    begin, finish = (starts[k][0].replace(tzinfo=zone).astimezone(UTC) for k in (n, n + 1))
    return begin, finish, starts[n][1]


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
        whole = merged.setdefault(
            begin, _Sum("day" if days == 1 else "week", None, begin, finish, 0, 0.0, {})
        )
        whole.sheets += entry.sheets
        whole.area_m2 += entry.area_m2
        for kind, n in entry.counts.items():
            whole.counts[kind] = whole.counts.get(kind, 0) + n
    return [merged[begin] for begin in sorted(merged)]


def _pooled(entries: Sequence[_Sum], kinds: tuple[str, ...]) -> tuple[Rate, ...]:
    area = sum(entry.area_m2 for entry in entries)
    return tuple(rate(sum(entry.counts.get(kind, 0) for entry in entries), area) for kind in kinds)


def _finished(entry: _Sum, kinds: tuple[str, ...]) -> ShiftRate:
    return ShiftRate(
        entry.name,
        entry.crew,
        entry.begin,
        entry.finish,
        entry.sheets,
        entry.area_m2,
        tuple(rate(entry.counts.get(kind, 0), entry.area_m2) for kind in kinds),
    )
