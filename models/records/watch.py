"""Episodes that the watch has noticed, and who has seen the notice."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Short, link


class EpisodeNotice(Base):
    """A new or growing episode, as last traced."""

    __tablename__ = "episode_notice"
    __table_args__ = (Index(None, "line_id", "closed_at"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    kind: Mapped[Short]
    x_lo_mm: Mapped[float]
    x_hi_mm: Mapped[float]
    from_m: Mapped[float] = mapped_column(comment="ribbon metre at which it was first seen")
    to_m: Mapped[float]
    seen_start: Mapped[Moment]
    seen_end: Mapped[Moment]
    p_value: Mapped[float]
    result: Mapped[dict[str, Any]] = mapped_column(comment="the traced episode as in the trace result")
    noticed_at: Mapped[Moment]
    updated_at: Mapped[Moment]
    closed_at: Mapped[datetime | None] = mapped_column(comment="empty: still going on or not acknowledged")
    acknowledged_at: Mapped[datetime | None]
    acknowledged_by: Mapped[int | None] = link("user_account.id", "who has seen it")
    note: Mapped[LongText | None]
