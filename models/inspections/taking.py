"""Sheets on their way through the booth: which is next, who has it, and the lock on one."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import NoSuchSheet, NotAllowedNow
from models.records import Line, Sheet, Shift


def next_sheet(session: Session, line_id: int, user_id: int | None = None) -> Sheet | None:
    """The sheet to take now: one that this user has in work already, else the first that waits; or None."""
    if user_id is not None:
        mine = select(Sheet).where(
            Sheet.line_id == line_id, Sheet.state == "in_work", Sheet.taken_by == user_id
        )
        started = session.scalars(mine.order_by(Sheet.taken_at).limit(1)).one_or_none()
        if started is not None:
            return started
    return session.scalars(_waiting(line_id)).one_or_none()


def take_next(session: Session, line_id: int, user_id: int, *, anew: bool = False) -> Sheet | None:
    """Take the next sheet of a line for this user; two inspectors who ask at once get two sheets.

    anew : leave what this user has in work aside and take one that waits.
    """
    started = None if anew else next_sheet(session, line_id, user_id)
    if started is not None and started.state == "in_work":
        return started
    query = (
        _waiting(line_id)
        .with_for_update(skip_locked=True, key_share=True)
        .execution_options(populate_existing=True)
    )
    sheet = session.scalars(query).one_or_none()
    return None if sheet is None else take_sheet(session, sheet.id, user_id)


def take_sheet(session: Session, sheet_id: int, user_id: int | None) -> Sheet:
    """Take a sheet into work. Taking over from a colleague is allowed and written down.

    Raises NotAllowedNow for a sheet that is finished.
    """
    sheet = open_sheet(session, sheet_id, user_id)
    if sheet.taken_by != user_id:
        before = sheet.taken_by
        sheet.taken_by, sheet.taken_at = user_id, utc_now()
        audit.append(
            session, "sheet.take_over", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id,
            details={"from_user_id": before},
        )  # fmt: skip
    return sheet


def give_back(session: Session, sheet_id: int, user_id: int | None) -> Sheet:
    """Put a sheet in work back among those that wait; what was done to it stays."""
    sheet = lock_sheet(session, sheet_id)
    if sheet.state != "in_work":
        raise NotAllowedNow(f"sheet {sheet.label}: is not in work, so it cannot be given back")
    sheet.state, sheet.taken_by, sheet.taken_at = "waiting", None, None
    audit.append(session, "sheet.give_back", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id)
    return sheet


def pass_by(session: Session, sheet_id: int, user_id: int | None) -> Sheet:
    """Let a waiting sheet go on without inspection; it then counts as not looked at."""
    sheet = lock_sheet(session, sheet_id)
    if sheet.state != "waiting":
        raise NotAllowedNow(
            f"sheet {sheet.label}: is {_words(sheet.state)}; only a waiting sheet can pass by"
        )
    sheet.state, sheet.looked_fraction = "passed_by", 0.0
    audit.append(session, "sheet.pass_by", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id)
    return sheet


def sheet_by_label(session: Session, text: str) -> Sheet:
    """The sheet with this label, as typed or scanned. Raises NoSuchSheet."""
    label = " ".join(text.split())
    if not label:
        raise NoSuchSheet("no label given; expected what stands on the sheet, such as L1-0004711")
    for wanted in dict.fromkeys((label, label.upper())):
        sheet = session.scalars(select(Sheet).where(Sheet.label == wanted)).one_or_none()
        if sheet is not None:
            return sheet
    raise NoSuchSheet(
        f"sheet {label[:60]!r}: no sheet carries this label; check it, or wait until the line has sent it"
    )


def lock_sheet(session: Session, sheet_id: int) -> Sheet:
    """The sheet, with others' acts on it held off until this transaction ends. Raises NoSuchSheet."""
    query = select(Sheet).where(Sheet.id == sheet_id).with_for_update(key_share=True)
    sheet = session.scalars(query.execution_options(populate_existing=True)).one_or_none()
    if sheet is None:
        raise NoSuchSheet(f"sheet number {sheet_id}: there is no such sheet")
    return sheet


def open_sheet(session: Session, sheet_id: int, user_id: int | None) -> Sheet:
    """The sheet, locked and in work, for an act on it; a sheet that waits is taken by this user.

    Raises NotAllowedNow when it is finished: it has to be opened again first, knowingly.
    """
    sheet = lock_sheet(session, sheet_id)
    if sheet.state in ("finished", "recorded"):
        raise NotAllowedNow(f"sheet {sheet.label}: is finished; open it again before you change anything")
    if sheet.state != "in_work":
        sheet.state, sheet.taken_by, sheet.taken_at = "in_work", user_id, utc_now()
        audit.append(session, "sheet.take", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id)
    return sheet


def reopen_sheet(session: Session, sheet_id: int, user_id: int | None, reason: str) -> Sheet:
    """Open a finished sheet again; its verdict stands until it is finished anew."""
    sheet = lock_sheet(session, sheet_id)
    if sheet.state not in ("finished", "recorded", "passed_by"):
        raise NotAllowedNow(f"sheet {sheet.label}: is {_words(sheet.state)} and need not be opened again")
    if not reason.strip():
        raise NotAllowedNow(f"sheet {sheet.label}: say why it is opened again")
    sheet.state, sheet.taken_by, sheet.taken_at, sheet.looked_fraction = "in_work", user_id, utc_now(), 0.0
    audit.append(
        session, "sheet.reopen", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id,
        details={"reason": reason.strip()[:2000]},
    )  # fmt: skip
    return sheet


def shift_at(session: Session, line_id: int, moment: datetime) -> Shift | None:
    """The shift that was on at this moment, or None."""
    query = select(Shift).where(Shift.line_id == line_id, Shift.start_at <= moment, Shift.end_at > moment)
    return session.scalars(query.order_by(Shift.start_at.desc()).limit(1)).one_or_none()


def lines(session: Session) -> list[Line]:
    """All lines by name."""
    return list(session.scalars(select(Line).order_by(Line.name)))


def _waiting(line_id: int) -> Select[Sheet]:
    query = select(Sheet).where(Sheet.line_id == line_id, Sheet.state == "waiting")
    return query.order_by(Sheet.ribbon_start_m, Sheet.id).limit(1)


def _words(state: str) -> str:
    return state.replace("_", " ")
