"""Line log and furnace log: long files, one key a row, never changed once they are in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.records import FurnaceLogRow, Line, LineLogRow

CHUNK = 10_000
LINE_COLUMNS = (
    "time",
    "ribbon_speed_m_per_min",
    "gross_width_mm",
    "net_width_mm",
    "thickness_mm",
    "pull_t_per_day",
)
FURNACE_COLUMNS = ("time", "tag", "value", "unit")
Progress = Callable[[str, int], None]


def take_line_log(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Rows of time, speed, widths, thickness and pull; all but time and speed may be empty."""

    def read(row: Row) -> dict[str, Any]:
        return {
            "time": row.time("time"),
            "ribbon_speed_m_per_min": row.number("ribbon_speed_m_per_min", low=0.0, high=100.0),
            "gross_width_mm": row.number_or_none("gross_width_mm", low=1.0),
            "net_width_mm": row.number_or_none("net_width_mm", low=1.0),
            "thickness_mm": row.number_or_none("thickness_mm", low=0.1, high=100.0),
            "pull_t_per_day": row.number_or_none("pull_t_per_day", low=0.0),
        }

    file = CsvFile(path, LINE_COLUMNS[:2], LINE_COLUMNS[2:])
    _take(session, line, file, LineLogRow, ("time",), read, tally, progress, "line-log")


def take_furnace_log(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Rows of time, tag, value and unit."""

    def read(row: Row) -> dict[str, Any]:
        return {
            "time": row.time("time"),
            "tag": row.text("tag"),
            "value": row.number("value"),
            "unit": row.text_or_empty("unit", 40),
        }

    file = CsvFile(path, FURNACE_COLUMNS[:3], FURNACE_COLUMNS[3:])
    _take(session, line, file, FurnaceLogRow, ("tag", "time"), read, tally, progress, "furnace-log")


def _chunks(
    file: CsvFile, read: Callable[[Row], dict[str, Any]], tally: Tally
) -> Iterator[list[tuple[int, dict[str, Any]]]]:
    chunk: list[tuple[int, dict[str, Any]]] = []
    for row in file.rows(tally):
        try:
            chunk.append((row.line, read(row)))
        except RowRefused as error:
            tally.refuse(row.line, str(error))
        if len(chunk) >= CHUNK:
            yield chunk
            chunk = []
    yield chunk


def _take(
    session: Session, line: Line, file: CsvFile, table: Any, key: tuple[str, ...],
    read: Callable[[Row], dict[str, Any]], tally: Tally, progress: Progress, name: str,
) -> None:  # fmt: skip
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    for chunk in _chunks(file, read, tally):
        if not chunk:
            continue
        known = _known(session, line, table, key, chunk)
        fresh = []
        for number, values in chunk:
            at = tuple(values[k] for k in key)
            there = known.get(at)
            if there is None:
                known[at] = values
                fresh.append({"line_id": line.id, **values})
            elif all(there[k] == v for k, v in values.items()):
                tally.same += 1
            else:
                told = next(k for k, v in values.items() if there[k] != v)
                tally.refuse(
                    number,
                    f"{told} is {values[told]} but {there[told]} stands in the books for that time",
                )
        if fresh:
            session.execute(insert(table), fresh)
            tally.added += len(fresh)
        progress(name, tally.read)


def _known(
    session: Session, line: Line, table: Any, key: tuple[str, ...], chunk: list[tuple[int, dict[str, Any]]]
) -> dict[tuple[Any, ...], dict[str, Any]]:
    """Rows in the books for the stretch of time of this chunk, by key."""
    columns = list(chunk[0][1])
    times = [values["time"] for _, values in chunk]
    query = select(*(getattr(table, c) for c in columns)).where(
        table.line_id == line.id, table.time >= min(times), table.time <= max(times)
    )
    found = {}
    for row in session.execute(query):
        values = dict(zip(columns, row, strict=True))
        found[tuple(values[k] for k in key)] = values
    return found
