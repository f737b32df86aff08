"""Traces of a line from the books: loads the arrays, runs the trace, keeps the last run of each line at hand.

The only place where a session meets `models.trace`. Nothing is stored in the database by a trace.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import BigInteger, cast, func, select
from sqlalchemy.orm import Session

from models.clock import zone
from models.errors import BadValue
from models.records import (
    TRACER_SECTIONS,
    Defect,
    Event,
    FurnaceLogRow,
    LayoutPoint,
    Line,
    LineLogRow,
    PlantFigures,
    Roll,
    Sheet,
    TracerReading,
    TracerRun,
)
from models.ribbon import Layout
from models.trace import (
    Defects,
    LineRows,
    PlantEvent,
    RollPlace,
    Sheets,
    TagSeries,
    TraceInput,
    TraceResult,
    Vessels,
    trace,
    trace_newest,
)
from models.tracer_runs import curves_in_use, figures_of, used_runs

BACKGROUND_DAYS = 30.0  # read before the stretch asked for, so that the usual level is known
AFTER_DAYS = 6.0
FURNACE_DAYS = 12.0  # furnace log and events read before the first sheet: a melter's memory
MOST_TAG_ROWS = 20_000


@dataclass(frozen=True)
class Loaded:
    """A line's arrays with the books' own keys: ids by row of sheets and defects.

    tracer_runs : the plant's tracer run that stands for a section's figures, by section
    """

    given: TraceInput
    sheet_ids: np.ndarray
    defect_ids: np.ndarray
    tracer_runs: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Traced:
    """A trace and what it was made from; `start`, `end` limit what was asked for (None: all)."""

    result: TraceResult
    loaded: Loaded
    start: datetime | None
    end: datetime | None


def load(
    session: Session, line_id: int, start: datetime | None = None, end: datetime | None = None
) -> Loaded:
    """Read one line's arrays; with `start` or `end` only sheets stamped in that stretch and its surroundings.

    Raises BadValue where the line has no sheets there.
    """
    wanted = [Sheet.line_id == line_id]
    if start is not None:
        wanted.append(Sheet.cut_at >= start - timedelta(days=BACKGROUND_DAYS))
    if end is not None:
        wanted.append(Sheet.cut_at <= end + timedelta(days=AFTER_DAYS))
    rows = session.execute(
        select(
            Sheet.id,
            Sheet.ribbon_start_m,
            Sheet.length_mm,
            Sheet.width_mm,
            Sheet.x_left_mm,
            Sheet.cut_at,
            Sheet.looked_fraction,
        )
        .where(*wanted)
        .order_by(Sheet.ribbon_start_m, Sheet.id)
    ).all()
    if len(rows) < 2:
        raise BadValue(
            "There are fewer than two sheets in this stretch; expected sheets with their place on the ribbon"
        )
    ids, start_m, length, width, left, cut, looked = zip(*rows, strict=True)
    sheet_ids = np.array(ids, dtype=np.int64)
    sheets = Sheets(
        np.array(start_m, dtype=float), np.array(length, dtype=float), np.array(width, dtype=float),
        np.array(left, dtype=float), np.array([c.timestamp() for c in cut]),
        np.array([np.nan if part is None else part for part in looked], dtype=float),
    )  # fmt: skip
    first, last = min(cut), max(cut)
    defects, defect_ids = _defects(session, line_id, sheets, sheet_ids)
    given = TraceInput(
        sheets=sheets,
        defects=defects,
        line=_line_log(session, line_id, first - timedelta(days=FURNACE_DAYS), last + timedelta(days=1)),
        layout=_layout(session, line_id),
        vessels=_vessels(session, line_id, last),
        events=_events(session, line_id, first - timedelta(days=FURNACE_DAYS), last),
        tags=_tags(session, line_id, first - timedelta(days=FURNACE_DAYS), last),
        rolls=tuple(
            RollPlace(r.name, r.diameter_mm, r.distance_m_upstream_of_inspection)
            for r in session.scalars(select(Roll).where(Roll.line_id == line_id).order_by(Roll.id))
        ),
    )
    runs = {route: run.run_id for route, run in used_runs(session, line_id, last).items()}
    return Loaded(given, sheet_ids, defect_ids, runs)


def _defects(
    session: Session, line_id: int, sheets: Sheets, sheet_ids: np.ndarray
) -> tuple[Defects, np.ndarray]:
    lo, hi = float(sheets.start_m[0]), float(sheets.start_m[-1] + sheets.length_mm.max() / 1000)
    rows = session.execute(
        select(Defect.id, Defect.sheet_id, Defect.kind, Defect.ribbon_m, Defect.ribbon_x_mm)
        .where(
            Defect.line_id == line_id, Defect.current.is_(True), Defect.ribbon_m >= lo,
            Defect.ribbon_m <= hi, Defect.ribbon_x_mm.is_not(None),
        )
        .order_by(Defect.ribbon_m)
    ).all()  # fmt: skip
    if not rows:
        return Defects((), *(np.empty(0) for _ in range(4))), np.empty(0, dtype=np.int64)
    ids, sheet, kind, metre, x = zip(*rows, strict=True)
    kinds, coded = np.unique(np.array(kind), return_inverse=True)
    order = np.argsort(sheet_ids)
    at = np.searchsorted(sheet_ids[order], np.array(sheet, dtype=np.int64))
    at = np.minimum(at, order.size - 1)
    row = np.where(sheet_ids[order[at]] == np.array(sheet), order[at], -1)
    return (
        Defects(
            tuple(str(k) for k in kinds), coded, np.array(metre, dtype=float), np.array(x, dtype=float), row
        ),
        np.array(ids, dtype=np.int64),
    )


def _line_log(session: Session, line_id: int, start: datetime, end: datetime) -> LineRows | None:
    rows = session.execute(
        select(
            LineLogRow.time, LineLogRow.ribbon_speed_m_per_min, LineLogRow.thickness_mm,
            LineLogRow.pull_t_per_day, LineLogRow.gross_width_mm,
        )
        .where(LineLogRow.line_id == line_id, LineLogRow.time >= start, LineLogRow.time <= end)
        .order_by(LineLogRow.time)
    ).all()  # fmt: skip
    if len(rows) < 2:
        return None
    time, *rest = zip(*rows, strict=True)
    speed, thickness, pull, gross = (
        np.array([np.nan if v is None else v for v in c], dtype=float) for c in rest
    )
    if not (speed > 0).any():
        return None
    return LineRows(np.array([t.timestamp() for t in time]), speed, thickness, pull, gross)


def _layout(session: Session, line_id: int) -> Layout:
    points = session.scalars(select(LayoutPoint).where(LayoutPoint.line_id == line_id))
    return Layout({p.point: p.distance_m_upstream_of_inspection for p in points})


def _vessels(session: Session, line_id: int, at: datetime) -> Vessels | None:
    row = figures_of(session, line_id, at)
    if row is None:
        return None
    curves = curves_in_use(session, line_id, at)
    return Vessels(
        row.melter_mass_t, row.melter_plug_fraction, row.melter_tanks_in_series,
        row.refiner_mass_t, row.refiner_plug_fraction, row.refiner_tanks_in_series,
        row.density_t_per_m3, row.gross_width_mm, row.net_width_mm,
        _or(row.melter_mass_rel_tolerance, 0.04), _or(row.melter_plug_tolerance, 0.03),
        row.melter_tanks_low, row.melter_tanks_high, _or(row.refiner_mass_rel_tolerance, 0.04),
        *(curves.get(section, ()) for section in TRACER_SECTIONS),
    )  # fmt: skip


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _events(session: Session, line_id: int, start: datetime, end: datetime) -> tuple[PlantEvent, ...]:
    rows = session.scalars(
        select(Event)
        .where(Event.line_id == line_id, Event.start_at >= start, Event.start_at <= end)
        .order_by(Event.start_at, Event.event_id)
    )
    return tuple(
        PlantEvent(
            e.event_id,
            e.start_at.timestamp(),
            None if e.end_at is None else e.end_at.timestamp(),
            e.kind,
            e.text,
        )
        for e in rows
    )


def _tags(session: Session, line_id: int, start: datetime, end: datetime) -> tuple[TagSeries, ...]:
    where = (FurnaceLogRow.line_id == line_id, FurnaceLogRow.time >= start, FurnaceLogRow.time <= end)
    tags = session.execute(
        select(FurnaceLogRow.tag, func.max(FurnaceLogRow.unit), func.count())
        .where(*where)
        .group_by(FurnaceLogRow.tag)
        .order_by(FurnaceLogRow.tag)
    ).all()
    series = []
    for tag, unit, count in tags:
        if count < 24:
            continue
        rows = session.execute(
            select(FurnaceLogRow.time, FurnaceLogRow.value)
            .where(*where, FurnaceLogRow.tag == tag)
            .order_by(FurnaceLogRow.time)
        ).all()
        thin = max(1, len(rows) // MOST_TAG_ROWS)
        time, value = zip(*rows[::thin], strict=True)
        series.append(
            TagSeries(tag, unit, np.array([t.timestamp() for t in time]), np.array(value, dtype=float))
        )
    return tuple(series)


def trace_line(
    session: Session, line_id: int, start: datetime | None = None, end: datetime | None = None
) -> Traced:
    """Trace a line, or a stretch of it. Raises BadValue where there is nothing to trace."""
    loaded = load(session, line_id, start, end)
    return Traced(trace(loaded.given), loaded, start, end)


def shown_episodes(traced: Traced, kind: str | None = None) -> list[int]:
    """Indices of the episodes of a kind that touch the stretch asked for."""
    shown = []
    for n, e in enumerate(traced.result.episodes):
        late = traced.start is not None and e.seen_end_s < traced.start.timestamp()
        early = traced.end is not None and e.seen_start_s > traced.end.timestamp()
        if not late and not early and (kind is None or e.kind == kind):
            shown.append(n)
    return shown


def plant_clock(time_zone: str) -> Callable[[float], str]:
    """Unix seconds to ISO 8601 with the plant's offset, whole seconds."""
    where = zone(time_zone)

    def say(time_s: float) -> str:
        return datetime.fromtimestamp(round(time_s), UTC).astimezone(where).isoformat()

    return say


@dataclass(frozen=True)
class _Kept:
    """The last trace of a line: what it rests on, and until when the last whole one reached."""

    mark: tuple[object, ...]
    plant: tuple[object, ...]
    traced: Traced
    whole_until: datetime


_LAST: dict[tuple[str, int], _Kept] = {}
_LOCK = threading.Lock()
WHOLE_EVERY = timedelta(days=1)


def latest_trace(session: Session, line_id: int) -> Traced:
    """The trace of the line's last weeks, from memory as long as nothing it rests on has changed.

    New sheets and defects are put to the last whole trace by tracing the newest days alone; once a day of
    line, and whenever the plant's own figures or logs change backwards, the whole is traced again.
    """
    key = (str(session.get_bind().engine.url), line_id)
    with _LOCK:
        mark, plant = _state_of(session, line_id), _plant_of(session, line_id)
        kept = _LAST.get(key)
        if kept is not None and kept.mark == mark:
            return kept.traced
        last = session.scalar(select(func.max(Sheet.cut_at)).where(Sheet.line_id == line_id))
        start = None if last is None else last - timedelta(days=30)
        if (
            kept is not None
            and last is not None
            and kept.plant == plant
            and last - kept.whole_until < WHOLE_EVERY
        ):
            traced = _increment(session, line_id, kept.traced, start)
            _LAST[key] = _Kept(mark, plant, traced, kept.whole_until)
        else:
            traced = trace_line(session, line_id, start)
            _LAST[key] = _Kept(mark, plant, traced, last or datetime.now(UTC))
        return _LAST[key].traced


def _increment(session: Session, line_id: int, before: Traced, start: datetime | None) -> Traced:
    loaded = load(session, line_id, start)
    order = np.argsort(loaded.defect_ids)
    ids = loaded.defect_ids[order]

    def moved(members: np.ndarray) -> np.ndarray:
        """Rows of the earlier arrays as rows of the new ones; what was withdrawn falls out."""
        wanted = before.loaded.defect_ids[members]
        at = np.minimum(np.searchsorted(ids, wanted), max(ids.size - 1, 0))
        return order[at[ids[at] == wanted]] if ids.size else np.empty(0, dtype=int)

    episodes = tuple(replace(e, members=moved(e.members)) for e in before.result.episodes)
    result = trace_newest(loaded.given, replace(before.result, episodes=episodes))
    return Traced(result, loaded, start, None)


def _plant_of(session: Session, line_id: int) -> tuple[object, ...]:
    """Figures, rolls and points of the line: what they say, since these rows may change in place."""
    state: list[object] = []
    for table in (PlantFigures, Roll, LayoutPoint, Event, TracerRun):
        columns = [c for c in table.__table__.columns if c.name not in ("recorded_at",)]
        rows = session.execute(select(*columns).where(table.line_id == line_id).order_by(table.id))
        state.append(hash(tuple(tuple(row) for row in rows)))
    runs = select(TracerRun.id).where(TracerRun.line_id == line_id)
    readings = select(func.max(TracerReading.id)).where(TracerReading.tracer_run_id.in_(runs))
    state.append(session.scalar(readings))
    return tuple(state)


def _state_of(session: Session, line_id: int) -> tuple[object, ...]:
    """What a trace rests on: it changes with every new or corrected row."""
    state: list[object] = []
    for table in (Defect, Sheet, LineLogRow, FurnaceLogRow):
        state.append(session.scalar(select(func.max(table.id)).where(table.line_id == line_id)))
    # whole numbers, since a sum of floats hangs on the order in which a server adds
    looked = func.count(Sheet.looked_fraction), func.sum(cast(Sheet.looked_fraction * 10_000, BigInteger))
    state += session.execute(select(*looked).where(Sheet.line_id == line_id)).one()
    return (*state, *_plant_of(session, line_id))


def the_line(session: Session, name: str | None) -> Line:
    """The line of this name, or the only one. Raises BadValue otherwise."""
    lines = list(session.scalars(select(Line).order_by(Line.id)))
    if name is not None:
        lines = [line for line in lines if line.name == name]
    if len(lines) == 1:
        return lines[0]
    if not lines:
        raise BadValue(
            "there is no such line in the books; import sheets first"
            if name is None
            else f"there is no line {name!r}"
        )
    raise BadValue(f"the plant has the lines {', '.join(x.name for x in lines)}; say which with --line")
