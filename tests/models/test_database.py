"""Engine and sessions: readers never wait, writers take turns, times stay true, revisions stay linear."""

import threading
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import IntegrityError, OperationalError, StatementError
from sqlalchemy.orm import Session, sessionmaker

from models import database
from models.errors import DatabaseError
from models.records import Customer, Defect, Event
from tests.factories import NOON, make_customer, make_event, make_line, make_sheet


def test_nothing_is_opened_before_it_is_used(tmp_path):
    engine = database.open_engine(database.sqlite_url(tmp_path / "none.sqlite3"))
    assert not (tmp_path / "none.sqlite3").exists()
    engine.dispose()


@pytest.mark.parametrize(
    "url", ["", "plant.sqlite3", "mysql://root@localhost/plant", "postgresql+nodriver://x/y"]
)
def test_an_address_of_another_kind_is_a_sentence(url):
    with pytest.raises(DatabaseError, match=r"database address cannot be read|is not supported|driver"):
        database.open_engine(url)


def test_sqlite_runs_as_intended(sqlite_home):
    engine = database.open_engine(database.default_url(sqlite_home))
    with engine.connect() as connection:
        settings = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}
    engine.dispose()


def test_readers_do_not_wait_for_a_writer_and_see_what_is_committed(sessions: sessionmaker[Session]):
    with sessions() as writer:
        make_customer(writer, name="not yet")
        with database.reading(sessions) as reader:
            assert reader.scalars(select(Customer.name)).all() == []
        writer.commit()
    with database.reading(sessions) as reader:
        assert reader.scalars(select(Customer.name)).all() == ["not yet"]


def test_a_writing_session_is_all_or_nothing(sessions: sessionmaker[Session]):
    def half_way() -> None:
        with database.writing(sessions) as session:
            make_customer(session)
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError):
        half_way()
    with database.reading(sessions) as session:
        assert session.scalars(select(Customer)).all() == []


def test_writers_on_sqlite_take_turns_from_the_start(sqlite_home):
    """A second writer waits at BEGIN, not at COMMIT where its reading would be out of date."""
    engine = database.open_engine(database.default_url(sqlite_home))
    sessions = database.session_factory(engine)
    with sessions.begin() as session:
        customer = make_customer(session, name="0")

    def count_up() -> None:
        for _ in range(15):
            with sessions.begin() as session:
                row = session.get_one(Customer, customer.id)
                row.name = str(int(row.name) + 1)

    threads = [threading.Thread(target=count_up) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with sessions() as session:
        assert session.get_one(Customer, customer.id).name == "60"
    engine.dispose()


def test_a_writer_that_never_ends_makes_others_fail_with_a_reason(sqlite_home, monkeypatch):
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 50)
    engine = database.open_engine(database.default_url(sqlite_home))
    sessions = database.session_factory(engine)
    with sessions() as first, sessions() as second:
        make_customer(first)
        with pytest.raises(OperationalError, match="database is locked"):
            make_customer(second)
    engine.dispose()


# -- times ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2026, 3, 29, 2, 30, 15, 123456, tzinfo=timezone(timedelta(hours=2))),
        datetime(1999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
        datetime(2026, 10, 25, 1, 30, tzinfo=timezone(-timedelta(hours=9, minutes=30))),
    ],
)
def test_a_time_comes_back_as_the_same_moment_in_utc(session: Session, moment):
    event = make_event(session, make_line(session), start_at=moment)
    session.commit()
    session.expire_all()
    found = session.get_one(Event, event.id).start_at
    assert found == moment
    assert found.utcoffset() == timedelta(0)


def test_times_are_compared_as_moments_whatever_their_offset(session: Session):
    line = make_line(session)
    for hour in range(4):
        make_event(session, line, start_at=NOON + timedelta(hours=hour))
    limit = (NOON + timedelta(hours=2)).astimezone(timezone(timedelta(hours=-7)))
    assert len(session.scalars(select(Event).where(Event.start_at >= limit)).all()) == 2


def test_a_time_without_zone_is_refused(session: Session):
    with pytest.raises(StatementError, match="has no zone; expected an aware datetime"):
        make_event(session, make_line(session), start_at=datetime(2026, 3, 2, 11, 0))


# -- rules of the tables --------------------------------------------------------------------------------


def test_words_outside_their_list_are_refused(session: Session):
    with pytest.raises(IntegrityError, match="ck_sheet_state"):
        make_sheet(session, make_line(session), state="lost")


def test_a_revision_can_be_corrected_once_only(session: Session):
    """Two corrections of one row would make two truths: the second must start from the first."""
    sheet = make_sheet(session, make_line(session))
    given = {
        "line_id": sheet.line_id, "sheet_id": sheet.id, "number": 1, "source": "hand", "kind": "stone",
        "found_at": NOON, "recorded_at": NOON, "withdrawn": False, "current": True,
    }  # fmt: skip
    first = Defect(**given)
    session.add(first)
    session.flush()
    session.add(Defect(**given, supersedes_id=first.id))
    session.flush()
    session.add(Defect(**given, supersedes_id=first.id))
    with pytest.raises(IntegrityError):
        session.flush()


def test_rows_must_point_to_rows_that_are_there(session: Session):
    with pytest.raises(IntegrityError):
        make_sheet(session, make_line(session), pack_id=4711)


def test_the_ribbon_map_is_answered_from_an_index_alone(sqlite_home):
    """Ten million rows stay usable only if a stretch of ribbon is read from the covering index."""
    engine = database.open_engine(database.default_url(sqlite_home))
    query = (
        "SELECT kind, ribbon_m, ribbon_x_mm, length_mm FROM defect"
        " WHERE line_id = 1 AND current = 1 AND ribbon_m BETWEEN 1000 AND 2000"
    )
    rates = (
        "SELECT kind, count(*) FROM defect"
        " WHERE line_id = 1 AND current = 1 AND found_at > '2026' GROUP BY kind"
    )
    with engine.connect() as connection:
        for statement, index in ((query, "ix_defect_ribbon"), (rates, "ix_defect_found")):
            plan = " ".join(row[3] for row in connection.execute(text(f"EXPLAIN QUERY PLAN {statement}")))
            assert f"USING COVERING INDEX {index}" in plan
    engine.dispose()
