"""People: what a name, password and PIN must be, and what wrong tries lead to."""

import hashlib
import threading
from datetime import timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from models import users
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord, NotAllowedNow
from models.records import AuditEntry, User
from tests.factories import CHEAP, PASSWORD, PIN, make_user


@pytest.fixture
def tomke(sessions: sessionmaker[Session]) -> User:
    with sessions.begin() as session:
        return make_user(session, name="tomke")


def test_scrypt_is_that_of_rfc_7914():
    """RFC 7914, section 12, third vector: the parameters mean what we think they mean."""
    digest = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=64)
    assert digest.hex().startswith("7023bdcb3afd7348461c06cd81fd38eb")


def test_nothing_readable_is_stored(session: Session):
    user = make_user(session)
    session.flush()
    for stored in (user.password_hash, user.pin_hash):
        assert stored.startswith("scrypt$")
        assert PASSWORD not in stored
        assert PIN not in stored
    assert make_user(session).password_hash != user.password_hash


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"name": "Tomke Brandt"}, "expected 1 to 40 of a-z"),
        ({"name": ""}, "expected 1 to 40 of a-z"),
        ({"name": "x' OR 1=1 --"}, "expected 1 to 40 of a-z"),
        ({"full_name": " "}, "full name: expected 1 to 200"),
        ({"full_name": "Tomke\nBrandt"}, "printable"),
        ({"role": "owner"}, "role 'owner' is unknown; expected one of inspector, quality_lead"),
        ({"password": "short"}, "password: expected 10 to 200 characters"),
        ({"password": "aaaaaaaaaaaa"}, "password: too easy to guess"),
        ({"pin": "12a4"}, "PIN: expected 4 to 8 digits"),
        ({"pin": "123"}, "PIN: expected 4 to 8 digits"),
        ({"pin": "1111"}, "PIN: too easy to guess"),
        ({"pin": "3456"}, "PIN: too easy to guess"),
        ({"pin": "9876"}, "PIN: too easy to guess"),
        ({"pin": "٣٤٥٩"}, "PIN: expected 4 to 8 digits"),
        ({"password": None, "pin": None}, "expected a password, a PIN, or both"),
    ],
)
def test_what_will_not_do_is_refused_with_a_sentence(session: Session, values, message):
    with pytest.raises(BadValue, match=message):
        make_user(session, **values)
    assert session.scalars(select(User)).all() == []


def test_a_name_is_given_once_whatever_its_case(session: Session):
    make_user(session, name="ilse")
    with pytest.raises(BadValue, match="user ilse: the name is taken"):
        make_user(session, name=" ILSE ")


def test_sign_in_by_password_and_by_pin(sessions: sessionmaker[Session], tomke: User):
    for secret, with_pin in ((PASSWORD, False), (PIN, True)):
        result = users.sign_in(sessions, " Tomke", secret, with_pin=with_pin, origin="tablet 10.0.0.5")
        assert result.user is not None
        assert result.user.id == tomke.id
    with sessions() as session:
        entries = session.scalars(select(AuditEntry).where(AuditEntry.action == "user.sign_in")).all()
        assert [entry.origin for entry in entries] == ["tablet 10.0.0.5"] * 2


@pytest.mark.parametrize("secret", [PIN, "", "wrong", "x" * 100_000, "\x00", "three grey ribbonſ"])
def test_a_wrong_secret_says_no_more_than_that(sessions: sessionmaker[Session], tomke: User, secret):
    result = users.sign_in(sessions, "tomke", secret, with_pin=False)
    assert (result.user, result.message) == (None, "name and password do not match")


def test_an_unknown_name_sounds_like_a_wrong_password(sessions: sessionmaker[Session], tomke: User):
    assert (
        users.sign_in(sessions, "nobody", PASSWORD, with_pin=False).message
        == "name and password do not match"
    )


def test_locked_after_five_wrong_tries_and_open_again_later(sessions: sessionmaker[Session], tomke: User):
    for _ in range(users.TRIES):
        assert users.sign_in(sessions, "tomke", "0000", with_pin=True).user is None
    locked = users.sign_in(sessions, "tomke", PIN, with_pin=True)
    assert locked.user is None
    assert locked.message == "locked after 5 wrong tries: try again in 5 min, or ask an administrator"
    by_password = users.sign_in(sessions, "tomke", PASSWORD, with_pin=False)
    assert by_password.user is None
    after = utc_now() + timedelta(seconds=users.LOCK_FOR_S + 1)
    assert users.sign_in(sessions, "tomke", PIN, with_pin=True, now=after).user is not None


def test_a_right_try_takes_the_count_back(sessions: sessionmaker[Session], tomke: User):
    for _ in range(3):
        for _ in range(users.TRIES - 1):
            users.sign_in(sessions, "tomke", "0000", with_pin=True)
        assert users.sign_in(sessions, "tomke", PIN, with_pin=True).user is not None


def test_guessing_in_parallel_gains_no_tries(sessions: sessionmaker[Session], tomke: User):
    messages: list[str | None] = []

    def guess(n: int) -> None:
        messages.append(users.sign_in(sessions, "tomke", f"00{n:02d}", with_pin=True).message)

    threads = [threading.Thread(target=guess, args=(n,)) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    checked = [message for message in messages if message == "name and PIN do not match"]
    assert len(checked) == users.TRIES
    assert len(messages) == 12


def test_disabling_ends_sign_in_and_open_sessions(sessions: sessionmaker[Session], tomke: User):
    stamp = tomke.sign_in_stamp
    with sessions.begin() as session:
        user = users.find_user(session, "tomke")
        users.disable_user(session, user, by=None)
        assert user.sign_in_stamp != stamp
    assert users.sign_in(sessions, "tomke", PASSWORD, with_pin=False).user is None
    with sessions.begin() as session:
        users.enable_user(session, users.find_user(session, "tomke"), by=None)
    assert users.sign_in(sessions, "tomke", PASSWORD, with_pin=False).user is not None


def test_the_last_administrator_stays(session: Session):
    first = make_user(session, role="administrator", name="ada")
    with pytest.raises(NotAllowedNow, match="user ada: is the last administrator"):
        users.disable_user(session, first, by=None)
    second = make_user(session, role="administrator")
    users.disable_user(session, second, by=first.id)
    assert first.disabled_at is None


def test_a_new_password_or_pin_unlocks(sessions: sessionmaker[Session], tomke: User):
    for _ in range(users.TRIES):
        users.sign_in(sessions, "tomke", "0000", with_pin=True)
    with sessions.begin() as session:
        users.set_pin(session, users.find_user(session, "tomke"), "5207", by=None)
    assert users.sign_in(sessions, "tomke", "5207", with_pin=True).user is not None
    with sessions.begin() as session:
        users.set_password(session, users.find_user(session, "tomke"), "a new grey ribbon", by=None)
        users.set_pin(session, users.find_user(session, "tomke"), None, by=None)
    assert users.sign_in(sessions, "tomke", "5207", with_pin=True).user is None
    assert users.sign_in(sessions, "tomke", "a new grey ribbon", with_pin=False).user is not None


def test_an_unknown_user_is_a_sentence(session: Session):
    with pytest.raises(NoSuchRecord, match="user 'nobody': there is no such user"):
        users.find_user(session, "nobody")


def test_cost_is_part_of_the_hash():
    assert users.hash_secret("x", CHEAP).split("$")[1] == str(CHEAP)
    assert users.hash_secret("x").split("$")[1] == "15"
