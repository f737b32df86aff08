"""People who sign in."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Short, one_of

ROLES = ("inspector", "quality_lead", "claims_desk", "administrator")


class User(Base):
    """A person with a role. Passwords and PINs are kept as salted scrypt hashes only."""

    __tablename__ = "user_account"  # "user" is a reserved word of PostgreSQL
    __table_args__ = (one_of("role", ROLES),)

    id: Mapped[Id]
    name: Mapped[Name] = mapped_column(unique=True, comment="what is typed to sign in, lower case")
    full_name: Mapped[Name] = mapped_column(comment="as printed on a dossier")
    role: Mapped[Short]
    password_hash: Mapped[LongText | None]
    pin_hash: Mapped[LongText | None] = mapped_column(comment="for tablets; empty: password only")
    failed_tries: Mapped[int]
    locked_until: Mapped[datetime | None]
    disabled_at: Mapped[datetime | None]
    created_at: Mapped[Moment]
    last_seen_at: Mapped[datetime | None]
    sign_in_stamp: Mapped[Short] = mapped_column(
        comment="changes with password, PIN or disabling; ends old sessions"
    )
