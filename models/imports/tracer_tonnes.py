"""From clock times of samples to tonnes drawn since the tracer went in.

A sample taken further down the line left the vessel earlier: the way through bath and lehr is taken off by
the line log's ribbon metres, as everywhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.errors import BadValue
from models.imports.rows import Tally
from models.records import LayoutPoint, Line, LineLogRow, PlantFigures, TracerRun
from models.ribbon import Layout, LineLog, drawn_tonnes, known_pull

if TYPE_CHECKING:
    from models.imports.tracer import Sample

SLACK = timedelta(hours=1)
GAP = timedelta(hours=6)  # longer between two rows of the log is told
BEFORE = timedelta(hours=24)  # the way through bath and lehr, at the slowest
DENSITY = 2.5  # t per m3 where the plant has given no figures: soda-lime glass, common practice, no source


def tonnes_of(
    session: Session, line: Line, run: TracerRun, samples: list[Sample], tally: Tally
) -> tuple[dict[int, float], str]:
    """(tonnes by line of the file, where they come from).

    Raises BadValue where they cannot be told: no line log of the run's days, no place of the bath's inlet, a
    sample point that cannot be.
    """
    _check_place(run)
    if all(sample.tonnes is not None for sample in samples):
        if run.sampled_at is not None:
            raise BadValue(
                f"sampled_at is {run.sampled_at!r} though tonnes are given; expected it empty, and tonnes"
                " that end where the section ends"
            )
        return {s.line: s.tonnes for s in samples if s.tonnes is not None}, "file"
    missing = next((s.line for s in samples if s.time is None), None)
    if missing is not None or any(sample.tonnes is not None for sample in samples):
        where = f"line {missing}" if missing is not None else "some rows"
        raise BadValue(f"{where} of the run has tonnes, others a time alone; expected the same in all rows")
    ordered = sorted(samples, key=lambda sample: sample.time or run.introduced_at)
    times = np.array([_seconds(sample.time) for sample in ordered])
    begin = run.introduced_at.timestamp()
    rows = _rows(session, line, run, ordered[-1].time or run.introduced_at)
    left = times
    if run.sampled_at is not None:
        left = _left_vessel(session, line, run, rows, times)
    pulls = [sample.pull for sample in ordered if _seconds(sample.time) > begin]
    if pulls and all(pull is not None for pull in pulls):
        drawn = _by_pulls(times, begin, np.array([p for p in pulls if p is not None]), left)
        source = "pull in the file"
    elif any(pull is not None for pull in pulls):
        raise BadValue(
            "some rows have pull_t_per_day, others none; expected it in all rows of the run or in none"
        )
    else:
        drawn = _by_log(session, line, rows, begin, left)
        source = "line log"
    if source == "line log" or run.sampled_at is not None:
        tally.warnings.extend(_gaps(run, rows, begin, float(times.max())))
    return {sample.line: float(q) for sample, q in zip(ordered, drawn, strict=True)}, source


def _gaps(run: TracerRun, rows: Sequence[Any], begin: float, end: float) -> list[str]:
    """Sentences for holes of the line log within the run."""
    times = _times(rows)
    holes = np.flatnonzero((np.diff(times) > GAP.total_seconds()) & (times[1:] > begin) & (times[:-1] < end))
    return [
        f"run {run.run_id}: the line log has a gap of {(times[n + 1] - times[n]) / 3600:.0f} h from"
        f" {_moment(times[n])}; its pull is taken to hold there"
        for n in holes.tolist()
    ]


def _seconds(moment: datetime | None) -> float:
    return float("nan") if moment is None else moment.timestamp()


def _check_place(run: TracerRun) -> None:
    if run.section == "melter" and run.sampled_at is not None:
        raise BadValue(
            f"section is melter but samples were taken at {run.sampled_at!r}, where the glass has passed the"
            " refiner too; expected melter+refiner, or sampled_at empty for samples from the melter's outlet"
        )


def _by_pulls(times: np.ndarray, begin: float, pulls: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Tonnes at `left` by the file's own pulls, each the mean since the row before."""
    after = times[times > begin]
    knots = np.concatenate([[begin], after])
    drawn = np.concatenate([[0.0], np.cumsum(np.diff(knots) * pulls / 86400.0)])
    return np.where(left < begin, (left - begin) * pulls[0] / 86400.0, np.interp(left, knots, drawn))


def _rows(session: Session, line: Line, run: TracerRun, last: datetime) -> Sequence[Any]:
    # columns, not objects: a log may have a row every few seconds
    query = (
        select(
            LineLogRow.time, LineLogRow.ribbon_speed_m_per_min, LineLogRow.gross_width_mm,
            LineLogRow.thickness_mm, LineLogRow.pull_t_per_day,
        )
        .where(
            LineLogRow.line_id == line.id,
            LineLogRow.time >= run.introduced_at - BEFORE,
            LineLogRow.time <= last + SLACK,
        )
        .order_by(LineLogRow.time)
    )  # fmt: skip
    return session.execute(query).all()


def _covered(rows: Sequence[Any], begin: float, end: float) -> None:
    slack = SLACK.total_seconds()
    if len(rows) < 2 or rows[0].time.timestamp() > begin + slack or rows[-1].time.timestamp() < end - slack:
        need = f"{_moment(begin)} to {_moment(end)}"
        found = f"{rows[0].time.isoformat()} to {rows[-1].time.isoformat()}" if rows else "nothing of it"
        raise BadValue(
            f"the line log has {found}, the run needs {need}; import the line log first, or give tonnes"
        )


def _moment(time_s: float) -> str:
    return datetime.fromtimestamp(round(time_s), UTC).isoformat()


def _left_vessel(
    session: Session, line: Line, run: TracerRun, rows: Sequence[Any], times: np.ndarray
) -> np.ndarray:
    """When the glass of each sample left the vessel, that is, entered the bath."""
    points = session.scalars(select(LayoutPoint).where(LayoutPoint.line_id == line.id))
    layout = Layout({p.point: p.distance_m_upstream_of_inspection for p in points})
    sampled = layout.station_m(run.sampled_at or "")
    if sampled is None:
        known = ", ".join(sorted(layout.upstream_m)) or "none yet"
        raise BadValue(f"sampled_at is {run.sampled_at!r}; expected a point of the layout ({known})")
    inlet = layout.station_m("bath_entry")
    if inlet is None:
        raise BadValue(
            "the layout has no bath_inlet; import the layout first, to take off the way through the bath"
        )
    if sampled > inlet:
        raise BadValue(f"sampled_at {run.sampled_at!r} lies before the bath; expected it empty")
    _covered(rows, run.introduced_at.timestamp(), float(times.max()))
    log = LineLog(_times(rows), np.array([max(row.ribbon_speed_m_per_min, 0.0) for row in rows]))
    return log.passed(log.metre_at(times) + sampled, inlet)


def _times(rows: Sequence[Any]) -> np.ndarray:
    return np.array([row.time.timestamp() for row in rows])


def _by_log(session: Session, line: Line, rows: Sequence[Any], begin: float, left: np.ndarray) -> np.ndarray:
    """Tonnes at `left` by the line log's pull, or its mass balance where it has no pull."""
    _covered(rows, begin, float(left.max()))
    figures = session.scalars(
        select(PlantFigures).where(PlantFigures.line_id == line.id).order_by(PlantFigures.valid_from.desc())
    ).first()
    density = DENSITY if figures is None else figures.density_t_per_m3
    pull = known_pull(
        _column(rows, "pull_t_per_day"), _column(rows, "ribbon_speed_m_per_min"),
        _column(rows, "gross_width_mm"), _column(rows, "thickness_mm"), density,
    )  # fmt: skip
    times = _times(rows)
    blank = ~np.isfinite(pull) & (times >= begin) & (times <= left.max())
    if blank.any():
        raise BadValue(
            f"the line log has neither pull nor widths at {_moment(times[blank][0])}; expected them all"
            " through the run, or tonnes in the file"
        )
    pull = np.where(np.isfinite(pull), pull, pull[np.isfinite(pull)][0])
    drawn = drawn_tonnes(times, pull)

    def at(moment: np.ndarray) -> np.ndarray:
        early = (moment - times[0]) * pull[0] / 86400.0
        late = drawn[-1] + (moment - times[-1]) * pull[-1] / 86400.0
        inside = np.interp(moment, times, drawn)
        return np.where(moment < times[0], early, np.where(moment > times[-1], late, inside))

    return at(left) - at(np.array(begin))


def _column(rows: Sequence[Any], name: str) -> np.ndarray:
    return np.array(
        [np.nan if getattr(row, name) is None else getattr(row, name) for row in rows], dtype=float
    )
