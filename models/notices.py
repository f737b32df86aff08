"""Notices of episodes: which are open, and who has seen one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord, NotAllowedNow
from models.records import EpisodeNotice, User

__all__ = ["Notice", "acknowledge", "notices_of_glass", "open_notices"]

MOST_LETTERS = 2000


@dataclass(frozen=True, slots=True)
class Notice:
    """A notice as pages show it; `acknowledged_by` is a full name, None while nobody has seen it."""

    id: int
    line_id: int
    kind: str
    x_lo_mm: float
    x_hi_mm: float
    from_m: float
    to_m: float
    seen_start: datetime
    seen_end: datetime
    count: int | None
    expected: float | None
    section: str | None
    noticed_at: datetime
    updated_at: datetime
    acknowledged_at: datetime | None
    acknowledged_by: str | None
    note: str | None


def open_notices(session: Session, line_id: int) -> tuple[Notice, ...]:
    """The notices of a line that are not closed, those that nobody has seen first, then the latest first."""
    rows = session.execute(
        select(EpisodeNotice, User.full_name)
        .outerjoin(User, User.id == EpisodeNotice.acknowledged_by)
        .where(EpisodeNotice.line_id == line_id, EpisodeNotice.closed_at.is_(None))
        .order_by(EpisodeNotice.acknowledged_at.is_not(None), EpisodeNotice.updated_at.desc())
    )
    return tuple(_notice(row, name) for row, name in rows)


def notices_of_glass(
    session: Session, line_id: int, from_m: float, to_m: float, x_lo_mm: float, x_hi_mm: float
) -> tuple[Notice, ...]:
    """All notices, open or closed, whose stretch and band this glass lies in, the earliest first."""
    rows = session.execute(
        select(EpisodeNotice, User.full_name)
        .outerjoin(User, User.id == EpisodeNotice.acknowledged_by)
        .where(
            EpisodeNotice.line_id == line_id,
            EpisodeNotice.from_m <= to_m,
            EpisodeNotice.to_m >= from_m,
            EpisodeNotice.x_lo_mm <= x_hi_mm,
            EpisodeNotice.x_hi_mm >= x_lo_mm,
        )
        .order_by(EpisodeNotice.seen_start, EpisodeNotice.id)
    )
    return tuple(_notice(row, name) for row, name in rows)


def acknowledge(session: Session, notice_id: int, user_id: int, note: str) -> None:
    """Put a name, a time and a note under a notice; the act goes into the hash chain.

    Raises
    ------
    NoSuchRecord
        if there is no such notice.
    NotAllowedNow
        if somebody has acknowledged it before.
    BadValue
        if the note is longer than MOST_LETTERS.
    """
    notice = session.get(EpisodeNotice, notice_id)
    if notice is None:
        raise NoSuchRecord(f"notice {notice_id}: there is no such notice")
    text = note.strip()
    if len(text) > MOST_LETTERS:
        raise BadValue(f"note: {len(text)} letters; expected at most {MOST_LETTERS}")
    if notice.acknowledged_at is not None:
        raise NotAllowedNow(f"notice {notice_id} was acknowledged before; reload the page to see by whom")
    notice.acknowledged_at = utc_now()
    notice.acknowledged_by = user_id
    notice.note = text or None
    session.flush()
    details = {"kind": notice.kind, "from_m": notice.from_m, "note": text}
    audit.append(session, "notice.acknowledge", "episode_notice", notice.id, user_id=user_id, details=details)


def _notice(row: EpisodeNotice, name: str | None) -> Notice:
    return Notice(
        id=row.id,
        line_id=row.line_id,
        kind=row.kind,
        x_lo_mm=row.x_lo_mm,
        x_hi_mm=row.x_hi_mm,
        from_m=row.from_m,
        to_m=row.to_m,
        seen_start=row.seen_start,
        seen_end=row.seen_end,
        count=row.result.get("count"),
        expected=row.result.get("expected"),
        section=row.result.get("origin_section"),
        noticed_at=row.noticed_at,
        updated_at=row.updated_at,
        acknowledged_at=row.acknowledged_at,
        acknowledged_by=name,
        note=row.note,
    )
