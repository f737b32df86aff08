"""Tracer runs of a line: what each says, which one the trace uses, and switching by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import audit
from models.errors import BadValue, NoSuchRecord
from models.records import LineLogRow, PlantFigures, TracerReading, TracerRun
from models.ribbon import MeasuredResidence, Readings, TracerResult, analyse

#: how far tonnes may be off as a whole: by the same log as the trace, or by other figures.
#: Common practice, no source.
SAME_LOG, OTHER_TONNES = 0.01, 0.02
#: kg in a tonne of glass for a reading of 1
UNITS = {"ppm": 1e-3, "mg/kg": 1e-3, "g/t": 1e-3, "%": 10.0, "wt%": 10.0, "kg/t": 1.0}
GOOD_RECOVERY = (0.8, 1.2)  # common practice, no source
MOST_LETTERS = 2000


@dataclass(frozen=True)
class RunView:
    """A run with what it says.

    problem : why it says nothing (result is then None)
    mass_t : glass held by the section by the plant's figures; None where there are none
    dead_share : part of that mass that takes no share in the flow, 1 - mean / mass
    recovery : tracer found again over tracer added; None where it cannot be reckoned
    used_for : the routes of the trace that rest on it now ("melter", "refiner")
    """

    run: TracerRun
    readings: tuple[TracerReading, ...]
    result: TracerResult | None
    problem: str | None
    mass_t: float | None
    dead_share: float | None
    recovery: float | None
    used_for: tuple[str, ...]


def analyse_rows(run: TracerRun, rows: Sequence[TracerReading]) -> TracerResult:
    """Work a run's samples out. Raises BadValue where they say nothing."""
    ordered = sorted(rows, key=lambda row: row.tonnes)

    def column(name: str) -> np.ndarray:
        values = [getattr(row, name) for row in ordered]
        return np.array([np.nan if value is None else value for value in values], dtype=float)

    sd, background = column("sd"), column("background")
    if np.isfinite(background).any() and not np.isfinite(background).all():
        raise BadValue("some samples have a background, others none; expected it for all or for none")
    return analyse(
        Readings(
            run.method, column("tonnes"), column("tracer"),
            sd if np.isfinite(sd).any() else None,
            background if background.size and np.isfinite(background).all() else None,
            run.final, SAME_LOG if run.tonnes_from == "line log" else OTHER_TONNES, run.unit or "",
        )
    )  # fmt: skip


def runs_of_line(session: Session, line_id: int, at: datetime) -> list[RunView]:
    """All runs of a line with what they say, the newest first; `at` tells which are used."""
    runs = list(
        session.scalars(
            select(TracerRun)
            .where(TracerRun.line_id == line_id)
            .order_by(TracerRun.valid_from.desc(), TracerRun.id.desc())
        )
    )
    used = used_runs(session, line_id, at)
    return [_view(session, run, used) for run in runs]


def run_view(session: Session, run_key: int, at: datetime) -> RunView:
    """One run. Raises NoSuchRecord."""
    run = _get(session, run_key)
    return _view(session, run, used_runs(session, run.line_id, at))


def used_runs(session: Session, line_id: int, at: datetime) -> dict[str, TracerRun]:
    """The runs that the trace uses for glass seen until `at`, by route: "melter", "refiner".

    For the melter the newest run of the melter alone or of melter and refiner together counts.
    """
    used: dict[str, TracerRun] = {}
    runs = session.scalars(
        select(TracerRun)
        .where(TracerRun.line_id == line_id, TracerRun.in_use.is_(True), TracerRun.valid_from <= at)
        .order_by(TracerRun.valid_from, TracerRun.id)
    )
    for run in runs:
        used["refiner" if run.section == "refiner" else "melter"] = run
    return used


def curves_in_use(session: Session, line_id: int, at: datetime) -> dict[str, tuple[MeasuredResidence, ...]]:
    """Equally likely curves by section ("melter", "refiner", "melter+refiner") for a trace up to `at`."""
    curves = {}
    for run in used_runs(session, line_id, at).values():
        curves[run.section] = analyse_rows(run, _readings(session, run.id)).draws
    return curves


def set_in_use(session: Session, run_key: int, in_use: bool, user_id: int, note: str = "") -> TracerRun:
    """Let the trace use a run, or do without it; the act goes into the hash chain.

    Raises NoSuchRecord, BadValue for a long note.
    """
    run = _get(session, run_key)
    text = note.strip()
    if len(text) > MOST_LETTERS:
        raise BadValue(f"note: {len(text)} letters; expected at most {MOST_LETTERS}")
    if run.in_use == in_use:
        return run
    run.in_use = in_use
    session.flush()
    details = {"run": run.run_id, "section": run.section, "in_use": in_use, "note": text}
    audit.append(session, "tracer_run.use", "tracer_run", run.id, user_id=user_id, details=details)
    return run


def _get(session: Session, run_key: int) -> TracerRun:
    run = session.get(TracerRun, run_key)
    if run is None:
        raise NoSuchRecord(f"tracer run {run_key}: there is no such run")
    return run


def _readings(session: Session, run_key: int) -> tuple[TracerReading, ...]:
    query = select(TracerReading).where(TracerReading.tracer_run_id == run_key).order_by(TracerReading.tonnes)
    return tuple(session.scalars(query))


def _view(session: Session, run: TracerRun, used: dict[str, TracerRun]) -> RunView:
    rows = _readings(session, run.id)
    result, problem = None, None
    try:
        result = analyse_rows(run, rows)
    except BadValue as error:
        problem = str(error)
    mass = _mass(session, run)
    dead = None if mass is None or result is None else 1.0 - result.mean_t / mass
    recovery = None
    unit = UNITS.get(run.unit.replace(" ", "").lower())
    if result is not None and result.area is not None and run.added_kg is not None and unit is not None:
        recovery = result.area * unit / run.added_kg
    routes = tuple(route for route, one in used.items() if one.id == run.id)
    return RunView(run, rows, result, problem, mass, dead, recovery, routes)


def figures_of(session: Session, line_id: int, at: datetime) -> PlantFigures | None:
    """The plant figures that hold at a moment, or the first ones where none do yet."""
    return session.scalars(
        select(PlantFigures)
        .where(PlantFigures.line_id == line_id)
        .order_by((PlantFigures.valid_from <= at).desc(), PlantFigures.valid_from.desc())
        .limit(1)
    ).first()


def usual_pull(session: Session, line_id: int) -> float | None:
    """The median pull of the newest week of the line log, t a day; None where it has none."""
    last = session.scalar(select(func.max(LineLogRow.time)).where(LineLogRow.line_id == line_id))
    if last is None:
        return None
    pulls = session.scalars(
        select(LineLogRow.pull_t_per_day).where(
            LineLogRow.line_id == line_id, LineLogRow.time >= last - timedelta(days=7),
            LineLogRow.pull_t_per_day > 0,
        )
    ).all()  # fmt: skip
    return float(np.median(np.array(pulls, dtype=float))) if pulls else None


def _mass(session: Session, run: TracerRun) -> float | None:
    figures = figures_of(session, run.line_id, run.introduced_at)
    if figures is None:
        return None
    masses = {"melter": figures.melter_mass_t, "refiner": figures.refiner_mass_t}
    return sum(masses[part] for part in run.section.split("+"))
