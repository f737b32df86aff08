"""Verdicts, kept with all they rest on, so that each can be worked out again."""

from __future__ import annotations

from typing import Any

from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, Moment, Name, Sha256, Short, link, one_of
from models.records.order import USES
from models.records.sheet import Sheet

OUTCOMES = ("accept", "downgrade", "reject", "not_judged")


class Verdict(Base):
    """What was decided about a sheet, by which rules, over which defects. Never changed but for `current`."""

    __tablename__ = "verdict"
    __table_args__ = (one_of("outcome", OUTCOMES), one_of("use", USES))

    id: Mapped[Id]
    sheet_id: Mapped[int] = link("sheet.id", "the sheet", index=True)
    grade_id: Mapped[Name] = mapped_column(comment="grade ordered")
    use: Mapped[Short]
    rule_set_version: Mapped[Name]
    rule_set_sha256: Mapped[Sha256] = mapped_column(comment="of the rule set's file as it was then")
    outcome: Mapped[Short]
    downgrade_to: Mapped[Name | None] = mapped_column(comment="best grade that the sheet meets")
    close_call: Mapped[bool] = mapped_column(comment="a size within its uncertainty of a limit")
    reasons: Mapped[list[Any]] = mapped_column(comment="clause by clause, for the ordered grade")
    ladder: Mapped[list[Any] | None] = mapped_column(comment="outcome and reasons of each grade tried")
    defects: Mapped[list[Any]] = mapped_column(comment="the defects it saw, with their row ids")
    sheet_as_judged: Mapped[dict[str, Any]] = mapped_column(comment="its dimensions, answers and the like")
    coverage: Mapped[dict[str, Any]] = mapped_column(
        comment="what was photographed, how finely, what is missing"
    )
    decided_at: Mapped[Moment] = mapped_column(index=True)
    decided_by: Mapped[int | None] = link("user_account.id", "who finished the sheet")
    supersedes_id: Mapped[int | None] = link("verdict.id", "the earlier verdict", unique=True)
    current: Mapped[bool] = mapped_column(comment="the verdict that holds now")

    sheet: Mapped[Sheet] = relationship()
