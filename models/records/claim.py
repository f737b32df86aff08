"""Claims: what a customer says, and what we answer."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Short, link, one_of

CLAIM_STATES = ("open", "answered")


class Claim(Base):
    """A customer's complaint about a sheet or a pack."""

    __tablename__ = "claim"
    __table_args__ = (one_of("state", CLAIM_STATES),)

    id: Mapped[Id]
    number: Mapped[Name] = mapped_column(unique=True, comment="our reference")
    customer_id: Mapped[int | None] = link("customer.id", "who complains", index=True)
    sheet_id: Mapped[int | None] = link("sheet.id", "the sheet, where one is named", index=True)
    pack_id: Mapped[int | None] = link("pack.id", "the pack, where one is named", index=True)
    received_at: Mapped[Moment]
    says: Mapped[LongText] = mapped_column(comment="what the customer says they see")
    state: Mapped[Short]
    answer: Mapped[LongText | None]
    answered_at: Mapped[datetime | None]
    recorded_by: Mapped[int | None] = link("user_account.id", "who entered it")
    answered_by: Mapped[int | None] = link("user_account.id", "who answered")
