"""What a plant decided about rule sets: remembered tables it confirmed, grades of its own."""

from __future__ import annotations

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Sha256, link


class GradeConfirmation(Base):
    """A named person compared a remembered table with the printed standard and stands by it."""

    __tablename__ = "grade_confirmation"
    __table_args__ = (UniqueConstraint("grade_id", "rule_set_sha256"),)

    id: Mapped[Id]
    grade_id: Mapped[Name]
    rule_set_sha256: Mapped[Sha256] = mapped_column(comment="the very text that was confirmed")
    confirmed_by: Mapped[int] = link("user_account.id", "who confirmed")
    confirmed_at: Mapped[Moment]
    note: Mapped[LongText | None]


class PlantGrade(Base):
    """A grade the plant wrote itself; each change is a new row with a new version."""

    __tablename__ = "plant_grade"
    __table_args__ = (UniqueConstraint("grade_id", "version"),)

    id: Mapped[Id]
    grade_id: Mapped[Name]
    version: Mapped[Name]
    toml: Mapped[LongText] = mapped_column(comment="the rule set as text")
    sha256: Mapped[Sha256]
    written_by: Mapped[int | None] = link("user_account.id", "who wrote it")
    written_at: Mapped[Moment]
    current: Mapped[bool] = mapped_column(comment="the version used for new verdicts")
