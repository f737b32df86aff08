"""Finds: what vision flagged, kept as it was, and what an inspector decided about each."""

from __future__ import annotations

from typing import Any

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, LongText, Moment, Short, link, one_of
from models.records.photo import Photo

FIND_DECISIONS = ("confirmed", "changed", "dismissed")


class Find(Base):
    """One candidate in one photo. Never changed after it was written."""

    __tablename__ = "find"
    __table_args__ = (UniqueConstraint("photo_id", "run", "number"),)

    id: Mapped[Id]
    photo_id: Mapped[int] = link("photo.id", "the photo")
    run: Mapped[int] = mapped_column(comment="inspection of the photo it belongs to; see photo.run")
    number: Mapped[int] = mapped_column(comment="as drawn on the photo, from 1")
    kind: Mapped[Short]
    not_glass: Mapped[Short | None] = mapped_column(comment="dust, lint, marker, ...; empty: in the glass")
    x_mm: Mapped[float | None] = mapped_column(comment="sheet mm; empty without scale")
    y_mm: Mapped[float | None]
    x_px: Mapped[float]
    y_px: Mapped[float]
    length_mm: Mapped[float | None] = mapped_column(comment="nucleus; empty below the smallest size")
    width_mm: Mapped[float | None]
    halo_mm: Mapped[float | None]
    length_sd_mm: Mapped[float | None] = mapped_column(comment="standard uncertainty of the length")
    width_sd_mm: Mapped[float | None]
    length_px: Mapped[float | None]
    width_px: Mapped[float | None]
    angle_deg: Mapped[float | None]
    path_mm: Mapped[list[Any] | None]
    path_px: Mapped[list[Any] | None]
    score: Mapped[float]
    kind_scores: Mapped[dict[str, Any] | None]
    not_glass_scores: Mapped[dict[str, Any] | None]
    contrast: Mapped[float | None]
    box_px: Mapped[list[Any] | None] = mapped_column(comment="[x, y, w, h]")
    flags: Mapped[list[Any] | None]
    same_as_id: Mapped[int | None] = link(
        "find.id", "the same spot in an earlier photo of the sheet; it counts once"
    )

    photo: Mapped[Photo] = relationship()


class FindDecision(Base):
    """An inspector's word about a find. A later word supersedes an earlier one, which stays."""

    __tablename__ = "find_decision"
    __table_args__ = (one_of("decision", FIND_DECISIONS),)

    id: Mapped[Id]
    find_id: Mapped[int] = link("find.id", "the find", index=True)
    decision: Mapped[Short]
    defect_id: Mapped[int | None] = link("defect.id", "the defect row written with it; empty when dismissed")
    reason: Mapped[LongText | None]
    decided_at: Mapped[Moment]
    decided_by: Mapped[int | None] = link("user_account.id", "who decided")
    supersedes_id: Mapped[int | None] = link("find_decision.id", "the earlier word", unique=True)
    current: Mapped[bool] = mapped_column(comment="the word that holds now")


class FindPair(Base):
    """A person's decision that two finds are one defect, or two. A later one supersedes it."""

    __tablename__ = "find_pair"

    id: Mapped[Id]
    first_id: Mapped[int] = link("find.id", "the one find", index=True)
    second_id: Mapped[int] = link("find.id", "the other find", index=True)
    same: Mapped[bool] = mapped_column(comment="true: one defect; false: two")
    decided_at: Mapped[Moment]
    decided_by: Mapped[int | None] = link("user_account.id", "who decided")
    current: Mapped[bool] = mapped_column(comment="the decision that holds now")
