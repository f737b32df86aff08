"""People: accounts, passwords, PINs for tablets, and the lock after wrong tries.

Passwords and PINs are kept as salted scrypt hashes (RFC 7914) with their cost beside them.
A try is counted before it is checked and the count is taken back on success: so trying many
at the same moment gains nothing.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord, NotAllowedNow
from models.records import ROLES, User

MIN_PASSWORD = 10
MAX_SECRET = 200
TRIES = 5
LOCK_FOR_S = 300.0
_COST_LOG2 = 15
_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,39}")
_PIN = re.compile(r"[0-9]{4,8}")


@dataclass(frozen=True, slots=True)
class SignIn:
    """What came of a try: the user, or a sentence that says why not."""

    user: User | None
    message: str | None


def create_user(
    session: Session,
    name: str,
    full_name: str,
    role: str,
    *,
    password: str | None = None,
    pin: str | None = None,
    by: int | None = None,
    cost_log2: int = _COST_LOG2,
) -> User:
    """Add an account. Raises BadValue for a name, role, password or PIN that will not do."""
    name = name.strip().lower()
    if not _NAME.fullmatch(name):
        raise BadValue(f"user name {name[:60]!r}: expected 1 to 40 of a-z, 0-9, dot, dash, underscore")
    if not 1 <= len(full_name.strip()) <= 200 or not full_name.isprintable():
        raise BadValue(f"user {name}: full name: expected 1 to 200 printable characters")
    if role not in ROLES:
        raise BadValue(f"user {name}: role {role[:40]!r} is unknown; expected one of {', '.join(ROLES)}")
    if password is None and pin is None:
        raise BadValue(f"user {name}: expected a password, a PIN, or both")
    refuse_taken(session, name)
    user = User(
        name=name,
        full_name=full_name.strip(),
        role=role,
        password_hash=None if password is None else _hash_password(name, password, cost_log2),
        pin_hash=None if pin is None else _hash_pin(name, pin, cost_log2),
        failed_tries=0,
        created_at=utc_now(),
        sign_in_stamp=secrets.token_hex(8),
    )
    session.add(user)
    session.flush()
    audit.append(
        session, "user.create", "user_account", user.id, user_id=by, details={"name": name, "role": role}
    )
    return user


def refuse_taken(session: Session, name: str) -> None:
    """Raise BadValue when somebody has this name already."""
    name = name.strip().lower()
    if session.scalar(select(User.id).where(User.name == name)) is not None:
        raise BadValue(f"user {name}: the name is taken")


def find_user(session: Session, name: str) -> User:
    """The account of this name. Raises NoSuchRecord."""
    user = session.scalars(select(User).where(User.name == name.strip().lower())).one_or_none()
    if user is None:
        raise NoSuchRecord(f"user {name[:60]!r}: there is no such user")
    return user


def list_users(session: Session) -> list[User]:
    """All accounts by name, disabled ones too."""
    return list(session.scalars(select(User).order_by(User.name)))


def set_password(session: Session, user: User, password: str, *, by: int | None) -> None:
    """Give a new password; unlocks the account and ends its open sign-ins."""
    user.password_hash = _hash_password(user.name, password, _COST_LOG2)
    _renew(user)
    audit.append(session, "user.password", "user_account", user.id, user_id=by, details={"name": user.name})


def set_pin(session: Session, user: User, pin: str | None, *, by: int | None) -> None:
    """Give a new PIN, or take it away with None; unlocks the account and ends its open sign-ins."""
    user.pin_hash = None if pin is None else _hash_pin(user.name, pin, _COST_LOG2)
    _renew(user)
    audit.append(
        session,
        "user.pin",
        "user_account",
        user.id,
        user_id=by,
        details={"name": user.name, "has_pin": pin is not None},
    )


def disable_user(session: Session, user: User, *, by: int | None) -> None:
    """Close an account; its acts stay in the books. Raises NotAllowedNow for the last administrator."""
    if user.disabled_at is not None:
        return
    if user.role == "administrator":
        others = select(func.count()).where(
            User.role == "administrator", User.disabled_at.is_(None), User.id != user.id
        )
        if not session.scalar(others):
            raise NotAllowedNow(f"user {user.name}: is the last administrator and cannot be disabled")
    user.disabled_at = utc_now()
    _renew(user)
    audit.append(session, "user.disable", "user_account", user.id, user_id=by, details={"name": user.name})


def enable_user(session: Session, user: User, *, by: int | None) -> None:
    """Open a disabled account again."""
    user.disabled_at = None
    _renew(user)
    audit.append(session, "user.enable", "user_account", user.id, user_id=by, details={"name": user.name})


def sign_in(
    sessions: sessionmaker[Session],
    name: str,
    secret: str,
    *,
    with_pin: bool,
    origin: str = audit.PROGRAM,
    now: datetime | None = None,
) -> SignIn:
    """Check a password or PIN. Takes the session factory, because a wrong try must be kept."""
    now = now or utc_now()
    with sessions.begin() as session:
        user_id, stored, message = _count_try(session, name, with_pin=with_pin, now=now)
    # The slow part runs outside any transaction, so that no writer waits for it.
    matches = _matches(secret, stored)
    if message is not None or user_id is None:
        return SignIn(None, message or _wrong(with_pin))
    with sessions.begin() as session:
        audit.set_origin(session, origin)
        user = session.scalars(select(User).where(User.id == user_id).with_for_update(key_share=True)).one()
        how = {"name": user.name, "with": "pin" if with_pin else "password"}
        if not matches:
            audit.append(session, "user.sign_in_refused", "user_account", user.id, user_id=None, details=how)
            return SignIn(None, _wrong(with_pin))
        user.failed_tries, user.locked_until, user.last_seen_at = 0, None, now
        audit.append(session, "user.sign_in", "user_account", user.id, user_id=user.id, details=how)
        return SignIn(user, None)


def _count_try(
    session: Session, name: str, *, with_pin: bool, now: datetime
) -> tuple[int | None, str | None, str | None]:
    """Count one try. Returns (user id, stored hash, refusal)."""
    query = select(User).where(User.name == name.strip().lower()).with_for_update(key_share=True)
    user = session.scalars(query).one_or_none()
    if user is None or user.disabled_at is not None:
        return None, None, None
    if user.locked_until is not None and user.locked_until > now:
        minutes = max(1, round((user.locked_until - now).total_seconds() / 60))
        return (
            user.id,
            None,
            f"locked after {TRIES} wrong tries: try again in {minutes} min, or ask an administrator",
        )
    user.failed_tries += 1
    if user.failed_tries >= TRIES:
        # Locked from this try on; a right one takes the lock back.
        user.locked_until = now + timedelta(seconds=LOCK_FOR_S)
        user.failed_tries = 0
    return user.id, user.pin_hash if with_pin else user.password_hash, None


def _wrong(with_pin: bool) -> str:
    return f"name and {'PIN' if with_pin else 'password'} do not match"


def _renew(user: User) -> None:
    user.failed_tries, user.locked_until = 0, None
    user.sign_in_stamp = secrets.token_hex(8)


def _hash_password(name: str, password: str, cost_log2: int) -> str:
    if not MIN_PASSWORD <= len(password) <= MAX_SECRET:
        raise BadValue(f"user {name}: password: expected {MIN_PASSWORD} to {MAX_SECRET} characters")
    if password.lower() == name or len(set(password)) < 4:
        raise BadValue(
            f"user {name}: password: too easy to guess; expected 4 or more different characters, not the name"
        )
    return hash_secret(password, cost_log2)


def _hash_pin(name: str, pin: str, cost_log2: int) -> str:
    if not _PIN.fullmatch(pin):
        raise BadValue(f"user {name}: PIN: expected 4 to 8 digits")
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    if len(steps) == 1 and steps <= {0, 1, 9}:
        raise BadValue(
            f"user {name}: PIN: too easy to guess; expected no single digit repeated and no plain run"
        )
    return hash_secret(pin, cost_log2)


def hash_secret(secret: str, cost_log2: int = _COST_LOG2) -> str:
    """Salted scrypt hash as text: scrypt$log2(N)$salt$hash, base64."""
    salt = secrets.token_bytes(16)
    digest = _scrypt(secret, salt, cost_log2)
    return f"scrypt${cost_log2}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def _matches(secret: str, stored: str | None) -> bool:
    """Whether the secret gives the stored hash; takes as long when there is none to compare with."""
    if stored is None or len(secret) > MAX_SECRET:
        _scrypt("", b"none", _COST_LOG2)
        return False
    _, cost, salt, digest = stored.split("$")
    return hmac.compare_digest(_scrypt(secret, base64.b64decode(salt), int(cost)), base64.b64decode(digest))


def _scrypt(secret: str, salt: bytes, cost_log2: int) -> bytes:
    n = 1 << cost_log2
    return hashlib.scrypt(secret.encode(), salt=salt, n=n, r=8, p=1, maxmem=256 * n * 8, dklen=32)
