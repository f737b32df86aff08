"""Databases for the tests: SQLite always, PostgreSQL where LEHRBOOK_TEST_POSTGRES_URL names a server.

The tables are made once a test worker, by the migrations; between tests SQLite gets a fresh copy
of that empty file and PostgreSQL (one schema a worker) has its tables emptied.
"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session, sessionmaker

from models import database, migrations
from models.records import Base
from models.store import PhotoStore

POSTGRES_URL = os.environ.get("LEHRBOOK_TEST_POSTGRES_URL", "")
NO_POSTGRES = "LEHRBOOK_TEST_POSTGRES_URL names no PostgreSQL server"


@pytest.fixture(scope="session")
def empty_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite file with all tables and no rows, to be copied."""
    path = tmp_path_factory.mktemp("empty") / "empty.sqlite3"
    engine = database.open_engine(database.sqlite_url(path))
    migrations.upgrade(engine)
    with engine.connect() as connection:
        connection.connection.cursor().execute("PRAGMA journal_mode = DELETE")
    engine.dispose()
    return path


def schema_url(schema: str) -> str:
    """The address of one schema of the test server."""
    joint = "&" if "?" in POSTGRES_URL else "?"
    return f"{POSTGRES_URL}{joint}options=-csearch_path%3D{schema}"


@pytest.fixture(scope="session")
def postgres_schema(worker_id: str) -> Iterator[str]:
    """A schema of this test worker's own with all tables."""
    if not POSTGRES_URL:
        pytest.skip(NO_POSTGRES)
    schema = f"lehrbook_test_{worker_id}_{os.getpid()}"
    server = database.open_engine(POSTGRES_URL)
    with server.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    engine = database.open_engine(schema_url(schema))
    migrations.upgrade(engine)
    engine.dispose()
    yield schema
    with server.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    server.dispose()


@pytest.fixture(
    params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)],
)
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a database with all tables and no rows; each test runs on both kinds."""
    if request.param == "sqlite":
        path = tmp_path / database.FILE_NAME
        shutil.copy(request.getfixturevalue("empty_sqlite"), path)
        return database.sqlite_url(path)
    url = schema_url(request.getfixturevalue("postgres_schema"))
    engine = database.open_engine(url)
    names = ", ".join(f'"{table.name}"' for table in Base.metadata.sorted_tables)
    with engine.begin() as connection:
        connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))
    engine.dispose()
    return url


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    """An engine on an empty database; on SQLite and on PostgreSQL in turn."""
    engine = database.open_engine(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def sessions(engine: Engine) -> sessionmaker[Session]:
    """Makes sessions on the test's database."""
    return database.session_factory(engine)


@pytest.fixture
def session(sessions: sessionmaker[Session]) -> Iterator[Session]:
    """One open session on the test's database; what it has not committed is undone at the end."""
    with sessions() as session:
        yield session


@pytest.fixture
def sqlite_home(tmp_path: Path, empty_sqlite: Path) -> Path:
    """A data folder with an empty SQLite database in it."""
    home = tmp_path / "home"
    home.mkdir()
    shutil.copy(empty_sqlite, home / database.FILE_NAME)
    return home


@pytest.fixture
def store(tmp_path: Path) -> PhotoStore:
    """An empty photo store."""
    return PhotoStore(tmp_path / "photos")
