"""Packs and what they are ordered as: customer, grade, use, and when and where they went.

Packs are of the plant, not of one line. They may be in the books before their sheets and the other way round.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import LehrbookError
from models.grade_books import plant_book
from models.grades import GradeBook, load_sets
from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.imports.sheets import ASK_AT_ONCE
from models.orders import Order, check_order, check_shipping, order_of, set_order, ship_pack
from models.records import Line, Pack

COLUMNS = ("pack_id", "customer", "grade", "use")
Progress = Callable[[str, int], None]


@dataclass(frozen=True, slots=True)
class _PackRow:
    """One row as it stands in the file; None is an empty cell."""

    line: int
    label: str
    customer: str | None
    grade_id: str | None
    use: str | None
    shipped_at: datetime | None
    destination: str | None

    def same_as(self, other: _PackRow) -> bool:
        """Whether both say the same, wherever they stand."""
        mine = (self.label, self.customer, self.grade_id, self.use, self.shipped_at, self.destination)
        return mine == (
            other.label, other.customer, other.grade_id, other.use, other.shipped_at, other.destination
        )  # fmt: skip


def take_packs(session: Session, _line: Line | None, path: Path, tally: Tally, progress: Progress) -> None:
    """Packs; an empty cell leaves what is in the books, a pack that left keeps what it left as.

    Each pack that changes has an act of its own in the chain. All packs are locked, in order, before the
    first of them is written.
    """
    file = CsvFile(path, COLUMNS, ("shipped_at", "destination"))
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    rows = _rows(file, tally)
    if not rows:
        progress("packs", tally.read)
        return
    audit.set_origin(session, f"import file {path.name}")
    book = plant_book(session, load_sets())
    packs = _locked(session, list(rows))
    good = []
    for label, row in rows.items():
        pack = packs.get(label) or Pack(label=label, use="stock", created_at=utc_now())
        try:
            good.append((row, pack, _checked(session, book, pack, row)))
        except LehrbookError as error:
            tally.refuse(row.line, str(error))
    for _, pack, _ in good:
        session.add(pack)
    session.flush()
    for done, (row, pack, order) in enumerate(good, start=1):
        _write(session, book, pack, row, order, tally, known=row.label in packs)
        if done % 500 == 0:
            progress("packs", done)
    progress("packs", tally.read)


def _rows(file: CsvFile, tally: Tally) -> dict[str, _PackRow]:
    """The rows by label; a label that comes twice has to say the same."""
    found: dict[str, _PackRow] = {}
    for row in file.rows(tally):
        try:
            read = _read(row)
        except RowRefused as error:
            tally.refuse(row.line, str(error))
            continue
        first = found.setdefault(read.label, read)
        if first is read:
            continue
        if first.same_as(read):
            tally.same += 1
        else:
            tally.refuse(row.line, f"pack_id {read.label!r} stands in line {first.line} with other values")
    return found


def _read(row: Row) -> _PackRow:
    read = _PackRow(
        line=row.line,
        label=row.text("pack_id"),
        customer=row.text_or_empty("customer", 200) or None,
        grade_id=row.text_or_empty("grade", 200) or None,
        use=row.text_or_empty("use", 200) or None,
        shipped_at=row.time_or_none("shipped_at"),
        destination=row.text_or_empty("destination", 200) or None,
    )
    if read.destination is not None and read.shipped_at is None:
        raise RowRefused(f"destination is {read.destination!r} but shipped_at is empty; expected both")
    return read


def _locked(session: Session, labels: list[str]) -> dict[str, Pack]:
    """The packs there are, by label, locked in the order of their numbers."""
    numbers: list[int] = []
    for start in range(0, len(labels), ASK_AT_ONCE):
        part = labels[start : start + ASK_AT_ONCE]
        numbers += session.scalars(select(Pack.id).where(Pack.label.in_(part)))
    numbers.sort()
    found: dict[str, Pack] = {}
    for start in range(0, len(numbers), ASK_AT_ONCE):
        some = numbers[start : start + ASK_AT_ONCE]
        query = select(Pack).where(Pack.id.in_(some)).order_by(Pack.id).with_for_update(key_share=True)
        query = query.execution_options(populate_existing=True)
        found.update((pack.label, pack) for pack in session.scalars(query))
    return found


def _checked(session: Session, book: GradeBook, pack: Pack, row: _PackRow) -> Order:
    """The order that the row makes of the pack. Raises LehrbookError for a row that cannot go in."""
    stands = order_of(pack)
    wanted = Order(
        row.customer or stands.customer, row.grade_id or stands.grade_id, row.use or stands.use
    )  # fmt: skip
    order = check_order(session, book, pack, wanted)
    if row.shipped_at is not None:
        check_shipping(session, pack, row.shipped_at, row.destination)
    return order


def _write(
    session: Session, book: GradeBook, pack: Pack, row: _PackRow, order: Order, tally: Tally, *, known: bool
) -> None:
    before = (order_of(pack), pack.shipped_at, pack.destination)
    if order != before[0]:
        set_order(
            session, book, pack.id, customer=order.customer, grade_id=order.grade_id, use=order.use,
            user_id=None,
        )  # fmt: skip
    if row.shipped_at is not None and (row.shipped_at != pack.shipped_at or row.destination):
        ship_pack(session, pack.id, row.shipped_at, row.destination, None)
    if not known:
        tally.added += 1
    elif before == (order_of(pack), pack.shipped_at, pack.destination):
        tally.same += 1
    else:
        tally.changed += 1
