"""Runs the migrations on the connection that `models.migrations` hands over."""

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlalchemy import BigInteger

from models.records import Base
from models.records.base import JSON_VALUE, UtcDateTime


def render_item(kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    """Write our column types as plain SQLAlchemy, so that a migration stands when the program moves on."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if kind == "type" and isinstance(item, BigInteger):
        return 'sa.BigInteger().with_variant(sa.Integer(), "sqlite")'
    if kind == "type" and isinstance(item, type(JSON_VALUE)):
        return 'sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")'
    return False


connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    # SQLite cannot alter most of a table: it is rebuilt, then renamed.
    render_as_batch=True,
    render_item=render_item,
    # All steps in the one transaction that the caller has begun.
    transaction_per_migration=False,
    transactional_ddl=True,
)
context.run_migrations()
