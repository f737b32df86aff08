"""The migrations make exactly the tables that the program uses, on both databases."""

import sqlite3
from contextlib import closing

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Engine, inspect, text

from models import database, migrations
from models.errors import DatabaseError, NewerDatabase
from models.records import Base


def test_migrated_tables_equal_the_declared_ones(engine: Engine):
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_word_checks_are_in_the_database_too(engine: Engine):
    """Alembic compares no CHECK constraints: compare them here, by name."""
    declared = {
        table.name: {
            str(constraint.name)
            for constraint in table.constraints
            if type(constraint).__name__ == "CheckConstraint"
        }
        for table in Base.metadata.sorted_tables
    }
    reader = inspect(engine)
    found = {name: {check["name"] for check in reader.get_check_constraints(name)} for name in declared}
    assert found == declared


def test_every_migration_says_what_it_does_in_its_name():
    from alembic.script import ScriptDirectory

    scripts = list(ScriptDirectory.from_config(migrations.alembic_config()).walk_revisions())
    assert [script.revision for script in reversed(scripts)] == [f"{n + 1:04d}" for n in range(len(scripts))]


def test_a_second_upgrade_does_nothing(engine: Engine):
    assert migrations.upgrade(engine) is None
    assert migrations.current_revision(engine) == migrations.newest_revision()


def test_a_newer_database_is_refused_and_left_alone(engine: Engine):
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9876'"))
    try:
        with pytest.raises(
            NewerDatabase, match=r"later version of Lehrbook \(schema 9876\).*nothing was changed"
        ):
            migrations.upgrade(engine)
        assert migrations.current_revision(engine) == "9876"
    finally:
        with engine.begin() as connection:
            connection.execute(text("DELETE FROM alembic_version"))
            connection.execute(
                text("INSERT INTO alembic_version VALUES (:newest)"), {"newest": migrations.newest_revision()}
            )


def older_database(path):
    """A database as the first migration left it, with a row in it."""
    from alembic import command

    engine = database.open_engine(database.sqlite_url(path))
    config = migrations.alembic_config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(
            text("INSERT INTO customer (name, created_at) VALUES ('Ottervale Mirrors', '2026-01-01 00:00')")
        )
    return engine


def test_an_older_sqlite_database_is_copied_aside_and_upgraded(tmp_path):
    engine = older_database(tmp_path / "plant.sqlite3")
    copy = migrations.upgrade(engine)
    assert migrations.current_revision(engine) == migrations.newest_revision()
    with engine.connect() as connection:
        assert connection.execute(text("SELECT name FROM customer")).scalar_one() == "Ottervale Mirrors"
    assert copy is not None
    with closing(sqlite3.connect(copy)) as old:
        assert old.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        assert old.execute("SELECT name FROM customer").fetchone() == ("Ottervale Mirrors",)
        assert old.execute("PRAGMA quick_check").fetchone() == ("ok",)
    assert not list(tmp_path.glob("*.part*"))
    engine.dispose()


def test_where_no_copy_can_be_made_nothing_is_upgraded(tmp_path, monkeypatch):
    engine = older_database(tmp_path / "plant.sqlite3")

    def full_disk(_path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(migrations, "_sync", full_disk)
    with pytest.raises(DatabaseError, match=r"cannot be copied .* nothing was changed"):
        migrations.upgrade(engine)
    assert migrations.current_revision(engine) == "0001"
    assert not list(tmp_path.glob("*before-upgrade*"))
    engine.dispose()


def test_a_migration_that_fails_leaves_the_old_schema(tmp_path, monkeypatch):
    engine = older_database(tmp_path / "plant.sqlite3")
    monkeypatch.setattr(
        migrations, "_check_keys", lambda connection: connection.execute(text("SELECT * FROM no_such_table"))
    )
    with pytest.raises(DatabaseError, match="cannot be brought up to date"):
        migrations.upgrade(engine)
    assert migrations.current_revision(engine) == "0001"
    assert "sheet" not in inspect(engine).get_table_names()
    engine.dispose()


def test_a_file_that_is_no_database_is_refused_with_a_sentence(tmp_path):
    path = tmp_path / "plant.sqlite3"
    path.write_bytes(b"this is not a database, it is a letter to the quality lead" * 40)
    engine = database.open_engine(database.sqlite_url(path))
    with pytest.raises(DatabaseError, match=r"plant.sqlite3: cannot be opened"):
        migrations.upgrade(engine)
    engine.dispose()
