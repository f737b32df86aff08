"""When a metre of ribbon was cut, read from the sheets themselves.

The metre counter runs on whatever the clocks do, and sheets carry both a metre and a
stamped time. This gives a straight-line scale between the two for pictures and filters.
Stamped times may be wrong by what the inspection computer's clock was wrong; where a
clock stepped back, the scale stands still until the stamps have caught up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.records import Sheet

__all__ = ["MetreClock", "first_and_last_metre", "metre_clock", "metre_when"]

SAMPLES = 200


@dataclass(frozen=True, slots=True, eq=False)
class MetreClock:
    """Straight-line scale between ribbon metres and stamped times.

    metres  : float array, shape (N,), rising; N >= 1
    seconds : float array, shape (N,), since 1970 UTC, not falling
    """

    metres: NDArray[np.float64]
    seconds: NDArray[np.float64]

    def time_at(self, metre: float) -> datetime:
        """When this metre was cut; beyond the ends the nearest speed is carried on."""
        return datetime.fromtimestamp(_carried_on(metre, self.metres, self.seconds), UTC)

    def metre_at(self, when: datetime) -> float:
        """Which metre was cut at this time; beyond the ends the nearest speed is carried on."""
        return _carried_on(when.timestamp(), self.seconds, self.metres)


def _carried_on(value: float, xs: NDArray[np.float64], ys: NDArray[np.float64]) -> float:
    if len(xs) == 1:
        return float(ys[0])
    for end, inner in ((0, 1), (-1, -2)):
        outside = value < xs[0] if end == 0 else value > xs[-1]
        if outside and xs[end] != xs[inner]:
            slope = (ys[end] - ys[inner]) / (xs[end] - xs[inner])
            return float(ys[end] + slope * (value - xs[end]))
    return float(np.interp(value, xs, ys))


def first_and_last_metre(session: Session, line_id: int) -> tuple[float, float] | None:
    """Leading edge of the line's first sheet and trailing edge of its last; None without sheets."""
    ends = [
        session.execute(
            select(Sheet.ribbon_start_m, Sheet.length_mm)
            .where(Sheet.line_id == line_id)
            .order_by(order)
            .limit(1)
        ).first()
        for order in (Sheet.ribbon_start_m.asc(), Sheet.ribbon_start_m.desc())
    ]
    first, last = ends
    if first is None or last is None:
        return None
    return first.ribbon_start_m, last.ribbon_start_m + last.length_mm / 1000.0


def metre_clock(
    session: Session, line_id: int, m_lo: float, m_hi: float, samples: int = SAMPLES
) -> MetreClock | None:
    """The scale over a stretch of ribbon, from about `samples` of its sheets; None for a line without sheets.

    Each sample is one look into the index on ribbon metres, so the cost does not grow with the stretch.
    """
    found: dict[float, float] = {}
    for metre in np.linspace(m_lo, m_hi, max(samples, 2)):
        row = _sheet_from(session, line_id, float(metre))
        if row is not None:
            found[row[0]] = row[1].timestamp()
    if not found:
        return None
    metres = np.array(sorted(found), dtype=np.float64)
    seconds = np.maximum.accumulate(np.array([found[m] for m in metres], dtype=np.float64))
    return MetreClock(metres, seconds)


def metre_when(session: Session, line_id: int, when: datetime) -> float | None:
    """The metre cut at a stamped time, found by halving over its sheets; None without sheets."""
    ends = first_and_last_metre(session, line_id)
    if ends is None:
        return None
    low, high = ends
    while high - low > 0.5:
        middle = (low + high) / 2.0
        row = _sheet_from(session, line_id, middle)
        if row is not None and row[1] < when:
            low = max(middle, min(row[0], high))
        else:
            high = middle
    # the glass between the last sheet before and the first one after, at the speed between their stamps
    around = [_sheet_until(session, line_id, low), _sheet_from(session, line_id, high)]
    known = {metre: stamp.timestamp() for metre, stamp in (row for row in around if row is not None)}
    metres = np.array(sorted(known), dtype=np.float64)
    clock = MetreClock(metres, np.array([known[m] for m in metres], dtype=np.float64))
    return min(max(clock.metre_at(when), ends[0]), ends[1])


def _sheet_from(session: Session, line_id: int, metre: float) -> tuple[float, datetime] | None:
    """The first sheet that starts at or after a metre, else the last before it: its metre and its stamp."""
    row = session.execute(
        select(Sheet.ribbon_start_m, Sheet.cut_at)
        .where(Sheet.line_id == line_id, Sheet.ribbon_start_m >= metre)
        .order_by(Sheet.ribbon_start_m)
        .limit(1)
    ).first()
    return _sheet_until(session, line_id, metre) if row is None else (row.ribbon_start_m, row.cut_at)


def _sheet_until(session: Session, line_id: int, metre: float) -> tuple[float, datetime] | None:
    """The last sheet that starts at or before a metre: its metre and its stamp."""
    row = session.execute(
        select(Sheet.ribbon_start_m, Sheet.cut_at)
        .where(Sheet.line_id == line_id, Sheet.ribbon_start_m <= metre)
        .order_by(Sheet.ribbon_start_m.desc())
        .limit(1)
    ).first()
    return None if row is None else (row.ribbon_start_m, row.cut_at)
