"""When glass was at each place of the line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.history_records import GlassTime
from models.records import LayoutPoint, LineLogRow
from models.ribbon import STATIONS, Layout, LineLog, times_of

__all__ = ["glass_times"]

#: the whole line passes well within this, even at the slowest speed of thick glass
BEFORE = timedelta(hours=12)
AFTER = timedelta(hours=3)


def glass_times(
    session: Session, line_id: int, metre: float, *, tied_m: float, tied_at: datetime
) -> tuple[GlassTime, ...]:
    """Times of one metre of glass at cutting, lehr and bath, earliest place last.

    metre   : ribbon metre of the glass
    tied_m, tied_at : leading edge of its sheet and that sheet's cutting stamp

    The line log's speed is integrated; the counter is tied to the clock by the sheet's own cutting
    stamp, so an error of that clock moves all times alike. Empty where the line has no log of that
    time or no layout.
    """
    layout = _layout(session, line_id)
    # the stamp is given at the cutter, which lies downstream: by then the counter reads further on
    log = _log(session, line_id, tied_m - (layout.station_m("cutting") or 0.0), tied_at)
    if log is None or not layout.upstream_m:
        return ()
    found = times_of(log, metre, layout)
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


def _log(session: Session, line_id: int, tied_m: float, tied_at: datetime) -> LineLog | None:
    """The line log round a moment, its counter set so that it read `tied_m` then."""
    first = session.scalar(
        select(LineLogRow.time)
        .where(LineLogRow.line_id == line_id, LineLogRow.time <= tied_at - BEFORE)
        .order_by(LineLogRow.time.desc())
        .limit(1)
    )
    rows = session.execute(
        select(LineLogRow.time, LineLogRow.ribbon_speed_m_per_min)
        .where(
            LineLogRow.line_id == line_id,
            LineLogRow.time >= (first or tied_at - BEFORE),
            LineLogRow.time <= tied_at + AFTER,
        )
        .order_by(LineLogRow.time)
    ).all()
    if not any(row.ribbon_speed_m_per_min > 0 for row in rows):
        return None
    times = np.array([row.time.timestamp() for row in rows])
    speeds = np.array([max(row.ribbon_speed_m_per_min, 0.0) for row in rows])
    log = LineLog(times, speeds)
    return LineLog(times, speeds, tied_m - float(log.metre_at(tied_at.timestamp())))
