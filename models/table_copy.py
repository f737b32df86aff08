"""All rows from one database into another, empty one.

So a backup of PostgreSQL becomes a SQLite file, and goes back.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, Engine, func, insert, select, text

from models.database import READ_ONLY
from models.errors import BackupError
from models.records import Base

_CHUNK = 5000


def copy_rows(source: Engine, target: Engine, progress: Callable[[str], None] | None = None) -> int:
    """Copy every row of every table, as of one moment of the source; returns how many.

    Both have the newest schema. Raises BackupError when the target holds rows already.
    """
    options: dict[str, object] = {READ_ONLY: True}
    if source.dialect.name == "postgresql":
        options["isolation_level"] = "REPEATABLE READ"
    copied = 0
    with (
        source.connect().execution_options(**options) as old,
        target.begin() as new,
    ):
        refuse_rows(new)
        for table in Base.metadata.sorted_tables:
            if progress is not None:
                progress(f"copying table {table.name}")
            # Rows that point to others of their own table (a revision to the one before) follow them.
            query = select(table).order_by(*table.primary_key.columns)
            rows = old.execute(query.execution_options(yield_per=_CHUNK))
            for part in rows.mappings().partitions():
                new.execute(insert(table), [dict(row) for row in part])
                copied += len(part)
        if target.dialect.name == "postgresql":
            set_sequences(new)
    return copied


def refuse_rows(connection: Connection) -> None:
    """Raise BackupError when any table holds rows."""
    for table in Base.metadata.sorted_tables:
        if connection.execute(select(func.count()).select_from(table.select().limit(1).subquery())).scalar():
            raise BackupError(f"the database holds rows already (table {table.name}); nothing was changed")


def set_sequences(connection: Connection) -> None:
    """Rows came with their numbers: let PostgreSQL's counters go on after the highest."""
    for table in Base.metadata.sorted_tables:
        counter = connection.execute(
            text("SELECT pg_get_serial_sequence(:name, 'id')"), {"name": table.name}
        ).scalar()
        if counter is not None:
            highest = connection.execute(select(func.max(table.c.id))).scalar()
            if highest is not None:
                connection.execute(
                    text("SELECT setval(:counter, :value)"), {"counter": counter, "value": highest}
                )
