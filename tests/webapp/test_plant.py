"""The open plant: first use, an older database, looking without the write lock, a busy database."""

import sqlite3
from contextlib import closing

from alembic import command
from sqlalchemy.exc import OperationalError

from models import database, inspections
from models.migrations import alembic_config, current_revision, newest_revision
from webapp.plant import open_plant
from webapp.settings import load_settings

JSON = {"Accept": "application/json"}


def test_a_folder_that_does_not_exist_is_set_up_at_first_use(tmp_path):
    home = tmp_path / "new" / "plant"
    plant = open_plant(load_settings({"home": home}, environment={}))
    assert (home / database.FILE_NAME).is_file()
    assert current_revision(plant.engine) == newest_revision()
    plant.engine.dispose()


def test_an_older_database_is_copied_aside_then_brought_up_to_date_and_that_is_told(tmp_path):
    engine = database.open_engine(database.default_url(tmp_path))
    with engine.begin() as connection:
        config = alembic_config()
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    told = []
    plant = open_plant(load_settings({"home": tmp_path}, environment={}), told=told.append)
    assert current_revision(plant.engine) == newest_revision()
    plant.engine.dispose()
    copies = list(tmp_path.glob("*.before-upgrade-0001-*"))
    assert len(copies) == 1
    assert str(copies[0]) in told[0]


def test_pages_open_while_somebody_else_writes(inspector, booth, plant, photographed):
    with closing(sqlite3.connect(plant.settings.home / database.FILE_NAME, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for path in ("/inspect/", f"/inspect/sheets/{booth.sheet_ids[0]}"):
            assert inspector.get(path).status_code == 200
        other.execute("ROLLBACK")


def test_a_busy_database_is_a_sentence_and_tells_scripts_to_wait(inspector, booth, monkeypatch):
    def busy(*_, **__):
        raise OperationalError("BEGIN IMMEDIATE", {}, sqlite3.OperationalError("database is locked"))

    monkeypatch.setattr(inspections, "confirm_rest", busy)
    path = f"/inspect/sheets/{booth.sheet_ids[0]}/confirm-rest"
    answer = inspector.post(path, headers=JSON)
    assert answer.status_code == 503
    assert answer.json["error"]["message"].startswith("The database is busy")
    assert "The database is busy" in inspector.post(path).text


def test_a_fault_is_logged_under_the_number_that_the_page_shows(app, inspector, booth, monkeypatch, caplog):
    app.config["PROPAGATE_EXCEPTIONS"] = False

    def fault(*_, **__):
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(inspections, "lines", fault)
    answer = inspector.get("/inspect/")
    assert answer.status_code == 500
    assert "secret detail" not in answer.text
    number = answer.text.split("the number ")[1][:6]
    assert f"fault {number} at GET /inspect/" in caplog.text
