"""The demo plant: set up once, taken up again, started over, and never over somebody's own data."""

import json

import cv2
import numpy as np
import pytest
from sqlalchemy import func, select

from models import demo, inspections
from models.database import reading
from models.errors import LehrbookError, NotAllowedNow
from models.records import Line, Photo, SavedSetup, Sheet, Verdict
from tests import factories
from webapp import demo_plant
from webapp.plant import open_plant
from webapp.settings import load_settings


@pytest.fixture
def photos(tmp_path):
    """A folder as demo_images has it: one pane under two lights, each a small rendering of nothing."""
    folder = tmp_path / "demo_images"
    folder.mkdir()
    entries = []
    for light in ("bright", "dark"):
        name = f"clean-window-{light}"
        grey = np.full((240, 320), 150 if light == "bright" else 30, np.uint8)
        grey += np.random.default_rng(1).integers(0, 9, grey.shape, dtype=np.uint8)
        (folder / f"{name}.jpg").write_bytes(cv2.imencode(".jpg", grey)[1].tobytes())
        setup = {"lighting": f"{light}_field", "field_mm": [0, 0, 500, 380], "mm_per_px": 1.6}
        (folder / f"{name}.setup.json").write_text(json.dumps(setup))
        (folder / f"{name}.truth.json").write_text(json.dumps({"defects": [], "not_glass": []}))
        entries.append(
            {
                "photo": f"{name}.jpg",
                "grade": "eschenfurt-window",
                "use": "cut_size",
                "sheet": {"width_mm": 500.0, "length_mm": 380.0, "thickness_mm": 4.0},
            }
        )
    (folder / "index.json").write_text(json.dumps({"photos": entries}))
    return folder


@pytest.fixture
def short_weeks(monkeypatch):
    """Half a day instead of three weeks."""
    real = demo.seed_plant
    monkeypatch.setattr(
        demo, "seed_plant", lambda sessions, book, **more: real(sessions, book, days=0.5, **more)
    )


def _set_up(plant, photos, told=None):
    return demo_plant.set_up(
        plant,
        lambda: demo_plant.find_photos(photos),
        lambda share, text: None if told is None else told.append((share, text)),
    )


def test_two_lights_of_one_pane_share_a_sheet_and_history_is_there(plant, photos, short_weeks):
    told = []
    assert _set_up(plant, photos, told) is True
    assert told[-1] == (1.0, "ready")
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    with reading(plant.sessions) as session:
        pair = session.scalars(select(Photo)).all()
        assert {photo.state for photo in pair} == {"inspected"}
        assert len({photo.sheet_id for photo in pair}) == 1
        assert session.get_one(Sheet, pair[0].sheet_id).state == "finished"
        assert inspections.current_verdict(session, pair[0].sheet_id) is not None
        assert session.scalar(select(func.count()).select_from(Verdict)) > 10
        assert session.scalars(select(SavedSetup)).first().first_choice
        waiting = session.scalars(select(Sheet).where(Sheet.state == "waiting")).all()
        assert len(waiting) == demo_plant.BLANK_SHEETS


def test_a_second_start_has_nothing_to_do_and_needs_no_photos(plant, photos, short_weeks):
    _set_up(plant, photos)

    def missing():
        raise AssertionError("asked for the photos again")

    assert demo_plant.set_up(plant, missing, lambda *_: None) is False


def test_a_start_that_was_cut_off_goes_on(plant, photos, short_weeks, monkeypatch):
    def cut_off(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(demo_plant.workers, "take_one", cut_off)
        with pytest.raises(KeyboardInterrupt):
            _set_up(plant, photos)
    assert _set_up(plant, photos) is True
    with reading(plant.sessions) as session:
        assert [photo.state for photo in session.scalars(select(Photo))] == ["inspected", "inspected"]


def test_the_demo_never_goes_into_a_plant_of_ones_own(plant, photos):
    with plant.sessions.begin() as session:
        factories.make_line(session)
    with pytest.raises(NotAllowedNow, match="holds a plant already"):
        _set_up(plant, photos)


def test_starting_over_removes_what_the_demo_made_and_nothing_else(plant, photos, short_weeks):
    home = plant.settings.home
    _set_up(plant, photos)
    (home / "notes.txt").write_text("mine")
    plant.engine.dispose()
    demo_plant.start_over(home)
    assert [path.name for path in home.iterdir()] == ["notes.txt"]
    again = open_plant(load_settings({"home": home}, environment={}))
    with reading(again.sessions) as session:
        assert session.scalars(select(Line)).all() == []
    again.engine.dispose()


def test_a_folder_that_is_no_demo_is_not_emptied(tmp_path):
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(NotAllowedNow, match="is no demo's data folder"):
        demo_plant.start_over(tmp_path)
    assert (tmp_path / "letter.txt").exists()


def test_a_missing_folder_of_photos_gets_a_sentence(tmp_path):
    with pytest.raises(LehrbookError, match=r"index\.json is not in .*name the folder with --photos"):
        demo_plant.find_photos(tmp_path / "nowhere")


def test_a_missing_photo_is_named(photos):
    (photos / "clean-window-dark.jpg").unlink()
    with pytest.raises(LehrbookError, match=r"clean-window-dark\.jpg is not in"):
        demo_plant.find_photos(photos)


def test_the_real_demo_photos_are_found_from_the_checkout():
    photos = demo_plant.find_photos()
    assert len(photos) >= 12
    stems = {photo.stem for photo in photos}
    assert stems >= set(demo_plant.FINISHED)
    assert {photo.name for photo in photos} >= {source for _, source, _ in demo_plant.SETUPS}
