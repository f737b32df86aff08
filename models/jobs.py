"""Waiting work, kept in the database: put, claim, keep alive, finish or give up.

Several workers may claim at once. On PostgreSQL a claim locks its row and skips rows that
others hold (FOR UPDATE SKIP LOCKED); on SQLite the write transaction takes its turn
(BEGIN IMMEDIATE). A worker that falls silent loses its job to the next one; what it still
delivers is refused, so results are written once.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.errors import BadValue, ClaimLost
from models.records import Job

SILENT_AFTER_S = 60.0
MAX_TRIES = 3
#: wait before the second and third try
RETRY_AFTER_S = (5.0, 30.0, 120.0)


@dataclass(frozen=True, slots=True)
class Claim:
    """A job as its worker needs it, readable after the session is closed."""

    job_id: int
    worker: str
    kind: str
    payload: dict[str, Any]
    photo_id: int | None
    tries: int


def put(
    session: Session,
    kind: str,
    payload: dict[str, Any] | None = None,
    *,
    photo_id: int | None = None,
    max_tries: int = MAX_TRIES,
) -> Job:
    """Add a job in the session's transaction: it is there exactly when the rest is."""
    if max_tries < 1:
        raise BadValue(f"job {kind}: max_tries is {max_tries}; expected 1 or more")
    now = utc_now()
    job = Job(
        kind=kind,
        payload=payload or {},
        photo_id=photo_id,
        state="waiting",
        tries=0,
        max_tries=max_tries,
        not_before=now,
        created_at=now,
        progress=0.0,
    )
    session.add(job)
    session.flush()
    return job


def claim(session: Session, worker: str, kinds: list[str], *, now: datetime | None = None) -> Claim | None:
    """Take the oldest job that is due, or None. Commit at once, then work."""
    now = now or utc_now()
    silent = now - timedelta(seconds=SILENT_AFTER_S)
    due = or_(
        (Job.state == "waiting") & (Job.not_before <= now),
        (Job.state == "running") & (Job.heartbeat_at < silent),
    )
    query = (
        select(Job)
        .where(Job.kind.in_(kinds), due)
        .order_by(Job.id)
        .limit(1)
        .with_for_update(skip_locked=True, key_share=True)
    )
    while job := session.scalars(query).one_or_none():
        if job.tries >= job.max_tries:
            # Its worker died each time: perhaps the job itself kills it, so it is not tried for ever.
            _give_up(job, now, f"stopped without a word {job.tries} times; given up")
            session.flush()
            continue
        job.state, job.worker, job.heartbeat_at = "running", worker, now
        job.tries += 1
        job.progress, job.message = 0.0, None
        session.flush()
        return Claim(job.id, worker, job.kind, dict(job.payload), job.photo_id, job.tries)
    return None


def heartbeat(
    session: Session, held: Claim, progress: float | None = None, message: str | None = None
) -> None:
    """Show a sign of life and how far it is. Raises ClaimLost when another worker has the job."""
    job = _held(session, held)
    job.heartbeat_at = utc_now()
    if progress is not None:
        job.progress = min(max(progress, 0.0), 1.0)
    if message is not None:
        job.message = message


def finish(session: Session, held: Claim, message: str | None = None) -> None:
    """Mark the job done, in the transaction that stores its results. Raises ClaimLost."""
    job = _held(session, held)
    job.state, job.progress, job.message, job.finished_at = "done", 1.0, message, utc_now()
    session.flush()


def fail(session: Session, held: Claim, message: str, *, again: bool) -> bool:
    """Say that a try failed; `again`: worth another. Returns whether there will be one. Raises ClaimLost."""
    job = _held(session, held)
    now = utc_now()
    if not again or job.tries >= job.max_tries:
        _give_up(job, now, message)
        session.flush()
        return False
    pause = RETRY_AFTER_S[min(job.tries, len(RETRY_AFTER_S)) - 1]
    job.state, job.worker, job.heartbeat_at = "waiting", None, None
    job.not_before, job.message = now + timedelta(seconds=pause), message
    session.flush()
    return True


def release(session: Session, worker: str) -> int:
    """Give back what this worker holds (an orderly stop); returns how many jobs."""
    held = session.scalars(
        select(Job).where(Job.state == "running", Job.worker == worker).with_for_update(key_share=True)
    ).all()
    for job in held:
        job.state, job.worker, job.heartbeat_at = "waiting", None, None
        job.tries -= 1
    session.flush()
    return len(held)


def counts(session: Session) -> dict[str, int]:
    """How many jobs are in each state."""
    rows = session.execute(select(Job.state, func.count()).group_by(Job.state))
    return {row[0]: row[1] for row in rows}


def _held(session: Session, held: Claim) -> Job:
    query = (
        select(Job)
        .where(Job.id == held.job_id)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    job = session.scalars(query).one_or_none()
    if job is None or job.state != "running" or job.worker != held.worker or job.tries != held.tries:
        raise ClaimLost(f"job {held.job_id}: no longer held by {held.worker}; its result is not stored")
    return job


def _give_up(job: Job, now: datetime, message: str) -> None:
    job.state, job.message, job.finished_at = "failed", message, now
