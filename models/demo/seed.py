"""Writes the demo plant into an empty database: many rows by Core, in one transaction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import insert, select
from sqlalchemy.orm import Session, sessionmaker

from models import audit, users
from models.clock import to_utc
from models.demo import logs, people
from models.demo import scenario as s
from models.demo.books import Books
from models.demo.defects import make_defects
from models.demo.people import SignIn
from models.demo.production import DAY_S, make_ribbon, make_sheets, make_shifts
from models.demo.tracer import add_tracer_run
from models.demo.verdicts import judge_sheets, stack
from models.errors import NotAllowedNow
from models.grades import GradeBook
from models.records import (
    Customer,
    Defect,
    Event,
    FurnaceLogRow,
    LayoutPoint,
    Line,
    LineLogRow,
    Look,
    Pack,
    PlantFigures,
    Roll,
    Sheet,
    Shift,
    Verdict,
)
from models.table_copy import set_sequences

SEED = 20_261
_CHUNK = 5000

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Seeded:
    """What the seed wrote."""

    line_id: int
    start: datetime
    end: datetime
    sheets: int
    inspected: int
    defects: int
    packs: int


def sign_ins() -> tuple[SignIn, ...]:
    """The demo's accounts with their secrets, to be printed."""
    return people.PEOPLE


def seed_plant(
    sessions: sessionmaker[Session],
    book: GradeBook,
    *,
    end: datetime,
    days: float = s.DAYS,
    seed: int = SEED,
    progress: Progress | None = None,
) -> Seeded:
    """Fill an empty database with `days` of production up to `end`; the same rows for the same arguments.

    progress : called with the share done (0..1) and what is being done.
    Raises NotAllowedNow when the database has a line already; nothing is written then.
    """
    tell = progress or (lambda _share, _text: None)
    end = to_utc(end).replace(second=0, microsecond=0)
    start = end - timedelta(days=days)
    rng = np.random.default_rng(seed)
    tell(0.0, "running the line")
    ribbon = make_ribbon(rng, days)
    shifts = make_shifts(start, days)
    sheets = make_sheets(rng, ribbon, shifts, s.NOT_INSPECTED_SHIFTS)
    seen = make_defects(rng, ribbon, sheets, shifts)
    decisions = judge_sheets(book, sheets, seen, lambda share: tell(0.05 + 0.3 * share, "judging sheets"))
    packs, pack_of = stack(rng, sheets, decisions, days * DAY_S)
    with sessions.begin() as session:
        tell(0.36, "writing plant and people")
        line_id = _plant(session, start)
        # a stream of its own: the rest of the story does not depend on it
        add_tracer_run(session, np.random.default_rng([seed, 7]), line_id, start)
        staff = _people(session)
        customers = _customers(session, start)
        _insert(session, LineLogRow, logs.line_log(line_id, start, ribbon))
        _insert(session, FurnaceLogRow, logs.furnace_log(rng, line_id, start, days))
        _insert(session, Event, logs.events(line_id, start, days))
        books = Books(start, line_id, staff, sheets, shifts, seen, decisions, packs, pack_of)
        _insert(session, Shift, books.shift_rows())
        tell(0.45, "writing packs and sheets")
        _insert(session, Pack, books.pack_rows(customers))
        _insert(session, Sheet, books.sheet_rows())
        tell(0.6, "writing defects")
        _insert(session, Look, books.look_rows())
        _insert(session, Defect, books.defect_rows())
        tell(0.7, "writing verdicts")
        verdicts = books.verdict_rows(book)
        _insert(session, Verdict, verdicts)
        tell(0.85, "writing the chain of acts")
        audit.append_many(session, books.audit_entries(verdicts))
        books.claims(session)
        if session.get_bind().dialect.name == "postgresql":
            set_sequences(session.connection())
    tell(1.0, "done")
    return Seeded(
        line_id, start, end, sheets.start_m.size, int(sheets.inspected.sum()), seen.sheet.size, len(packs)
    )


def _insert(session: Session, table: Any, rows: list[dict[str, Any]]) -> None:
    for begin in range(0, len(rows), _CHUNK):
        session.execute(insert(table.__table__), rows[begin : begin + _CHUNK])


def _plant(session: Session, start: datetime) -> int:
    if session.scalar(select(Line.id).limit(1)) is not None:
        raise NotAllowedNow("the database has a line already; the demo plant needs an empty one")
    line = Line(
        name=s.LINE, plant=s.PLANT, time_zone=s.TIME_ZONE, grade_id=s.RUNS[-1].grade_id, created_at=start
    )
    session.add(line)
    session.flush()
    session.add(PlantFigures(line_id=line.id, valid_from=start, recorded_at=start, **s.FIGURES))
    session.add_all(
        LayoutPoint(line_id=line.id, point=point, distance_m_upstream_of_inspection=metres)
        for point, metres in s.LAYOUT_M.items()
    )
    session.add_all(
        Roll(line_id=line.id, name=name, diameter_mm=diameter, distance_m_upstream_of_inspection=metres)
        for name, diameter, metres in s.ROLLS
    )
    session.flush()
    return line.id


def _people(session: Session) -> dict[str, tuple[int, str]]:
    """Accounts; returns (user id, full name) by crew."""
    crews = {}
    for person in people.PEOPLE:
        given = {key: value for key, value in asdict(person).items() if key != "crew"}
        # Secrets that are printed on the screen need no costly hash.
        user = users.create_user(session, **given, cost_log2=12)
        if person.crew is not None:
            crews[person.crew] = (user.id, person.full_name)
    return crews


def _customers(session: Session, start: datetime) -> dict[str, int]:
    names = [name for listed in people.CUSTOMERS.values() for name, _ in listed]
    customers = [Customer(name=name, created_at=start) for name in names]
    session.add_all(customers)
    session.flush()
    return {customer.name: customer.id for customer in customers}
