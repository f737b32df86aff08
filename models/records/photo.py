"""Photos of sheets and what the pipeline measured in them as a whole."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, LongText, Moment, Name, Sha256, Short, link, one_of
from models.records.sheet import Sheet

#: waiting: a job is to look at it. inspected: finds are there. failed: `message` says why not.
PHOTO_STATES = ("waiting", "inspected", "failed")


class Photo(Base):
    """One picture of (part of) a sheet. Its bytes lie in the photo store under `sha256`."""

    __tablename__ = "photo"
    __table_args__ = (one_of("state", PHOTO_STATES), UniqueConstraint("sheet_id", "sha256"))

    id: Mapped[Id]
    sheet_id: Mapped[int] = link("sheet.id", "the sheet it shows")
    sha256: Mapped[Sha256] = mapped_column(index=True, comment="of the original bytes; name in the store")
    name: Mapped[Name] = mapped_column(comment="file name as it came")
    size_bytes: Mapped[int]
    setup: Mapped[dict[str, Any] | None] = mapped_column(comment="set-up as given with the photo")
    state: Mapped[Short]
    message: Mapped[LongText | None] = mapped_column(comment="one sentence where inspection failed")
    added_at: Mapped[Moment]
    added_by: Mapped[int | None] = link("user_account.id", "who added it")
    run: Mapped[int] = mapped_column(
        comment="latest inspection of this photo, 0 before the first; finds carry it"
    )
    inspected_at: Mapped[datetime | None]
    lighting: Mapped[Short | None]
    width_px: Mapped[int | None] = mapped_column(comment="upright")
    height_px: Mapped[int | None] = mapped_column(comment="upright")
    mm_per_px: Mapped[float | None]
    scale_source: Mapped[Short | None] = mapped_column(comment="tags or given")
    scale_residual_mm: Mapped[float | None]
    smallest_sized_mm: Mapped[float | None] = mapped_column(comment="below this a find is flagged, not sized")
    covered_mm: Mapped[list[Any] | None] = mapped_column(comment="[x0, y0, x1, y1] in sheet mm")
    covered_fraction: Mapped[float | None]
    result: Mapped[dict[str, Any] | None] = mapped_column(
        comment="the rest of the inspection: frame, blur, flags, messages, timings"
    )

    sheet: Mapped[Sheet] = relationship()
