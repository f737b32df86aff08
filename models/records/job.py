"""Work that waits in the database, so that a restart goes on where it stopped."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Short, link, one_of

JOB_STATES = ("waiting", "running", "done", "failed")


class Job(Base):
    """One piece of work."""

    __tablename__ = "job"
    __table_args__ = (one_of("state", JOB_STATES), Index(None, "state", "not_before"))

    id: Mapped[Id]
    kind: Mapped[Short] = mapped_column(comment="which worker: inspect_photo, ...")
    payload: Mapped[dict[str, Any]]
    photo_id: Mapped[int | None] = link("photo.id", "the photo it is about", index=True)
    state: Mapped[Short]
    tries: Mapped[int]
    max_tries: Mapped[int]
    not_before: Mapped[Moment] = mapped_column(comment="earliest moment of the next try")
    created_at: Mapped[Moment]
    worker: Mapped[Name | None] = mapped_column(comment="who has claimed it")
    heartbeat_at: Mapped[datetime | None] = mapped_column(comment="last sign of life of the worker")
    finished_at: Mapped[datetime | None]
    progress: Mapped[float] = mapped_column(comment="0 to 1")
    message: Mapped[LongText | None] = mapped_column(comment="what it is doing, or why it gave up")
