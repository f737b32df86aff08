"""Orders: who gets which glass, in which grade."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Mapped, mapped_column, relationship

from models.records.base import Base, Id, Moment, Name, Short, link, one_of

USES = ("stock", "cut_size")


class Customer(Base):
    """Who buys glass."""

    __tablename__ = "customer"

    id: Mapped[Id]
    name: Mapped[Name] = mapped_column(unique=True)
    created_at: Mapped[Moment]


class Pack(Base):
    """Sheets stacked for one order."""

    __tablename__ = "pack"
    __table_args__ = (one_of("use", USES),)

    id: Mapped[Id]
    label: Mapped[Name] = mapped_column(
        unique=True, comment="what stands on the pack; pack_id in plant files"
    )
    customer_id: Mapped[int | None] = link("customer.id", "empty: not sold yet", index=True)
    grade_id: Mapped[Name | None] = mapped_column(comment="grade ordered; empty: none named")
    use: Mapped[Short] = mapped_column(comment="stock or cut_size")
    created_at: Mapped[Moment]
    shipped_at: Mapped[datetime | None] = mapped_column(index=True, comment="empty: still in the yard")
    destination: Mapped[Name | None]

    customer: Mapped[Customer | None] = relationship()
