"""Sheets that were cut, as the line's own computer lists them.

They count as inspected outside this program, if at all ("recorded"). Whether somebody looked at them is what
the file says; where it says nothing, nobody knows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import and_, func, insert, select, update
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.errors import LehrbookError
from models.imports import looked_columns
from models.imports.pack_customers import Orders
from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.records import Defect, Line, Look, Pack, Sheet
from models.ribbon_counts import LONGEST_SHEET_MM
from models.sheet.looked import LookStatement

CHUNK = 10_000
ASK_AT_ONCE = 900  # SQLite's safe number of values in one question
#: rows with and without empty values go in one statement, not in one each time the empty ones change
AT_ONCE = {"render_nulls": True}
COLUMNS = ("sheet_id", "cut_time", "ribbon_start_m", "x_left_mm", "length_mm", "width_mm", "thickness_mm")
OPTIONAL = ("pack_id", *looked_columns.COLUMNS, "customer", "grade")
COMPARED = ("cut_at", "ribbon_start_m", "x_left_mm", "length_mm", "width_mm", "thickness_mm")
Progress = Callable[[str, int], None]


def take_sheets(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Sheets; what was not known of one (pack, who looked at it, grade) may be filled in by a later file."""
    file = CsvFile(path, COLUMNS, OPTIONAL)
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    taker = _Taker(session, line, tally, Orders(session, path.name))
    chunk: list[_SheetRow] = []
    for row in file.rows(tally):
        try:
            chunk.append(_read(row))
        except RowRefused as error:
            tally.refuse(row.line, str(error))
        if len(chunk) >= CHUNK:
            taker.store(chunk)
            progress("sheets", tally.read)
            chunk = []
    taker.store(chunk)
    taker.finish(path.name)
    progress("sheets", tally.read)


@dataclass(frozen=True, slots=True)
class _SheetRow:
    """One row as it stands in the file. An empty text, None: an empty cell or no such column."""

    line: int
    values: dict[str, Any]
    pack: str
    look: LookStatement | None
    customer: str
    grade: str


@dataclass(slots=True)
class _Known:
    """A sheet in the books, kept up to date while rows fill in what was not known. look : of an import."""

    id: int
    line_id: int
    state: str
    pack_id: int | None
    grade_id: str | None
    looked_fraction: float | None
    stored: dict[str, Any]
    look_id: int | None
    look: LookStatement | None


@dataclass
class _Changes:
    """Rows to be written for sheets in the books."""

    sheets: dict[int, _Known] = field(default_factory=dict)
    taken_back: list[int] = field(default_factory=list)
    looks: dict[int, LookStatement] = field(default_factory=dict)


def _read(row: Row) -> _SheetRow:
    values = {
        "label": row.text("sheet_id"),
        "cut_at": row.time("cut_time"),
        "ribbon_start_m": row.number("ribbon_start_m"),
        "x_left_mm": row.number("x_left_mm", low=-1000.0, high=20_000.0),
        "length_mm": row.number("length_mm", low=0.0, high=LONGEST_SHEET_MM, above=True),
        "width_mm": row.number("width_mm", low=0.0, high=20_000.0, above=True),
        "thickness_mm": row.number("thickness_mm", low=0.0, high=100.0, above=True),
    }
    texts = (row.text_or_empty(column, 200) for column in ("pack_id", "customer", "grade"))
    pack, customer, grade = texts
    return _SheetRow(row.line, values, pack, looked_columns.read_look(row), customer, grade)


class _Taker:
    """Puts chunks of rows into the books."""

    def __init__(self, session: Session, line: Line, tally: Tally, orders: Orders) -> None:
        self.session, self.line, self.tally, self.orders = session, line, tally, orders
        self.names = {number: label for number, label in session.execute(select(Pack.id, Pack.label))}  # noqa: C416
        self.packs = {label: number for number, label in self.names.items()}
        self.now = utc_now()
        self.not_looked_with_defects = 0

    def store(self, chunk: list[_SheetRow]) -> None:
        """Check and write one chunk."""
        if not chunk:
            return
        known = _in_books(self.session, [row.values["label"] for row in chunk])
        fresh: dict[str, tuple[_SheetRow, dict[str, Any]]] = {}
        changes = _Changes()
        for row in chunk:
            label = row.values["label"]
            try:
                if label in fresh:
                    if not _same(fresh[label][0], row):
                        raise RowRefused("stands in this file before, with other values")
                    self.tally.same += 1
                elif label in known:
                    if self._fill(known[label], row, changes):
                        self.tally.changed += 1
                    else:
                        self.tally.same += 1
                else:
                    fresh[label] = row, self._new(row)
                    self.tally.added += 1
            except LehrbookError as error:
                self.tally.refuse(row.line, f"sheet_id {label!r}: {error}")
        self._write_new(fresh)
        self._write_changes(changes)

    def finish(self, file_name: str) -> None:
        """Write what concerns packs, and say what was kept aside."""
        self.orders.write(self.packs)
        if self.orders.homeless:
            rows = _number(self.orders.homeless, "row names", "rows name")
            self.tally.warnings.append(
                f"{file_name}: {rows} a customer but no pack: the customer is kept aside, it belongs"
                " to a pack"
            )
        if self.not_looked_with_defects:
            sheets = _number(self.not_looked_with_defects, "sheet has", "sheets have")
            self.tally.warnings.append(
                f"{file_name}: {sheets} defects in the books, but looked_at is no; both stand, and rates"
                " leave such sheets out"
            )

    def _new(self, row: _SheetRow) -> dict[str, Any]:
        grade_id = self.orders.grade(row.grade) if row.grade else None
        customer = self._customer(row, row.pack or None)
        values = {
            **row.values, "line_id": self.line.id, "state": "recorded", "grade_id": grade_id,
            "pack_id": self._pack(row.pack) if row.pack else None,
            "looked_fraction": None if row.look is None else looked_columns.FRACTION[row.look.looked],
        }  # fmt: skip
        if customer is not None:
            self.orders.wanted[row.pack] = customer
        return values

    def _fill(self, there: _Known, row: _SheetRow, changes: _Changes) -> bool:
        """Fill in what was not known of a sheet; whether there was anything. Raises LehrbookError."""
        if there.line_id != self.line.id:
            raise RowRefused("is in the books for another line")
        told = next((c for c in COMPARED if row.values[c] != there.stored[c]), None)
        if told is not None:
            raise RowRefused(f"{told} is {row.values[told]} but {there.stored[told]} is in the books")
        pack = None if there.pack_id is None else self.names.get(there.pack_id)
        if row.pack and pack is not None and pack != row.pack:
            raise RowRefused(f"pack_id is {row.pack!r} but {pack!r} is in the books")
        grade_id = there.grade_id
        if row.grade and row.grade.casefold() != (grade_id or "").casefold():
            grade_id = self.orders.grade(row.grade)
            if there.grade_id is not None:
                raise RowRefused(f"grade is {grade_id!r} but {there.grade_id!r} is in the books")
        look = looked_columns.joined(there.look, row.look, there.state)
        customer = self._customer(row, row.pack or pack)
        # all of the row agrees with the books: from here on it is taken
        changed = customer is not None
        if customer is not None:
            self.orders.wanted[row.pack or pack or ""] = customer
        if row.pack and pack is None:
            there.pack_id = self._pack(row.pack)
            changed = True
        if grade_id != there.grade_id:
            there.grade_id, changed = grade_id, True
        if look is not None and look is not there.look:
            if there.look_id is not None:
                changes.taken_back.append(there.look_id)
            there.look, there.look_id, changed = look, None, True
            changes.looks[there.id] = look
            if there.state == "recorded":
                there.looked_fraction = looked_columns.FRACTION[look.looked]
        if changed:
            changes.sheets[there.id] = there
        return changed

    def _customer(self, row: _SheetRow, pack: str | None) -> str | None:
        if row.customer and pack is None:
            self.orders.homeless += 1
        return self.orders.customer(pack, row.customer) if row.customer else None

    def _write_new(self, fresh: dict[str, tuple[_SheetRow, dict[str, Any]]]) -> None:
        if not fresh:
            return
        rows = [values for _, values in fresh.values()]
        looks = {label: row.look for label, (row, _) in fresh.items() if row.look is not None}
        if not looks:
            self.session.execute(insert(Sheet).execution_options(**AT_ONCE), rows)
            return
        numbers = self.session.execute(
            insert(Sheet).returning(Sheet.label, Sheet.id).execution_options(**AT_ONCE), rows
        )
        by_label = {label: number for label, number in numbers}  # noqa: C416
        self._write_looks({by_label[label]: look for label, look in looks.items()})

    def _write_changes(self, changes: _Changes) -> None:
        if changes.taken_back:
            gone = [{"id": number, "current": False} for number in changes.taken_back]
            self.session.execute(update(Look), gone)
        if changes.sheets:
            filled = [
                {"id": number, "pack_id": there.pack_id, "grade_id": there.grade_id,
                 "looked_fraction": there.looked_fraction}
                for number, there in sorted(changes.sheets.items())
            ]  # fmt: skip
            self.session.execute(update(Sheet), filled)
        self._write_looks(changes.looks)
        nobody = [number for number, look in changes.looks.items() if not look.looked]
        for start in range(0, len(nobody), ASK_AT_ONCE):
            query = select(func.count(Defect.sheet_id.distinct())).where(
                Defect.current, ~Defect.withdrawn, Defect.sheet_id.in_(nobody[start : start + ASK_AT_ONCE])
            )
            self.not_looked_with_defects += self.session.scalar(query) or 0

    def _write_looks(self, looks: dict[int, LookStatement]) -> None:
        if looks:
            rows = [looked_columns.look_row(number, look, self.now) for number, look in looks.items()]
            self.session.execute(insert(Look).execution_options(**AT_ONCE), rows)

    def _pack(self, label: str) -> int:
        """The pack of this label, made where there is none yet."""
        if label not in self.packs:
            pack = Pack(label=label, use="stock", created_at=self.now)
            self.session.add(pack)
            self.session.flush()
            self.packs[label] = pack.id
            self.names[pack.id] = label
        return self.packs[label]


def _number(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _same(first: _SheetRow, again: _SheetRow) -> bool:
    """Whether two rows of one new sheet say the same."""
    return (first.values, first.pack, first.look, first.customer, first.grade) == (
        again.values, again.pack, again.look, again.customer, again.grade
    )  # fmt: skip


def _in_books(session: Session, labels: list[str]) -> dict[str, _Known]:
    """The sheets of these labels that are in the books, with what an import said of who looked at them."""
    found: dict[str, _Known] = {}
    columns = (Look.id, Look.looked, Look.way, Look.looked_at, Look.looked_by)
    told = and_(Look.sheet_id == Sheet.id, Look.current, Look.source == "import")
    for start in range(0, len(labels), ASK_AT_ONCE):
        query = (
            select(
                Sheet.label, Sheet.id, Sheet.line_id, Sheet.state, Sheet.pack_id, Sheet.grade_id,
                Sheet.looked_fraction, *(getattr(Sheet, c) for c in COMPARED), *columns,
            )
            .outerjoin(Look, told)
            .where(Sheet.label.in_(labels[start : start + ASK_AT_ONCE]))
        )  # fmt: skip
        for label, number, line, state, pack, grade, fraction, *own in session.execute(query):
            look_id, looked, way, at, by = own[len(COMPARED) :]
            stored = dict(zip(COMPARED, own, strict=False))
            look = None if look_id is None else _statement(looked, way, at, by)
            found[label] = _Known(number, line, state, pack, grade, fraction, stored, look_id, look)
    return found


def _statement(looked: bool, way: str | None, at: datetime | None, by: str | None) -> LookStatement:
    return LookStatement(looked=looked, way=way, looked_at=at, looked_by=by)
