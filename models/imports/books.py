"""Events, layout and rolls: short files that a plant keeps up to date."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.records import Event, LayoutPoint, Line, Roll

Progress = Callable[[str, int], None]


def take_events(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Events; an event that is in the books already may gain an end or be reworded by its number."""

    def read(row: Row) -> dict[str, Any]:
        start, end = row.time("start"), row.time_or_none("end")
        if end is not None and end < start:
            raise RowRefused(f"end {end.isoformat()} lies before start {start.isoformat()}")
        return {
            "event_id": row.text("event_id"),
            "start_at": start,
            "end_at": end,
            "kind": row.text("kind"),
            "text": row.text_or_empty("text"),
        }

    file = CsvFile(path, ("event_id", "start", "kind"), ("end", "text"))
    _take(session, line, file, Event, "event_id", read, tally, progress, "events")


def take_layout(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Points of the line; a point that moved is brought up to date."""

    def read(row: Row) -> dict[str, Any]:
        column = "distance_m_upstream_of_inspection"
        return {"point": row.text("point"), column: row.number(column, low=-1000.0, high=5000.0)}

    file = CsvFile(path, ("point", "distance_m_upstream_of_inspection"))
    _take(session, line, file, LayoutPoint, "point", read, tally, progress, "layout")


def take_rolls(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Rolls; a roll that was changed is brought up to date."""

    def read(row: Row) -> dict[str, Any]:
        column = "distance_m_upstream_of_inspection"
        return {
            "name": row.text("name"),
            "diameter_mm": row.number("diameter_mm", low=0.0, high=5000.0, above=True),
            column: row.number(column, low=-1000.0, high=5000.0),
        }

    file = CsvFile(path, ("name", "diameter_mm", "distance_m_upstream_of_inspection"))
    _take(session, line, file, Roll, "name", read, tally, progress, "rolls")


def _take(
    session: Session, line: Line, file: CsvFile, table: Any, key: str, read: Callable[[Row], dict[str, Any]],
    tally: Tally, progress: Progress, name: str,
) -> None:  # fmt: skip
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    known = {getattr(r, key): r for r in session.scalars(select(table).where(table.line_id == line.id))}
    seen: dict[str, int] = {}
    for row in file.rows(tally):
        try:
            values = read(row)
        except RowRefused as error:
            tally.refuse(row.line, str(error))
            continue
        at = values[key]
        there = known.get(at)
        if at in seen and there is not None and any(getattr(there, k) != v for k, v in values.items()):
            tally.refuse(row.line, f"{key} {at!r} stands in line {seen[at]} with other values")
            continue
        seen.setdefault(at, row.line)
        if there is None:
            known[at] = table(line_id=line.id, **values)
            session.add(known[at])
            tally.added += 1
        elif all(getattr(there, k) == v for k, v in values.items()):
            tally.same += 1
        else:
            for k, v in values.items():
                setattr(there, k, v)
            tally.changed += 1
    session.flush()
    progress(name, tally.read)
