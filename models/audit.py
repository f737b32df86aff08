"""The chain of acts: append to it, and verify it.

Each entry's hash covers all it says and the hash of the entry before, and entries are
numbered without gaps. So an entry that was changed, removed or moved breaks the chain
at its place. The head row holds number and hash of the last entry: it shows a chain cut
short, and locking it makes writers take turns, so numbers and hashes follow each other
on PostgreSQL as well. (On SQLite the whole write transaction takes its turn.)

What the chain cannot do: somebody who can write to the database and knows this program
could rebuild the whole chain. Keep `head` of a verified day somewhere else (it is printed
by `lehrbook verify`), and that is found out too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.records import AuditEntry, AuditHead, User

FIRST_HASH = "0" * 64
PROGRAM = "program"
_ORIGIN = "lehrbook.origin"
_NO_USER = "Lehrbook"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that does not hold: entry number (None: not one entry) and a sentence."""

    entry: int | None
    says: str


def set_origin(session: Session, origin: str) -> None:
    """Say from where the acts of this session come, such as "tablet 10.0.0.5"."""
    session.info[_ORIGIN] = origin[:200]


def append(
    session: Session,
    action: str,
    subject_kind: str,
    subject_id: int | None,
    *,
    user_id: int | None,
    sheet_id: int | None = None,
    details: dict[str, Any] | None = None,
    at: datetime | None = None,
) -> AuditEntry:
    """Add one entry in the session's transaction; it stands or falls with the act itself.

    Call it last: it holds the chain's lock until the transaction ends.
    """
    head = lock_head(session)
    who = _NO_USER
    if user_id is not None:
        who = session.scalars(select(User.full_name).where(User.id == user_id)).one()
    entry = AuditEntry(
        id=head.entries + 1,
        at=at or utc_now(),
        user_id=user_id,
        who=who,
        origin=session.info.get(_ORIGIN, PROGRAM),
        action=action,
        subject_kind=subject_kind,
        subject_id=subject_id,
        sheet_id=sheet_id,
        details=canonical(details or {}),
        previous_hash=head.hash,
    )
    entry.hash = entry_hash(entry)
    session.add(entry)
    head.entries = entry.id
    head.hash = entry.hash
    session.flush()
    return entry


def lock_head(session: Session) -> AuditHead:
    """The end of the chain, locked until the transaction ends; made at first use."""
    query = select(AuditHead).where(AuditHead.id == 1).with_for_update(key_share=True)
    query = query.execution_options(populate_existing=True)
    head = session.scalars(query).one_or_none()
    if head is None:
        dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
        first = dialect.insert(AuditHead).values(id=1, entries=0, hash=FIRST_HASH)
        session.execute(first.on_conflict_do_nothing())
        head = session.scalars(query).one()
    return head


def canonical(value: Any) -> str:
    """The one JSON text of a value: keys sorted, no spaces, no NaN."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest_of(value: Any) -> str:
    """SHA-256, hex, of a value's one JSON text."""
    return hashlib.sha256(canonical(value).encode()).hexdigest()


def entry_hash(entry: AuditEntry) -> str:
    """SHA-256, hex, over all that the entry says and the hash of the one before."""
    parts = [
        entry.id,
        entry.at.astimezone(UTC).isoformat(timespec="microseconds"),
        entry.user_id,
        entry.who,
        entry.origin,
        entry.action,
        entry.subject_kind,
        entry.subject_id,
        entry.sheet_id,
        entry.details,
        entry.previous_hash,
    ]
    return digest_of(parts)


def verify(session: Session) -> Iterator[Fault]:
    """Walk the chain from its first entry and yield each place where it does not hold."""
    number, previous = 0, FIRST_HASH
    query = select(AuditEntry).order_by(AuditEntry.id).execution_options(yield_per=2000)
    for entry in session.scalars(query):
        if entry.id != number + 1:
            missing = (
                f"entry {number + 1} is"
                if entry.id == number + 2
                else f"entries {number + 1} to {entry.id - 1} are"
            )
            yield Fault(entry.id, f"{missing} missing from the chain")
        elif entry.previous_hash != previous:
            yield Fault(
                entry.id,
                f"entry {entry.id} does not follow from entry {number}: one of them was moved or replaced",
            )
        if entry_hash(entry) != entry.hash:
            yield Fault(entry.id, f"entry {entry.id} ({entry.action}) was changed after it was written")
        number, previous = entry.id, entry.hash
        session.expunge(entry)
    yield from _check_head(session, number, previous)


def _check_head(session: Session, number: int, last_hash: str) -> Iterator[Fault]:
    head = session.get(AuditHead, 1, populate_existing=True)
    if head is None:
        if number:
            yield Fault(None, f"the chain's end mark is missing; the chain has {number} entries")
        return
    if head.entries > number:
        yield Fault(
            None,
            f"the chain ends at entry {number}, but its end mark says {head.entries}: the rest was removed",
        )
    elif (head.entries, head.hash) != (number, last_hash):
        yield Fault(
            None, f"the chain's end mark (entry {head.entries}) does not match its last entry {number}"
        )


def append_many(session: Session, entries: list[dict[str, Any]]) -> None:
    """Add many entries at once, in order (seeding and imports).

    Each is a dict with `at`, `user_id`, `who`, `action`, `subject_kind`, `subject_id`, `sheet_id`,
    `details` (a dict) and `origin`.
    """
    if not entries:
        return
    head = lock_head(session)
    number, previous = head.entries, head.hash
    rows = []
    for given in entries:
        number += 1
        row = {**given, "id": number, "details": canonical(given["details"]), "previous_hash": previous}
        previous = entry_hash(AuditEntry(**row))
        rows.append({**row, "hash": previous})
    session.execute(insert(AuditEntry), rows)
    head.entries, head.hash = number, previous
    session.flush()
