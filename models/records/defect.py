"""Defects: what stands in the books, as revisions that are added and never overwritten."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, LongText, Moment, Short, link, one_of
from models.records.sheet import Sheet

DEFECT_SOURCES = ("photo", "hand", "import")


class Defect(Base):
    """One revision of one defect.

    A correction is a new row that names the row it `supersedes`. `current` marks the
    rows that count today: the last of its chain, and not withdrawn. So every rate and
    map asks for `current` alone. Only that flag of an older row is ever changed.
    """

    __tablename__ = "defect"
    __table_args__ = (
        one_of("source", DEFECT_SOURCES),
        # Maps and rates over millions of rows are answered from these two indexes alone.
        Index("ix_defect_ribbon", "line_id", "current", "ribbon_m", "kind", "ribbon_x_mm", "length_mm"),
        Index("ix_defect_found", "line_id", "current", "found_at", "kind"),
    )

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line; copied from the sheet for maps")
    sheet_id: Mapped[int] = link("sheet.id", "the sheet", index=True)
    number: Mapped[int] = mapped_column(comment="on its sheet, from 1; the same in all revisions")
    find_id: Mapped[int | None] = link("find.id", "the find it came from", index=True)
    source: Mapped[Short] = mapped_column(comment="photo, hand or import")
    kind: Mapped[Short]
    x_mm: Mapped[float | None] = mapped_column(comment="sheet mm across; empty: photo without scale")
    y_mm: Mapped[float | None] = mapped_column(comment="sheet mm along, from the leading edge")
    length_mm: Mapped[float | None] = mapped_column(
        comment="nucleus, or arc length of a scratch; empty: not sized"
    )
    width_mm: Mapped[float | None]
    halo_mm: Mapped[float | None]
    length_sd_mm: Mapped[float | None]
    width_sd_mm: Mapped[float | None]
    detection_distance_mm: Mapped[float | None] = mapped_column(comment="from how far it is seen, as entered")
    angle_deg: Mapped[float | None]
    path_mm: Mapped[list[Any] | None]
    open_at_mm: Mapped[list[Any] | None] = mapped_column(
        comment="[x, y] where it runs out of all photos; its length is then at least length_mm"
    )
    ribbon_m: Mapped[float | None] = mapped_column(comment="ribbon_start_m + y_mm / 1000")
    ribbon_x_mm: Mapped[float | None] = mapped_column(comment="x_left_mm + x_mm")
    found_at: Mapped[Moment] = mapped_column(comment="when it was seen, as stamped")
    note: Mapped[LongText | None]
    recorded_at: Mapped[Moment] = mapped_column(comment="when this row was written")
    recorded_by: Mapped[int | None] = link("user_account.id", "who wrote this row; empty: an import")
    supersedes_id: Mapped[int | None] = link("defect.id", "the row this one corrects", unique=True)
    withdrawn: Mapped[bool] = mapped_column(comment="this revision says: it is not a defect")
    current: Mapped[bool] = mapped_column(comment="counts today")

    sheet: Mapped[Sheet] = relationship()
