"""The photo set-ups that a booth has saved: offered, chosen, replaced, no longer offered.

What a set-up means is not known here: its content is checked where photos are known, before it is saved.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.records import Line, SavedSetup


def list_setups(session: Session, line_id: int) -> list[SavedSetup]:
    """The set-ups offered on this line, the first choice first, then by name."""
    query = select(SavedSetup).where(SavedSetup.line_id == line_id, SavedSetup.retired_at.is_(None))
    return list(session.scalars(query.order_by(SavedSetup.first_choice.desc(), SavedSetup.name)))


def saved_setup(session: Session, setup_id: int) -> SavedSetup:
    """The set-up of this number. Raises NoSuchRecord for one that is not offered."""
    found = session.get(SavedSetup, setup_id)
    if found is None or found.retired_at is not None:
        raise NoSuchRecord(f"set-up {setup_id}: no such set-up is saved; choose another one")
    return found


def save_setup(
    session: Session,
    line_id: int,
    name: str,
    setup: dict[str, Any],
    *,
    first_choice: bool,
    user_id: int | None,
) -> SavedSetup:
    """Save a set-up under a name; one of the same name on the line is replaced. Raises BadValue."""
    name = " ".join(name.split())
    if not 1 <= len(name) <= 100 or not name.isprintable():
        raise BadValue("set-up name: expected 1 to 100 printable characters")
    if session.get(Line, line_id) is None:
        raise NoSuchRecord(f"line {line_id}: there is no such line")
    query = select(SavedSetup).where(SavedSetup.line_id == line_id, SavedSetup.name == name)
    saved = session.scalars(query).one_or_none()
    if first_choice:
        for other in list_setups(session, line_id):
            other.first_choice = False
    if saved is None:
        saved = SavedSetup(line_id=line_id, name=name, created_at=utc_now())
        session.add(saved)
    saved.setup, saved.created_by, saved.retired_at = setup, user_id, None
    saved.first_choice = first_choice
    session.flush()
    audit.append(
        session,
        "setup.save",
        "saved_setup",
        saved.id,
        user_id=user_id,
        details={"name": name, "setup": setup, "first_choice": first_choice},
    )
    return saved


def retire_setup(session: Session, setup_id: int, *, user_id: int | None) -> None:
    """Stop offering a set-up. Raises NoSuchRecord."""
    saved = saved_setup(session, setup_id)
    saved.retired_at, saved.first_choice = utc_now(), False
    audit.append(
        session, "setup.retire", "saved_setup", saved.id, user_id=user_id, details={"name": saved.name}
    )
