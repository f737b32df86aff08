"""Waiting work: claimed once, kept alive, tried again, given up with a sentence."""

import threading
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session, sessionmaker

from models import jobs
from models.clock import utc_now
from models.errors import BadValue, ClaimLost
from models.records import Job

KIND = ["inspect_photo"]


def later(seconds: float):
    return utc_now() + timedelta(seconds=seconds)


def test_oldest_first_each_once(session: Session):
    first, second = jobs.put(session, "inspect_photo", {"n": 1}), jobs.put(session, "inspect_photo", {"n": 2})
    jobs.put(session, "other_work")
    claims = [jobs.claim(session, f"w{n}", KIND) for n in range(3)]
    assert [claim and claim.job_id for claim in claims] == [first.id, second.id, None]
    assert claims[0].payload == {"n": 1}


def test_progress_and_finish(session: Session):
    job = jobs.put(session, "inspect_photo")
    held = jobs.claim(session, "w1", KIND)
    jobs.heartbeat(session, held, 0.4, "measuring")
    session.flush()
    assert (job.progress, job.message) == (0.4, "measuring")
    jobs.heartbeat(session, held, 7.0)
    assert job.progress == 1.0
    jobs.finish(session, held)
    assert (job.state, job.progress) == ("done", 1.0)
    assert jobs.claim(session, "w2", KIND) is None
    assert jobs.counts(session) == {"done": 1}


def test_a_failed_try_waits_longer_each_time_and_is_given_up_in_the_end(session: Session):
    job = jobs.put(session, "inspect_photo")
    waits = []
    for _ in range(jobs.MAX_TRIES):
        held = jobs.claim(session, "w1", KIND, now=later(3600))
        again = jobs.fail(session, held, "the disk did not answer", again=True)
        waits.append((job.not_before - utc_now()).total_seconds() if again else None)
    assert waits[0] == pytest.approx(5.0, abs=3)
    assert waits[1] == pytest.approx(30.0, abs=3)
    assert waits[2] is None
    assert (job.state, job.message) == ("failed", "the disk did not answer")
    assert jobs.claim(session, "w1", KIND, now=later(7200)) is None


def test_a_job_that_waits_for_its_next_try_is_not_due(session: Session):
    jobs.put(session, "inspect_photo")
    jobs.fail(session, jobs.claim(session, "w1", KIND), "once more", again=True)
    assert jobs.claim(session, "w1", KIND) is None
    assert jobs.claim(session, "w1", KIND, now=later(6)) is not None


def test_what_cannot_get_better_is_not_tried_again(session: Session):
    job = jobs.put(session, "inspect_photo")
    held = jobs.claim(session, "w1", KIND)
    assert not jobs.fail(session, held, "photo a.jpg: is no picture", again=False)
    assert job.state == "failed"


def test_a_silent_workers_job_goes_to_another_and_its_late_result_is_refused(session: Session):
    jobs.put(session, "inspect_photo")
    first = jobs.claim(session, "w1", KIND)
    assert jobs.claim(session, "w2", KIND, now=later(jobs.SILENT_AFTER_S - 5)) is None
    second = jobs.claim(session, "w2", KIND, now=later(jobs.SILENT_AFTER_S + 5))
    assert second.job_id == first.job_id
    assert second.tries == 2
    for late in (jobs.finish, jobs.heartbeat):
        with pytest.raises(ClaimLost, match=r"job \d+: no longer held by w1"):
            late(session, first)
    with pytest.raises(ClaimLost):
        jobs.fail(session, first, "late", again=True)
    jobs.finish(session, second)


def test_the_same_worker_name_after_a_restart_does_not_revive_the_old_claim(session: Session):
    jobs.put(session, "inspect_photo")
    old = jobs.claim(session, "w1", KIND)
    jobs.claim(session, "w1", KIND, now=later(jobs.SILENT_AFTER_S + 5))
    with pytest.raises(ClaimLost):
        jobs.finish(session, old)


def test_a_job_that_kills_its_worker_each_time_is_given_up(session: Session):
    job = jobs.put(session, "inspect_photo", max_tries=2)
    jobs.claim(session, "w1", KIND)
    jobs.claim(session, "w2", KIND, now=later(100))
    assert jobs.claim(session, "w3", KIND, now=later(300)) is None
    assert (job.state, job.message) == ("failed", "stopped without a word 2 times; given up")


def test_an_orderly_stop_gives_work_back_without_counting_a_try(session: Session):
    job = jobs.put(session, "inspect_photo")
    jobs.claim(session, "w1", KIND)
    assert jobs.release(session, "w1") == 1
    assert (job.state, job.tries) == ("waiting", 0)
    assert jobs.claim(session, "w2", KIND) is not None


def test_a_job_without_tries_is_refused(session: Session):
    with pytest.raises(BadValue, match="expected 1 or more"):
        jobs.put(session, "inspect_photo", max_tries=0)


def test_put_is_undone_with_the_rest_of_its_transaction(session: Session):
    jobs.put(session, "inspect_photo")
    session.rollback()
    assert jobs.claim(session, "w1", KIND) is None


def test_many_workers_do_each_job_exactly_once(sessions: sessionmaker[Session]):
    with sessions.begin() as session:
        expected = [jobs.put(session, "inspect_photo", {"n": n}).id for n in range(40)]
    done: list[int] = []
    failures: list[Exception] = []

    def work(name: str) -> None:
        try:
            while True:
                with sessions.begin() as session:
                    held = jobs.claim(session, name, KIND)
                if held is None:
                    return
                with sessions.begin() as session:
                    jobs.finish(session, held)
                done.append(held.job_id)
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=work, args=(f"w{n}",)) for n in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert sorted(done) == expected
    with sessions() as session:
        assert {job.tries for job in session.query(Job)} == {1}
