"""Engine and sessions for SQLite and PostgreSQL. Nothing is opened at import.

SQLite runs in WAL mode: readers never wait, one writer at a time. A session that will
write starts with BEGIN IMMEDIATE, so that it waits its turn at the start instead of
failing half way, when another writer has moved on beneath what it has read.

PostgreSQL locks rows instead. Rows are locked in one order (sheet or user, then job, the head of the
chain of acts last) and with `key_share`, FOR NO KEY UPDATE: rows that only point to a locked row
can still be written, or two acts by one person could wait for each other for ever.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError
from sqlalchemy.orm import Session, sessionmaker

from models.errors import DatabaseError

FILE_NAME = "lehrbook.sqlite3"
BUSY_TIMEOUT_MS = 5000
READ_ONLY = "lehrbook_read_only"


def sqlite_url(path: Path) -> str:
    """The address of a SQLite file."""
    return f"sqlite:///{path}"


def default_url(home: Path) -> str:
    """The address of the database in this data folder."""
    return sqlite_url(home / FILE_NAME)


def open_engine(url: str) -> Engine:
    """An engine for this address. Raises DatabaseError for an address of another kind."""
    try:
        parsed = make_url(url)
        backend = parsed.get_backend_name()
    except ArgumentError:
        raise DatabaseError(
            "database address cannot be read; expected sqlite:///FILE or postgresql+psycopg://..."
        ) from None
    if backend == "sqlite":
        return _open_sqlite(url)
    if backend == "postgresql":
        return _open_postgres(url)
    raise DatabaseError(f"database of kind {backend!r} is not supported; expected sqlite or postgresql")


def session_factory(engine: Engine) -> sessionmaker[Session]:
    """Makes sessions on `engine`. Objects stay readable after a commit."""
    return sessionmaker(engine, expire_on_commit=False)


@contextmanager
def reading(factory: sessionmaker[Session]) -> Iterator[Session]:
    """A session that only reads; on SQLite it takes no write lock."""
    with factory() as session:
        session.connection(execution_options={READ_ONLY: True})
        yield session
        session.rollback()


@contextmanager
def writing(factory: sessionmaker[Session]) -> Iterator[Session]:
    """A session whose work is committed at the end, or not at all."""
    with factory.begin() as session:
        yield session


def _open_sqlite(url: str) -> Engine:
    engine = create_engine(url, connect_args={"timeout": BUSY_TIMEOUT_MS / 1000, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def on_connect(dbapi_connection: Any, _record: Any) -> None:
        # Transactions are begun by us (see on_begin), not guessed by the driver.
        dbapi_connection.isolation_level = None
        cursor = dbapi_connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA journal_mode = WAL")
        # In WAL mode NORMAL may lose the last commits with the power: an act once acknowledged must not go.
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA cache_size = -65536")
        cursor.close()

    @event.listens_for(engine, "begin")
    def on_begin(connection: Connection) -> None:
        read_only = connection.get_execution_options().get(READ_ONLY, False)
        connection.exec_driver_sql("BEGIN" if read_only else "BEGIN IMMEDIATE")

    return engine


def _open_postgres(url: str) -> Engine:
    try:
        return create_engine(url, pool_pre_ping=True)
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        raise DatabaseError(
            f"PostgreSQL needs a driver that is not installed ({error}); install lehrbook[postgres] and use"
            " postgresql+psycopg://..."
        ) from None
