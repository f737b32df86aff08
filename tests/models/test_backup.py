"""Backup and restore rehearsed: all comes back, nothing is overwritten, damage is found."""

import io
import shutil
import tarfile
import threading

import pytest
from sqlalchemy import delete, func, insert, select, text, update
from sqlalchemy.orm import Session

from models import backup, database, inspections, migrations
from models.errors import BackupError
from models.records import Defect, Find, Photo, Verdict
from models.store import PhotoStore
from models.verify import verify
from tests.factories import live_a_little, make_line


@pytest.fixture
def home(tmp_path, database_url):
    folder = tmp_path / "plant"
    folder.mkdir()
    (folder / "grades").mkdir()
    (folder / "grades" / "own.toml").write_text("# the plant's own")
    return folder


@pytest.fixture
def plant(home, engine, sessions):
    live_a_little(sessions, PhotoStore(home / "photos"))
    return home


def everything(engine) -> dict:
    from models.records import Base

    with engine.connect() as connection:
        return {
            table.name: sorted(connection.execute(table.select()).all(), key=str)
            for table in Base.metadata.sorted_tables
        }


def test_all_rows_and_photos_come_back(plant, engine, tmp_path):
    made = backup.make_backup(engine, plant, tmp_path / "plant.backup")
    assert made.photos == 2
    assert backup.check_backup(made.path).faults == ()
    report = backup.restore_backup(made.path, tmp_path / "other")
    assert (report.photos, report.faults) == (2, ())
    restored = database.open_engine(database.default_url(tmp_path / "other"))
    assert everything(restored) == everything(engine)
    restored.dispose()
    photos = [PhotoStore(folder / "photos") for folder in (plant, tmp_path / "other")]
    assert list(photos[0].hashes()) == list(photos[1].hashes())
    assert (tmp_path / "other" / "grades" / "own.toml").read_text() == "# the plant's own"
    left = {path.name for path in tmp_path.iterdir()}
    assert not {name for name in left if name.startswith(".")}


@pytest.mark.postgres
def test_a_sqlite_plant_moves_to_postgresql(sqlite_home, tmp_path, postgres_schema, request):
    source = database.open_engine(database.default_url(sqlite_home))
    live_a_little(database.session_factory(source), PhotoStore(sqlite_home / "photos"))
    made = backup.make_backup(source, sqlite_home, tmp_path / "plant.backup")
    from tests.conftest import schema_url

    url = schema_url(postgres_schema)
    target = database.open_engine(url)
    from models.records import Base

    names = ", ".join(f'"{table.name}"' for table in Base.metadata.sorted_tables)
    with target.begin() as connection:
        connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))
    backup.restore_backup(made.path, tmp_path / "moved", url)
    assert everything(target) == everything(source)
    assert not (tmp_path / "moved" / database.FILE_NAME).exists()
    with database.session_factory(target).begin() as session:
        assert make_line(session).id == 2  # the counters go on after what came
    with pytest.raises(BackupError, match="holds rows already"):
        backup.restore_backup(made.path, tmp_path / "again", url)
    assert not (tmp_path / "again").exists()
    source.dispose()
    target.dispose()


def test_a_folder_with_anything_in_it_is_not_touched(plant, engine, tmp_path):
    made = backup.make_backup(engine, plant, tmp_path / "plant.backup")
    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("mine")
    with pytest.raises(BackupError, match="is not empty; a backup is put back into an empty folder only"):
        backup.restore_backup(made.path, full)
    assert [path.name for path in full.iterdir()] == ["letter.txt"]
    empty = tmp_path / "empty"
    empty.mkdir()
    backup.restore_backup(made.path, empty)
    assert (empty / database.FILE_NAME).exists()


def test_an_existing_file_is_not_overwritten(plant, engine, tmp_path):
    target = tmp_path / "plant.backup"
    target.write_text("the last good one")
    with pytest.raises(BackupError, match="exists already; choose another name"):
        backup.make_backup(engine, plant, target)
    assert target.read_text() == "the last good one"
    with pytest.raises(BackupError, match=r"folder .* does not exist"):
        backup.make_backup(engine, plant, tmp_path / "no" / "plant.backup")


def test_a_backup_that_fails_half_way_leaves_nothing(plant, engine, tmp_path):
    store = PhotoStore(plant / "photos")
    lost = sorted(store.hashes())[-1]
    store.path(lost).unlink()
    with pytest.raises(Exception, match=f"photo {lost[:12]}: its file is missing"):
        backup.make_backup(engine, plant, tmp_path / "plant.backup")
    assert not [path for path in tmp_path.iterdir() if "backup" in path.name]


def test_a_backup_cut_short_anywhere_is_refused(plant, engine, tmp_path):
    made = backup.make_backup(engine, plant, tmp_path / "plant.backup")
    whole = made.path.read_bytes()
    cut = tmp_path / "cut.backup"
    for share in (0.0, 0.001, 0.3, 0.7, 0.97):
        cut.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(BackupError, match=r"cut\.backup"):
            backup.restore_backup(cut, tmp_path / "other")
        assert not (tmp_path / "other").exists()


def test_a_flipped_byte_in_photo_or_database_is_found(plant, engine, tmp_path):
    made = backup.make_backup(engine, plant, tmp_path / "plant.backup")
    whole = bytearray(made.path.read_bytes())
    for mark in (b"photo 1", b"CREATE TABLE"):
        spoilt = bytearray(whole)
        spoilt[spoilt.index(mark)] ^= 1
        path = tmp_path / "spoilt.backup"
        path.write_bytes(spoilt)
        with pytest.raises(BackupError, match="is damaged; nothing was put back"):
            backup.restore_backup(path, tmp_path / "other")
        assert not (tmp_path / "other").exists()


@pytest.mark.parametrize(
    "name", ["../outside", "/etc/outside", "photos/zz/x", "secret_key", "photos/../../outside"]
)
def test_a_foreign_archive_writes_nothing_outside(tmp_path, name):
    path = tmp_path / "evil.backup"
    with tarfile.open(path, "w") as archive:
        entry = tarfile.TarInfo(name)
        entry.size = 3
        archive.addfile(entry, io.BytesIO(b"bad"))
    with pytest.raises(BackupError, match="not a backup of ours"):
        backup.restore_backup(path, tmp_path / "other")
    assert {p.name for p in tmp_path.iterdir()} == {"evil.backup"}


def test_a_link_in_an_archive_is_refused(tmp_path):
    path = tmp_path / "evil.backup"
    with tarfile.open(path, "w") as archive:
        entry = tarfile.TarInfo(database.FILE_NAME)
        entry.type, entry.linkname = tarfile.SYMTYPE, "/etc/passwd"
        archive.addfile(entry)
    with pytest.raises(BackupError, match="no plain file"):
        backup.restore_backup(path, tmp_path / "other")


def test_what_is_no_backup_is_a_sentence(tmp_path):
    (tmp_path / "letter.txt").write_text("dear quality lead")
    with pytest.raises(BackupError, match="is not a backup"):
        backup.restore_backup(tmp_path / "letter.txt", tmp_path / "other")
    with pytest.raises(BackupError, match="there is no such file"):
        backup.restore_backup(tmp_path / "none.backup", tmp_path / "other")


def test_a_backup_of_an_older_schema_is_brought_up_to_date(tmp_path):
    from alembic import command

    home = tmp_path / "old"
    home.mkdir()
    engine = database.open_engine(database.default_url(home))
    config = migrations.alembic_config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0002")
    made = backup.make_backup(engine, home, tmp_path / "old.backup")
    backup.restore_backup(made.path, tmp_path / "new")
    restored = database.open_engine(database.default_url(tmp_path / "new"))
    assert migrations.current_revision(restored) == migrations.newest_revision()
    restored.dispose()
    engine.dispose()


def test_a_backup_made_while_photos_come_in_is_whole(sqlite_home, tmp_path):
    """Every row of the copy must find its photo, whatever is added meanwhile."""
    engine = database.open_engine(database.default_url(sqlite_home))
    sessions, store = database.session_factory(engine), PhotoStore(sqlite_home / "photos")
    live_a_little(sessions, store, sheets=1)
    with sessions() as session:
        sheet_id, user = session.scalar(select(Photo.sheet_id)), None
        inspections.reopen_sheet(session, sheet_id, user, "more photos")
        session.commit()
    stop = threading.Event()

    def keep_adding() -> None:
        number = 0
        while not stop.is_set() and number < 300:
            number += 1
            with sessions.begin() as session:
                inspections.add_photo(session, store, sheet_id, b"more %d" % number, "b.jpg", None, user)

    thread = threading.Thread(target=keep_adding)
    thread.start()
    try:
        made = [backup.make_backup(engine, sqlite_home, tmp_path / f"{n}.backup") for n in range(3)]
    finally:
        stop.set()
        thread.join()
    for one in made:
        assert backup.check_backup(one.path).faults == ()
    engine.dispose()


# -- verify ---------------------------------------------------------------------------------------------


def faults(session: Session, home) -> list[str]:
    session.expire_all()
    return list(verify(session, PhotoStore(home / "photos")).faults)


def test_an_untouched_plant_has_no_faults(plant, session):
    report = verify(session, PhotoStore(plant / "photos"))
    assert report.faults == ()
    assert (report.photos, report.entries) == (
        2,
        session.execute(text("SELECT max(id) FROM audit_entry")).scalar(),
    )


def test_a_touched_defect_or_verdict_shows_against_the_chain(plant, session):
    session.execute(update(Defect).where(Defect.id == 2).values(x_mm=0.2))
    session.execute(update(Verdict).where(Verdict.id == 1).values(outcome="reject"))
    session.commit()
    found = faults(session, plant)
    assert len(found) == 3
    assert found[0].startswith("defect row 2 no longer says what entry")
    assert found[0].endswith("(x_mm)")
    assert found[1].startswith("verdict row 1 no longer says what entry")
    assert found[2] == "defect row 2 no longer says what verdict 1 saw"


def test_a_row_written_past_the_program_shows(plant, session):
    row = session.execute(select(Defect.__table__).where(Defect.id == 1)).mappings().one()
    session.execute(insert(Defect.__table__), [{**row, "id": 99, "number": 9, "current": True}])
    session.commit()
    assert faults(session, plant) == ["defect row 99: no act in the chain speaks of it"]


def test_a_removed_verdict_shows(plant, session):
    session.execute(delete(Verdict).where(Verdict.id == 1))
    session.commit()
    assert [fault.split(" of ")[0] for fault in faults(session, plant)] == ["verdict row 1"]


def test_missing_and_damaged_photos_show(plant, session):
    store = PhotoStore(plant / "photos")
    lost, spoilt = sorted(store.hashes())
    store.path(lost).unlink()
    store.path(spoilt).chmod(0o644)
    store.path(spoilt).write_bytes(b"?")
    assert faults(session, plant) == [
        f"photo {lost[:12]}: its file is missing from the store",
        f"photo {spoilt[:12]}: its file is damaged, its content no longer matches its name",
    ]


def test_a_damaged_database_file_shows(sqlite_home):
    engine = database.open_engine(database.default_url(sqlite_home))
    live_a_little(database.session_factory(engine), PhotoStore(sqlite_home / "photos"))
    with engine.begin() as connection:
        connection.exec_driver_sql("PRAGMA writable_schema = ON")
        connection.exec_driver_sql("DELETE FROM sqlite_schema WHERE name = 'ix_find_decision_find_id'")
    engine.dispose()
    shutil.copy(sqlite_home / database.FILE_NAME, sqlite_home / "copy.sqlite3")
    engine = database.open_engine(database.default_url(sqlite_home))
    with database.session_factory(engine)() as session:
        assert session.scalar(select(func.count()).select_from(Find)) == 4
        assert any("database file is damaged" in fault for fault in faults(session, sqlite_home))
    engine.dispose()
