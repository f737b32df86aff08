"""The chain of acts: who did what, when and from where."""

from __future__ import annotations

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import BIG, Base, Id, LongText, Moment, Name, Sha256, Short, link


class AuditEntry(Base):
    """One act. Entries are numbered without gaps and each carries the hash of the one before."""

    __tablename__ = "audit_entry"
    __table_args__ = (Index(None, "subject_kind", "subject_id"),)

    id: Mapped[Id] = mapped_column(autoincrement=False, comment="place in the chain, from 1")
    at: Mapped[Moment] = mapped_column(index=True)
    user_id: Mapped[int | None] = link("user_account.id", "who; empty: the program itself")
    who: Mapped[Name] = mapped_column(comment="name as it was then")
    origin: Mapped[Name] = mapped_column(comment="from where: tablet address, command line, import file")
    action: Mapped[Short] = mapped_column(comment="such as find.dismiss")
    subject_kind: Mapped[Short] = mapped_column(comment="table of the record acted on")
    subject_id: Mapped[int | None]
    sheet_id: Mapped[int | None] = link("sheet.id", "the sheet it concerns, for its history", index=True)
    details: Mapped[LongText] = mapped_column(comment="canonical JSON; text, so that its hash is stable")
    previous_hash: Mapped[Sha256]
    hash: Mapped[Sha256] = mapped_column(unique=True)


class AuditHead(Base):
    """The one row that says where the chain ends; also the lock under which it grows."""

    __tablename__ = "audit_head"

    id: Mapped[Id] = mapped_column(autoincrement=False, comment="always 1")
    entries: Mapped[int] = mapped_column(BIG, comment="number of the last entry")
    hash: Mapped[Sha256] = mapped_column(comment="hash of the last entry")
