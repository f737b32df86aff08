"""Tracer runs: samples of glass after a tracer went into the melter or the refiner.

What a run is as a whole (section, method, ...) stands in its first row; later rows may repeat it or leave it
empty. Hours become tonnes here, once, so that a run in the books says the same for ever.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.errors import BadValue
from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.imports.tracer_tonnes import tonnes_of
from models.records import TRACER_METHODS, TRACER_SECTIONS, Line, TracerReading, TracerRun
from models.tracer_runs import analyse_rows

REQUIRED = ("run_id", "section", "introduced", "tracer")
OPTIONAL = (
    "time", "unit", "method", "sampled_at", "tonnes", "pull_t_per_day", "sd", "background", "added_kg",
    "final", "valid_from", "note",
)  # fmt: skip
Progress = Callable[[str, int], None]


@dataclass(frozen=True)
class Sample:
    """One row's own values; `pull` is the mean pull since the row before."""

    line: int
    time: datetime | None
    tracer: float
    tonnes: float | None
    pull: float | None
    sd: float | None
    background: float | None

    def key(self) -> datetime | float:
        """What tells the sample from others of its run."""
        return self.time if self.time is not None else self.tonnes or 0.0


@dataclass
class GivenRun:
    """A run as the file gives it."""

    line: int
    values: dict[str, Any]
    samples: list[Sample] = field(default_factory=list)
    seen: dict[Any, int] = field(default_factory=dict)


def take_tracer(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Runs with their samples. A run in the books may gain samples; what stands there does not change."""
    file = CsvFile(path, REQUIRED, OPTIONAL)
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    runs: dict[str, GivenRun] = {}
    for row in file.rows(tally):
        try:
            _take_row(row, runs)
        except RowRefused as error:
            tally.refuse(row.line, str(error))
    for run_id, given in runs.items():
        try:
            _take_run(session, line, run_id, given, tally)
        except BadValue as error:
            tally.refuse(given.line, f"run {run_id!r}: {error}")
        progress("tracer", tally.added + tally.same)
    session.flush()


def _take_row(row: Row, runs: dict[str, GivenRun]) -> None:
    run_id = row.text("run_id")
    stated = _stated(row)
    sample = Sample(
        row.line, row.time_or_none("time"), row.number("tracer"), row.number_or_none("tonnes"),
        row.number_or_none("pull_t_per_day", low=0.0), row.number_or_none("sd", low=0.0),
        row.number_or_none("background"),
    )  # fmt: skip
    if sample.time is None and sample.tonnes is None:
        raise RowRefused("time is empty; expected ISO 8601 with offset, or the column tonnes")
    given = runs.get(run_id)
    if given is None:
        for column in ("section", "introduced"):
            if column not in stated:
                raise RowRefused(f"{column} is empty; expected it in the first row of run {run_id!r}")
        given = runs[run_id] = GivenRun(row.line, {"method": "pulse", **stated})
    for column, value in stated.items():
        if given.values.setdefault(column, value) != value:
            raise RowRefused(f"{column} is {value!r} but {given.values[column]!r} before in run {run_id!r}")
    key = sample.key()
    if key in given.seen:
        raise RowRefused(f"the same sample stands in line {given.seen[key]}; expected each once")
    given.seen[key] = row.line
    given.samples.append(sample)


def _stated(row: Row) -> dict[str, Any]:
    """What the row says of its run, checked; nothing for cells that are empty."""
    read: dict[str, Callable[[], Any]] = {
        "section": lambda: _word(row, "section", TRACER_SECTIONS),
        "method": lambda: _word(row, "method", TRACER_METHODS),
        "introduced": lambda: row.time("introduced"),
        "valid_from": lambda: row.time("valid_from"),
        "sampled_at": lambda: row.text("sampled_at"),
        "unit": lambda: row.text("unit", 40),
        "added_kg": lambda: row.number("added_kg", low=0.0, above=True),
        "final": lambda: row.number("final"),
        "note": lambda: row.text("note", 2000),
    }
    return {column: take() for column, take in read.items() if row.cells.get(column, "")}


def _word(row: Row, column: str, words: tuple[str, ...]) -> str:
    text = row.text(column).replace(" ", "")
    if text not in words:
        raise RowRefused(f"{column} is {text[:40]!r}; expected {', '.join(words[:-1])} or {words[-1]}")
    return text


def _take_run(session: Session, line: Line, run_id: str, given: GivenRun, tally: Tally) -> None:
    known = session.scalars(
        select(TracerRun).where(TracerRun.line_id == line.id, TracerRun.run_id == run_id)
    ).first()
    rows = [] if known is None else readings_of(session, known.id)
    if known is not None:
        _same_run(known, given)
    fresh = _fresh(rows, given, tally)
    if not fresh:
        return
    run = known or _new_run(line, run_id, given)
    if (
        known is not None
        and run.tonnes_from == "pull in the file"
        and len(fresh) + len(rows) > len(given.samples)
    ):
        raise BadValue("the file leaves samples out; with pull_t_per_day expected the whole run in one file")
    tonnes, source = tonnes_of(session, line, run, given.samples, tally)
    run.tonnes_from = source
    made = [
        TracerReading(
            sampled_at=sample.time, tonnes=tonnes[sample.line], tracer=sample.tracer, sd=sample.sd,
            background=sample.background,
        )
        for sample in fresh
    ]  # fmt: skip
    # a run that says nothing is refused before anything of it is written
    result = analyse_rows(run, [*rows, *made])
    tally.warnings.extend(f"run {run_id}: {sentence}" for sentence in result.doubts)
    if known is None:
        session.add(run)
        session.flush()
    for reading in made:
        reading.tracer_run_id = run.id
    session.add_all(made)
    tally.added += len(made)


def readings_of(session: Session, run_key: int) -> list[TracerReading]:
    """The samples of a run in the books, in order."""
    query = select(TracerReading).where(TracerReading.tracer_run_id == run_key).order_by(TracerReading.tonnes)
    return list(session.scalars(query))


def _same_run(known: TracerRun, given: GivenRun) -> None:
    there = {
        "section": known.section, "method": known.method, "introduced": known.introduced_at,
        "sampled_at": known.sampled_at, "unit": known.unit, "added_kg": known.added_kg, "final": known.final,
        "valid_from": known.valid_from, "note": known.note,
    }  # fmt: skip
    for column, value in given.values.items():
        if there[column] != value:
            raise BadValue(f"{column} is {_shown(value)} but {_shown(there[column])} stands in the books")


def _shown(value: object) -> str:
    return value.isoformat() if isinstance(value, datetime) else repr(value)


def _fresh(rows: list[TracerReading], given: GivenRun, tally: Tally) -> list[Sample]:
    """Samples that are not in the books yet; one that is there with another reading is refused."""
    there = {row.sampled_at or row.tonnes: row for row in rows}
    fresh = []
    for sample in given.samples:
        row = there.get(sample.key())
        if row is None:
            fresh.append(sample)
        elif (row.tracer, row.sd, row.background) == (sample.tracer, sample.sd, sample.background):
            tally.same += 1
        else:
            tally.refuse(
                sample.line,
                f"tracer is {sample.tracer:g} but {row.tracer:g} stands in the books for that sample",
            )
    return fresh


def _new_run(line: Line, run_id: str, given: GivenRun) -> TracerRun:
    values = given.values
    return TracerRun(
        line_id=line.id, run_id=run_id, section=values["section"], method=values["method"],
        introduced_at=values["introduced"], sampled_at=values.get("sampled_at"), unit=values.get("unit", ""),
        added_kg=values.get("added_kg"), final=values.get("final"), note=values.get("note", ""),
        valid_from=values.get("valid_from", values["introduced"]), in_use=True, tonnes_from="file",
        recorded_at=utc_now(),
    )  # fmt: skip
