"""The schema's history, and bringing a database up to date.

Driven by code, not by a configuration file: `upgrade(engine)` is all a command needs.
An older SQLite database is copied aside before it is touched; a database written by a
later version of the program is refused and left as it is.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import SQLAlchemyError

from models.clock import utc_now
from models.database import READ_ONLY
from models.errors import DatabaseError, NewerDatabase

# Any number will do, as long as all who upgrade ask for the same one.
_POSTGRES_LOCK = 7_316_205_118


def upgrade(engine: Engine) -> Path | None:
    """Bring the database to the newest schema; returns where an older SQLite file was copied, if one was.

    Raises NewerDatabase or DatabaseError; the database is then as it was.
    """
    scripts = ScriptDirectory.from_config(alembic_config())
    newest = scripts.get_current_head()
    try:
        with engine.connect().execution_options(**{READ_ONLY: True}) as connection:
            found = MigrationContext.configure(connection).get_current_revision()
    except SQLAlchemyError as error:
        raise DatabaseError(f"{_where(engine)}: cannot be opened ({_reason(error)})") from error
    if found == newest:
        return None
    if found is not None and found not in {script.revision for script in scripts.walk_revisions()}:
        raise NewerDatabase(
            f"{_where(engine)}: was written by a later version of Lehrbook (schema {found});"
            f" this version knows schemas up to {newest}. Install the later version; nothing was changed"
        )
    copy = copy_aside(engine, found) if found is not None else None
    _run(engine)
    return copy


def current_revision(engine: Engine) -> str | None:
    """The schema's revision that the database carries; None for an empty one."""
    with engine.connect().execution_options(**{READ_ONLY: True}) as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest_revision() -> str:
    """The revision that this program works with."""
    head = ScriptDirectory.from_config(alembic_config()).get_current_head()
    if head is None:
        raise DatabaseError("the program's own migrations are missing; install it again")
    return head


def copy_aside(engine: Engine, revision: str) -> Path | None:
    """Copy a SQLite file beside itself, checked; None for other databases (their own tools back them up)."""
    database = engine.url.database
    if engine.dialect.name != "sqlite" or not database or database == ":memory:":
        return None
    source = Path(database)
    stamp = utc_now().strftime("%Y%m%dT%H%M%SZ")
    target = source.with_name(f"{source.stem}.before-upgrade-{revision}-{stamp}.sqlite3")
    copy_sqlite(source, target)
    return target


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a live SQLite database as of one moment, check the copy, then give it its name.

    One read transaction over all pages (pages=-1): it does not hold up writers and, unlike
    a copy in steps, is not started again by each of them. Raises DatabaseError.
    """
    temporary = target.with_name(f"{target.name}.{secrets.token_hex(4)}.part")
    try:
        with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(temporary)) as new:
            old.backup(new, pages=-1)
            # The copy is one file to carry away: no log beside it.
            new.execute("PRAGMA journal_mode = DELETE")
            answer = new.execute("PRAGMA quick_check").fetchone()[0]
        if answer != "ok":
            raise DatabaseError(f"{source}: its copy fails SQLite's check ({answer}); nothing was changed")
        _sync(temporary)
        temporary.rename(target)
    except (sqlite3.Error, OSError) as error:
        raise DatabaseError(
            f"{source}: cannot be copied to {target.name} ({error}); nothing was changed"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def _run(engine: Engine) -> None:
    config = alembic_config()
    try:
        with engine.connect() as connection:
            if engine.dialect.name == "sqlite":
                # Rebuilding a table would drop rows that point to it; keys are checked again at the end.
                connection.connection.cursor().execute("PRAGMA foreign_keys = OFF")
            with connection.begin():
                _take_turn(connection)
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
                _check_keys(connection)
            if engine.dialect.name == "sqlite":
                connection.connection.cursor().execute("PRAGMA foreign_keys = ON")
    except SQLAlchemyError as error:
        raise DatabaseError(f"{_where(engine)}: cannot be brought up to date ({_reason(error)})") from error


def _take_turn(connection: Connection) -> None:
    """Two servers that start at once upgrade one after the other (SQLite: BEGIN IMMEDIATE does it)."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _POSTGRES_LOCK})


def _check_keys(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        if broken is not None:
            raise DatabaseError(f"table {broken[0]}: row {broken[1]} points to a missing row of {broken[2]}")


def alembic_config() -> Config:
    """Where the migrations are; also for `write` and the tests."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
    config.set_main_option("truncate_slug_length", "60")
    return config


def _where(engine: Engine) -> str:
    if engine.dialect.name == "sqlite":
        return f"database {engine.url.database}"
    return f"database {engine.url.database} on {engine.url.host}"


def _reason(error: SQLAlchemyError) -> str:
    cause = str(getattr(error, "orig", None) or error)
    return cause.strip().split("\n")[0][:200]


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
