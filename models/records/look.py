"""Looks: who or what looked at which part of a sheet, how and when. Added to, never overwritten."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, Moment, Name, Short, link, one_of
from models.records.sheet import Sheet

#: eye: a person looked.  photo: a camera did.  both: a person and a camera
LOOK_WAYS = ("eye", "photo", "both")
LOOK_SOURCES = ("booth", "import")


class Look(Base):
    """One statement of what was looked at. The photos of a sheet speak for themselves and have none."""

    __tablename__ = "look"
    __table_args__ = (one_of("way", LOOK_WAYS), one_of("source", LOOK_SOURCES))

    id: Mapped[Id]
    sheet_id: Mapped[int] = link("sheet.id", "the sheet", index=True)
    looked: Mapped[bool] = mapped_column(comment="false: it is known that nobody looked")
    way: Mapped[Short | None] = mapped_column(comment="eye, photo or both; empty: not known")
    parts_mm: Mapped[list[Any] | None] = mapped_column(
        comment="boxes [x0, y0, x1, y1] in sheet mm; empty: the whole sheet"
    )
    lighting: Mapped[Short | None] = mapped_column(comment="dark_field or bright_field; empty: not known")
    distance_mm: Mapped[float | None] = mapped_column(comment="from how far; empty: not known")
    smallest_mm: Mapped[float | None] = mapped_column(
        comment="smallest size that is surely seen so; empty: not known"
    )
    looked_at: Mapped[datetime | None] = mapped_column(comment="when; empty: not known")
    looked_by: Mapped[Name | None] = mapped_column(comment="who, as told; empty: not known")
    recorded_at: Mapped[Moment] = mapped_column(comment="when this row was written")
    recorded_by: Mapped[int | None] = link("user_account.id", "who wrote this row; empty: an import")
    source: Mapped[Short] = mapped_column(comment="booth or import")
    current: Mapped[bool] = mapped_column(comment="counts today; false: taken back")

    sheet: Mapped[Sheet] = relationship()
