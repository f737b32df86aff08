"""Several programs are started at the same moment on a database that is empty or old."""

import subprocess
import sys
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import inspect, text

from models import database, migrations
from models.records import Base

ROOT = Path(__file__).resolve().parents[2]
UPGRADE = """
import sys
from models import database, migrations
print("ready", flush=True)
sys.stdin.readline()
engine = database.open_engine(sys.argv[1])
migrations.upgrade(engine)
with engine.begin() as connection:
    connection.exec_driver_sql(
        "INSERT INTO customer (name, created_at) VALUES ('" + sys.argv[2] + "', '2026-01-01 00:00:00+00')"
    )
"""


def start_together(url: str, count: int = 3) -> list[str]:
    """Start the programs, let them go at once, and give back what they complained about."""
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", UPGRADE, url, f"customer {n}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        for n in range(count)
    ]
    for worker in workers:
        assert worker.stdout.readline() == "ready\n"
    for worker in workers:
        worker.stdin.write("\n")
        worker.stdin.flush()
    return [error for worker in workers if (error := worker.communicate()[1])]


def check(url: str, count: int = 3) -> None:
    engine = database.open_engine(url)
    assert migrations.current_revision(engine) == migrations.newest_revision()
    assert {table.name for table in Base.metadata.sorted_tables} <= set(inspect(engine).get_table_names())
    with engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM customer")).scalar() == count
    engine.dispose()


def test_on_no_database_yet(tmp_path):
    url = database.sqlite_url(tmp_path / "plant.sqlite3")
    assert start_together(url) == []
    check(url)


def test_on_an_older_database(tmp_path):
    url = database.sqlite_url(tmp_path / "plant.sqlite3")
    engine, config = database.open_engine(url), migrations.alembic_config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    assert start_together(url) == []
    check(url)


@pytest.mark.postgres
def test_on_an_empty_schema_of_postgresql(postgres_schema):
    from tests.conftest import POSTGRES_URL, schema_url

    server = database.open_engine(POSTGRES_URL)
    schema = f"{postgres_schema}_start"
    with server.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    try:
        assert start_together(schema_url(schema)) == []
        check(schema_url(schema))
    finally:
        with server.begin() as connection:
            connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
        server.dispose()
