"""When the glass of a sheet was at each place of the line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.history_records import GlassTime, SheetFacts
from models.records import LayoutPoint, LineLogRow
from models.ribbon import STATIONS, Layout, LineLog, times_of

__all__ = ["glass_times"]

#: the whole line passes well within this, even at the slowest speed of thick glass
BEFORE = timedelta(hours=12)
AFTER = timedelta(hours=3)


def glass_times(session: Session, sheet: SheetFacts) -> tuple[GlassTime, ...]:
    """Times of the middle of the sheet at cutting, lehr and bath, earliest place last.

    The line log's speed is integrated; the counter is tied to the clock by the sheet's own cutting
    stamp, so an error of that clock moves all times alike. Empty where the line has no log of that
    time or no layout.
    """
    layout = _layout(session, sheet.line_id)
    log = _log(session, sheet)
    if log is None or not layout.upstream_m:
        return ()
    middle = (sheet.ribbon_start_m + sheet.ribbon_end_m) / 2.0
    found = times_of(log, middle, layout)
    return tuple(
        GlassTime(station, datetime.fromtimestamp(found[station], UTC), layout.station_m(station) or 0.0)
        for station in STATIONS
        if station in found
    )


def _layout(session: Session, line_id: int) -> Layout:
    rows = session.execute(
        select(LayoutPoint.point, LayoutPoint.distance_m_upstream_of_inspection).where(
            LayoutPoint.line_id == line_id
        )
    )
    return Layout({row.point: row.distance_m_upstream_of_inspection for row in rows})


def _log(session: Session, sheet: SheetFacts) -> LineLog | None:
    """The line log round the sheet, its counter set so that the sheet was cut when its stamp says."""
    first = session.scalar(
        select(LineLogRow.time)
        .where(LineLogRow.line_id == sheet.line_id, LineLogRow.time <= sheet.cut_at - BEFORE)
        .order_by(LineLogRow.time.desc())
        .limit(1)
    )
    rows = session.execute(
        select(LineLogRow.time, LineLogRow.ribbon_speed_m_per_min)
        .where(
            LineLogRow.line_id == sheet.line_id,
            LineLogRow.time >= (first or sheet.cut_at - BEFORE),
            LineLogRow.time <= sheet.cut_at + AFTER,
        )
        .order_by(LineLogRow.time)
    ).all()
    if not any(row.ribbon_speed_m_per_min > 0 for row in rows):
        return None
    times = np.array([row.time.timestamp() for row in rows])
    speeds = np.array([max(row.ribbon_speed_m_per_min, 0.0) for row in rows])
    log = LineLog(times, speeds)
    start_m = sheet.ribbon_start_m - float(log.metre_at(sheet.cut_at.timestamp()))
    return LineLog(times, speeds, start_m)
