"""Sheets: cut pieces of ribbon."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, Moment, Name, Short, link, one_of
from models.records.order import Pack
from models.records.plant import Line

#: waiting: to be inspected. in_work: an inspector has taken it. finished: inspected here, with a verdict.
#: recorded: inspected outside this program, if at all; its defects came by import.
#: passed_by: went on without inspection. Which part of it was looked at is another question:
#: `looked_fraction`.
SHEET_STATES = ("waiting", "in_work", "finished", "recorded", "passed_by")


class Sheet(Base):
    """A cut piece of ribbon with a label, a place on the ribbon and dimensions."""

    __tablename__ = "sheet"
    __table_args__ = (
        one_of("state", SHEET_STATES),
        Index(None, "line_id", "ribbon_start_m"),
        Index(None, "line_id", "state", "ribbon_start_m"),
        Index(None, "line_id", "inspected_at"),
    )

    id: Mapped[Id]
    label: Mapped[Name] = mapped_column(unique=True, comment="sheet_id in plant files")
    line_id: Mapped[int] = link("line.id", "the line that made it")
    pack_id: Mapped[int | None] = link("pack.id", "empty: not packed", index=True)
    cut_at: Mapped[Moment] = mapped_column(comment="as stamped by the line's clock, which may step")
    ribbon_start_m: Mapped[float] = mapped_column(comment="ribbon metre of the leading edge")
    x_left_mm: Mapped[float] = mapped_column(comment="left edge, from the ribbon's left gross edge")
    length_mm: Mapped[float] = mapped_column(comment="along the ribbon")
    width_mm: Mapped[float] = mapped_column(comment="across the ribbon")
    thickness_mm: Mapped[float]
    grade_id: Mapped[Name | None] = mapped_column(comment="grade it is cut for; a pack's order goes before")
    answers: Mapped[dict[str, Any] | None] = mapped_column(
        comment="what an inspector answered to the questions of a grade, by question name"
    )
    optical_angle_deg: Mapped[float | None] = mapped_column(comment="where distortion was first seen")
    state: Mapped[Short]
    taken_by: Mapped[int | None] = link("user_account.id", "inspector who has it in work")
    taken_at: Mapped[datetime | None]
    inspected_by: Mapped[int | None] = link("user_account.id", "inspector who finished it")
    inspected_at: Mapped[datetime | None] = mapped_column(comment="when inspection was finished")
    shift_id: Mapped[int | None] = link("shift.id", "shift in which it was inspected", index=True)
    looked_fraction: Mapped[float | None] = mapped_column(
        comment="part of it that was looked at, 0 to 1, by its looks and photos; empty: nobody knows"
    )

    line: Mapped[Line] = relationship()
    pack: Mapped[Pack | None] = relationship()
