"""The chain of acts: what was done to it shows, whoever wrote at the same time."""

import threading
from datetime import timedelta

import pytest
from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session, sessionmaker

from models import audit
from models.records import AuditEntry, AuditHead
from tests.factories import NOON, make_line, make_sheet, make_user


def write_acts(session: Session, count: int = 6) -> None:
    user = make_user(session)
    sheet = make_sheet(session, make_line(session))
    for number in range(count - 1):
        audit.append(
            session, "test.act", "sheet", sheet.id, user_id=user.id, sheet_id=sheet.id,
            details={"number": number, "text": "Größe 0,5 mm", "sizes": [0.1, 1e-9, None]},
        )  # fmt: skip
    session.commit()


def faults(session: Session) -> list[str]:
    session.expire_all()
    return [fault.says for fault in audit.verify(session)]


def test_an_untouched_chain_holds(session: Session):
    assert faults(session) == []
    write_acts(session)
    assert faults(session) == []
    assert session.scalars(select(AuditEntry.id).order_by(AuditEntry.id)).all() == [1, 2, 3, 4, 5, 6]


def test_who_and_from_where_are_kept_as_they_were(session: Session):
    user = make_user(session, full_name="Ruta Saulyte")
    audit.set_origin(session, "tablet 10.0.0.5")
    entry = audit.append(session, "test.act", "sheet", None, user_id=user.id)
    by_program = audit.append(session, "test.act", "sheet", None, user_id=None)
    user.full_name = "Ruta Saulyte-Brandt"
    session.commit()
    assert (entry.who, entry.origin) == ("Ruta Saulyte", "tablet 10.0.0.5")
    assert by_program.who == "Lehrbook"
    assert faults(session) == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("who", "Nobody"),
        ("details", '{"number":7}'),
        ("at", NOON + timedelta(microseconds=1)),
        ("action", "test.acts"),
        ("origin", "elsewhere"),
        ("subject_id", 99),
        ("user_id", None),
        ("sheet_id", None),
    ],
)
def test_a_changed_entry_is_found(session: Session, column, value):
    write_acts(session)
    session.execute(update(AuditEntry).where(AuditEntry.id == 3).values({column: value}))
    session.commit()
    assert [fault[:7] for fault in faults(session)] == ["entry 3"]


def test_a_removed_entry_is_found(session: Session):
    write_acts(session)
    session.execute(delete(AuditEntry).where(AuditEntry.id == 3))
    session.commit()
    assert faults(session) == ["entry 3 is missing from the chain"]


def test_several_removed_entries_are_found(session: Session):
    write_acts(session)
    session.execute(delete(AuditEntry).where(AuditEntry.id.in_([1, 2, 3])))
    session.commit()
    assert faults(session) == ["entries 1 to 3 are missing from the chain"]


def test_a_chain_cut_short_is_found(session: Session):
    write_acts(session)
    session.execute(delete(AuditEntry).where(AuditEntry.id >= 5))
    session.commit()
    assert faults(session) == ["the chain ends at entry 4, but its end mark says 6: the rest was removed"]


def test_entries_that_changed_places_are_found(session: Session):
    write_acts(session)
    for old, new in ((3, 1003), (4, 3), (1003, 4)):
        session.execute(update(AuditEntry).where(AuditEntry.id == old).values(id=new))
    session.commit()
    assert "entry 3 (test.act) was changed after it was written" in faults(session)
    assert "entry 4 does not follow from entry 3: one of them was moved or replaced" in faults(session)


def test_a_rewritten_entry_with_a_fitting_hash_is_found_at_the_next(session: Session):
    write_acts(session)
    entry = session.get_one(AuditEntry, 3)
    entry.who = "Nobody"
    entry.hash = audit.entry_hash(entry)
    session.commit()
    assert faults(session) == ["entry 4 does not follow from entry 3: one of them was moved or replaced"]


def test_a_lost_or_wrong_end_mark_is_found(session: Session):
    write_acts(session)
    session.execute(update(AuditHead).values(hash="0" * 64))
    session.commit()
    assert faults(session) == ["the chain's end mark (entry 6) does not match its last entry 6"]
    session.execute(delete(AuditHead))
    session.commit()
    assert faults(session) == ["the chain's end mark is missing; the chain has 6 entries"]


def test_an_act_that_is_undone_leaves_no_entry(session: Session):
    write_acts(session)
    audit.append(session, "test.act", "sheet", None, user_id=None)
    session.rollback()
    assert faults(session) == []
    assert session.scalars(select(AuditEntry.id).order_by(AuditEntry.id.desc())).first() == 6


def test_concurrent_writers_make_one_unbroken_chain(sessions: sessionmaker[Session]):
    failures: list[Exception] = []

    def write(worker: int) -> None:
        try:
            for number in range(12):
                with sessions.begin() as session:
                    audit.append(
                        session,
                        "test.act",
                        "sheet",
                        None,
                        user_id=None,
                        details={"by": worker, "number": number},
                    )
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with sessions() as session:
        assert faults(session) == []
        assert session.scalars(select(AuditEntry.id).order_by(AuditEntry.id)).all() == list(range(1, 61))


def test_many_at_once_are_the_same_chain(session: Session):
    entry = {
        "at": NOON, "user_id": None, "who": "Lehrbook", "origin": "seed", "action": "test.act",
        "subject_kind": "sheet", "subject_id": None, "sheet_id": None, "details": {"a": 1},
    }  # fmt: skip
    audit.append(session, "test.act", "sheet", None, user_id=None)
    audit.append_many(session, [entry, entry | {"details": {"a": 2}}])
    audit.append_many(session, [])
    audit.append(session, "test.act", "sheet", None, user_id=None)
    session.commit()
    assert faults(session) == []
    assert session.get_one(AuditHead, 1).entries == 4
