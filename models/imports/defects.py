"""Defects that were found outside this program: the long file."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import and_, func, insert, select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.imports.sheets import ASK_AT_ONCE
from models.records import Defect, Line, Sheet
from models.ribbon import ribbon_place

CHUNK = 20_000
SLACK_MM = 5.0  # how far beside a sheet's edge a place may be written down
COLUMNS = ("sheet_id", "kind", "x_mm", "y_mm", "length_mm", "width_mm", "found_time")
Progress = Callable[[str, int], None]
Key = tuple[int, str, float, float, float | None, float | None, datetime]


#: sheets of which it is known that nobody looked at them; one in the booth's queue is not yet looked at
_NOT_LOOKED = and_(Sheet.looked_fraction == 0, Sheet.state.not_in(("waiting", "in_work")))


class _SheetsOfLine:
    """Sheets by label, fetched as asked for: (id, ribbon_start_m, x_left_mm, length_mm, width_mm).

    not_looked : labels by number of those that nobody looked at, as the books have it
    """

    def __init__(self, session: Session, line: Line) -> None:
        self.session, self.line = session, line
        self.known: dict[str, tuple[int, float, float, float, float] | None] = {}
        self.not_looked: dict[int, str] = {}

    def fetch(self, labels: set[str]) -> None:
        asked = [label for label in labels if label not in self.known]
        if len(self.known) > 400_000:
            self.known.clear()
            asked = list(labels)
        for first in range(0, len(asked), ASK_AT_ONCE):
            part = asked[first : first + ASK_AT_ONCE]
            self.known.update(dict.fromkeys(part))
            query = select(
                Sheet.label, Sheet.id, Sheet.ribbon_start_m, Sheet.x_left_mm, Sheet.length_mm, Sheet.width_mm,
                _NOT_LOOKED,
            ).where(Sheet.line_id == self.line.id, Sheet.label.in_(part))  # fmt: skip
            for label, sheet, start_m, left, length, width, unseen in self.session.execute(query):
                self.known[label] = (sheet, start_m, left, length, width)
                if unseen:
                    self.not_looked[sheet] = label


def take_defects(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Defects; rows that agree in every column are one defect, however often they come."""
    file = CsvFile(path, COLUMNS[:4] + COLUMNS[6:], (*COLUMNS[4:6], "halo_mm"))
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    sheets = _SheetsOfLine(session, line)
    before = session.scalar(
        select(Defect.id).where(Defect.line_id == line.id, Defect.source == "import").limit(1)
    )
    state = _State(set(), {}, before is not None, utc_now())
    chunk: list[Row] = []
    for row in file.rows(tally):
        chunk.append(row)
        if len(chunk) >= CHUNK:
            _store(session, line, chunk, sheets, state, tally)
            progress("defects", tally.read)
            chunk = []
    _store(session, line, chunk, sheets, state, tally)
    if state.unlikely:
        tally.warnings.append(_unlikely(path.name, state.unlikely, sheets.not_looked))
    progress("defects", tally.read)


def _unlikely(name: str, count: dict[int, int], labels: dict[int, str]) -> str:
    """Defects on sheets that nobody looked at, in a sentence. count : new defects by number of the sheet."""
    many = len(count) > 1
    sheets = f"{len(count)} sheets" if many else "1 sheet"
    first = labels[next(iter(count))]
    return (
        f"{name}: {sum(count.values())} defects lie on {sheets} of which the books say that nobody looked at"
        f" {'them' if many else 'it'} (first {first}); they stand, and rates leave these sheets out"
    )


class _State:
    """What is remembered from chunk to chunk: rows of this file, last number on each sheet.

    unlikely : new defects on sheets that nobody looked at, by number of the sheet
    """

    def __init__(self, seen: set[int], numbers: dict[int, int], ask: bool, now: datetime) -> None:
        self.seen, self.numbers, self.ask, self.now = seen, numbers, ask, now
        self.unlikely: dict[int, int] = {}


def _store(
    session: Session, line: Line, chunk: list[Row], sheets: _SheetsOfLine, state: _State, tally: Tally
) -> None:
    if not chunk:
        return
    sheets.fetch({row.cells.get("sheet_id", "") for row in chunk})
    good: list[tuple[Key, dict[str, Any]]] = []
    for row in chunk:
        try:
            good.append(_read(row, sheets, line, state.now))
        except RowRefused as error:
            tally.refuse(row.line, str(error))
    ids = {key[0] for key, _ in good}
    there = _keys_in_books(session, ids) if state.ask else set()
    _last_numbers(session, ids, state.numbers)
    fresh = []
    for key, values in good:
        mark = hash(key)
        if key in there or mark in state.seen:
            tally.same += 1
            continue
        state.seen.add(mark)
        state.numbers[key[0]] += 1
        fresh.append({**values, "number": state.numbers[key[0]]})
        if key[0] in sheets.not_looked:
            state.unlikely[key[0]] = state.unlikely.get(key[0], 0) + 1
    if fresh:
        session.execute(insert(Defect), fresh)
        tally.added += len(fresh)


def _read(row: Row, sheets: _SheetsOfLine, line: Line, now: datetime) -> tuple[Key, dict[str, Any]]:
    label = row.text("sheet_id")
    sheet = sheets.known.get(label)
    if sheet is None:
        raise RowRefused(
            f"sheet_id {label!r} is not in the books of line {line.name}; import its sheet first"
        )
    sheet_id, start_m, left_mm, length_mm, width_mm = sheet
    kind = row.text("kind", 40).lower()
    x = row.number("x_mm", low=-SLACK_MM, high=width_mm + SLACK_MM)
    y = row.number("y_mm", low=-SLACK_MM, high=length_mm + SLACK_MM)
    length = row.number_or_none("length_mm", low=0.0, high=50_000.0)
    width = row.number_or_none("width_mm", low=0.0, high=50_000.0)
    halo = row.number_or_none("halo_mm", low=0.0, high=50_000.0)
    found = row.time("found_time")
    ribbon_x, ribbon_m = ribbon_place(left_mm, start_m, x, y)
    values = {
        "line_id": line.id, "sheet_id": sheet_id, "source": "import", "kind": kind, "x_mm": x, "y_mm": y,
        "length_mm": length, "width_mm": width, "halo_mm": halo,
        "ribbon_m": ribbon_m, "ribbon_x_mm": ribbon_x,
        "found_at": found, "recorded_at": now, "withdrawn": False, "current": True,
    }  # fmt: skip
    return (sheet_id, kind, x, y, length, width, found), values


def _parts(ids: set[int]) -> list[list[int]]:
    ordered = sorted(ids)
    return [ordered[i : i + ASK_AT_ONCE] for i in range(0, len(ordered), ASK_AT_ONCE)]


def _keys_in_books(session: Session, ids: set[int]) -> set[Key]:
    keys: set[Key] = set()
    for part in _parts(ids):
        query = select(
            Defect.sheet_id,
            Defect.kind,
            Defect.x_mm,
            Defect.y_mm,
            Defect.length_mm,
            Defect.width_mm,
            Defect.found_at,
        ).where(Defect.sheet_id.in_(part), Defect.source == "import")
        keys.update(tuple(row) for row in session.execute(query))  # type: ignore[misc]
    return keys


def _last_numbers(session: Session, ids: set[int], numbers: dict[int, int]) -> None:
    """Fill in the last defect number of sheets not met before."""
    for part in _parts({i for i in ids if i not in numbers}):
        numbers.update(dict.fromkeys(part, 0))
        query = (
            select(Defect.sheet_id, func.max(Defect.number))
            .where(Defect.sheet_id.in_(part))
            .group_by(Defect.sheet_id)
        )
        numbers.update((sheet, last) for sheet, last in session.execute(query))
