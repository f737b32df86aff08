"""Photo jobs: taken once, stored once, given up with a sentence, taken up again after a stop."""

import time
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from models import inspections
from models.clock import utc_now
from models.database import reading
from models.records import Find, Job, Photo
from tests import factories
from vision.errors import PhotoError
from webapp.workers import Workers, take_one


@pytest.fixture
def waiting(plant, booth, photo_bytes):
    """A photo whose job waits; its number."""
    with plant.sessions.begin() as session:
        return inspections.add_photo(
            session, plant.store, booth.sheet_ids[0], photo_bytes, "one.jpg", {"lighting": "dark_field"}, None
        ).id


def _states(plant, photo_id):
    with reading(plant.sessions) as session:
        photo = session.get_one(Photo, photo_id)
        job = session.scalars(select(Job).where(Job.photo_id == photo_id)).one()
        return photo.state, photo.message, job.state, job.tries


def _found(_data, _setup, _name, _progress):
    return factories.inspection_dict(factories.find_dict(1), factories.find_dict(2, x_mm=700.0))


def test_nothing_waiting_is_nothing_done(plant, booth):
    assert take_one(plant, "w") is False


def test_a_photo_is_looked_at_and_its_finds_are_stored(plant, waiting, photo_bytes):
    asked = []

    def inspect(data, setup, name, progress):
        asked.append((data, setup, name))
        progress(0.5, "measuring")
        with reading(plant.sessions) as session:
            job = session.scalars(select(Job)).one()
            asked.append((job.progress, job.message))
        return _found(data, setup, name, progress)

    assert take_one(plant, "w", inspect) is True
    assert asked == [(photo_bytes, {"lighting": "dark_field"}, "one.jpg"), (0.5, "measuring")]
    assert _states(plant, waiting) == ("inspected", None, "done", 1)
    with reading(plant.sessions) as session:
        assert len(session.scalars(select(Find)).all()) == 2
    assert take_one(plant, "w", inspect) is False


def test_a_photo_that_cannot_be_read_is_given_up_with_its_sentence(plant, waiting):
    def inspect(*_):
        raise PhotoError("one.jpg: too dark; expected light")

    take_one(plant, "w", inspect)
    assert _states(plant, waiting) == ("failed", "one.jpg: too dark; expected light", "failed", 1)


def test_a_fault_is_tried_again_and_then_given_up(plant, waiting, caplog):
    def inspect(*_):
        raise ZeroDivisionError

    for tries in (1, 2, 3):
        assert take_one(plant, "w", inspect) is True
        with plant.sessions.begin() as session:
            session.execute(update(Job).values(not_before=utc_now()))
        assert _states(plant, waiting)[3] == tries
    state, message, job_state, _ = _states(plant, waiting)
    assert (state, job_state) == ("failed", "failed")
    assert "photograph again" in message
    assert take_one(plant, "w", inspect) is False


def test_the_job_of_a_worker_that_died_is_taken_by_another(plant, waiting):
    def dies(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take_one(plant, "one", dies)
    assert _states(plant, waiting)[2] == "running"
    assert take_one(plant, "two", _found) is False, "the first may still be at work"
    with plant.sessions.begin() as session:
        session.execute(update(Job).values(heartbeat_at=utc_now() - timedelta(minutes=5)))
    assert take_one(plant, "two", _found) is True
    assert _states(plant, waiting) == ("inspected", None, "done", 2)


def test_a_result_that_comes_too_late_is_not_stored_twice(plant, waiting):
    def slow(*arguments):
        with plant.sessions.begin() as session:
            session.execute(update(Job).values(heartbeat_at=utc_now() - timedelta(minutes=5)))
        assert take_one(plant, "two", _found) is True
        return _found(*arguments)

    take_one(plant, "one", slow)
    with reading(plant.sessions) as session:
        assert session.get_one(Photo, waiting).run == 1
        assert len(session.scalars(select(Find)).all()) == 2


def test_a_worker_that_is_killed_is_replaced_and_photos_still_get_done(plant, booth, photo_bytes):
    workers = Workers(plant.settings)
    workers.start()
    try:
        first = workers.processes[0]
        first.kill()
        first.join()
        with plant.sessions.begin() as session:
            photo_id = inspections.add_photo(
                session, plant.store, booth.sheet_ids[0], photo_bytes, "one.jpg", None, None
            ).id
        deadline = time.monotonic() + 60
        while _states(plant, photo_id)[0] == "waiting" and time.monotonic() < deadline:
            time.sleep(0.1)
        assert _states(plant, photo_id)[0] == "inspected"
        assert workers.processes[0].pid != first.pid
    finally:
        workers.stop()
    assert not any(process.is_alive() for process in workers.processes)
