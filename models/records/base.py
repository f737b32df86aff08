"""What all tables share: the declarative base, constraint names and the column types.

Column types are Annotated, so that a table reads like a list of what it holds and
a kind of column (a time, a big key, a JSON value) is described at this one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    DateTime,
    Dialect,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Text,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.orm import DeclarativeBase, mapped_column
from sqlalchemy.types import TypeDecorator

# Named constraints can be changed by a later migration on either database.
NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC in Python on both databases.

    PostgreSQL keeps `timestamp with time zone`; SQLite has no such type and keeps the
    UTC wall time as text, which sorts as time. A naive time is refused, because a
    guess at its zone would move glass by hours.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"time {value.isoformat()} has no zone; expected an aware datetime")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


# SQLite numbers rows itself only for INTEGER keys; PostgreSQL needs BIGINT for long logs.
BIG = BigInteger().with_variant(Integer, "sqlite")
# None is SQL NULL, never the JSON word null, so that IS NULL means what it says.
JSON_VALUE = JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")

Id = Annotated[int, mapped_column(BIG, primary_key=True)]
Short = Annotated[str, mapped_column(String(40))]
Name = Annotated[str, mapped_column(String(200))]
LongText = Annotated[str, mapped_column(Text)]
Sha256 = Annotated[str, mapped_column(String(64))]
Moment = Annotated[datetime, mapped_column(UtcDateTime)]


def one_of(column: str, values: Sequence[str]) -> CheckConstraint:
    """A check that `column` holds one of these words (or NULL where the column allows it)."""
    words = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} IN ({words})", name=column)


def link(target: str, comment: str, *, index: bool = False, unique: bool = False) -> Any:
    """A foreign key column to `target`, such as "sheet.id"."""
    return mapped_column(BIG, ForeignKey(target), comment=comment, index=index or None, unique=unique or None)


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy's own declarative hook
        dict[str, Any]: JSON_VALUE,
        list[Any]: JSON_VALUE,
        datetime: UtcDateTime,
    }
