"""A plant with people, a line and sheets in a data folder of its own, and clients signed in to it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient

from models import inspections
from models.database import writing
from tests import factories
from webapp import create_app
from webapp.plant import Plant, open_plant
from webapp.settings import load_settings

ROLES = ("inspector", "quality_lead", "claims_desk", "administrator")


@dataclass(frozen=True)
class Booth:
    """Numbers of what the plant of the tests holds."""

    line_id: int
    sheet_ids: tuple[int, ...]
    labels: tuple[str, ...]
    inspector_id: int


@pytest.fixture
def plant(sqlite_home: Path) -> Iterator[Plant]:
    """The open plant of a fresh data folder."""
    plant = open_plant(load_settings({"home": sqlite_home}, environment={}))
    yield plant
    plant.engine.dispose()


@pytest.fixture
def booth(plant: Plant) -> Booth:
    """One line with three sheets that wait, and one person of each role (name = role)."""
    with writing(plant.sessions) as session:
        people = {
            role: factories.make_user(session, name=role, full_name=f"Ruta {role}", role=role)
            for role in ROLES
        }
        line = factories.make_line(session)
        sheets = [factories.make_sheet(session, line) for _ in range(3)]
        return Booth(
            line.id,
            tuple(sheet.id for sheet in sheets),
            tuple(sheet.label for sheet in sheets),
            people["inspector"].id,
        )


@pytest.fixture
def app(plant: Plant) -> Flask:
    """The app on that plant. CSRF is off here and has a test of its own."""
    return create_app({"plant": plant, "TESTING": True, "WTF_CSRF_ENABLED": False})


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    """Somebody who is not signed in."""
    return app.test_client()


@pytest.fixture
def signed_in(app: Flask, booth: Booth) -> Callable[[str], FlaskClient]:
    """Gives a client that is signed in with a role."""

    def sign_in(role: str) -> FlaskClient:
        client = app.test_client()
        answer = client.post("/sign-in", data={"way": "password", "name": role, "secret": factories.PASSWORD})
        assert answer.status_code == 303
        return client

    return sign_in


@pytest.fixture
def inspector(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in inspector."""
    return signed_in("inspector")


@pytest.fixture(scope="session")
def photo_bytes() -> bytes:
    """A small JPEG that decodes."""
    grey = np.random.default_rng(3).integers(20, 60, (240, 320), dtype=np.uint8)
    done, data = cv2.imencode(".jpg", grey)
    assert done
    return data.tobytes()


@pytest.fixture
def photographed(plant: Plant, booth: Booth, photo_bytes: bytes) -> int:
    """The first sheet with a photo that was looked at: a bubble, a stone, some dust. Gives its number."""
    with writing(plant.sessions) as session:
        photo = inspections.add_photo(
            session, plant.store, booth.sheet_ids[0], photo_bytes, "one.jpg", None, booth.inspector_id
        )
        finds = (
            factories.find_dict(1, x_mm=500.0, y_mm=400.0, length_mm=4.0),
            factories.find_dict(2, kind="stone", x_mm=900.0, y_mm=900.0, length_mm=2.0),
            factories.find_dict(3, not_glass="dust", x_mm=1500.0, y_mm=900.0),
        )
        inspections.record_inspection(session, photo.id, factories.inspection_dict(*finds))
        return photo.id
