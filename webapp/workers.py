"""Processes that look at photos: they take jobs from the database, so a restart goes on with what waits.

One worker inspects one photo at a time. A worker that dies is replaced; its job is taken again after a minute
of silence (see models.jobs). Workers end when their server does.
"""

import logging
import multiprocessing
import os
import platform
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from multiprocessing.synchronize import Event
from typing import Any

from sqlalchemy import exists, select

from models import inspections, jobs, watch
from models.clock import utc_now
from models.database import reading, writing
from models.errors import ClaimLost, LehrbookError
from models.records import Job, Photo
from models.tracing import Traced
from vision.errors import PhotoError, SetupError
from webapp import bridge
from webapp.plant import Plant, open_plant
from webapp.settings import Settings

log = logging.getLogger("lehrbook.workers")

IDLE_S = 0.4
SIGN_OF_LIFE_S = 10.0

Inspect = Callable[[bytes, dict[str, Any] | None, str, bridge.Progress | None], dict[str, Any]]


class Workers:
    """The worker processes of one server."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._context = multiprocessing.get_context("spawn")
        self._stop: Event = self._context.Event()
        self.processes: list[BaseProcess] = []
        self._watch = threading.Thread(target=self._replace_dead, name="workers", daemon=True)

    def start(self) -> None:
        """Start the processes and return at once."""
        count = self._settings.vision_processes
        self.processes = [self._new(number) for number in range(count + (self._settings.watch_seconds > 0))]
        self._watch.start()

    def stop(self, patience_s: float = 5.0) -> None:
        """Let each worker finish its photo for a while, then end it; what is unfinished waits for a start."""
        self._stop.set()
        for process in self.processes:
            process.join(patience_s)
            if process.is_alive():
                process.terminate()
                process.join(patience_s)
        plant = open_plant(self._settings)
        with writing(plant.sessions) as session:
            for number in range(len(self.processes)):
                jobs.release(session, self._worker_name(number))
        plant.engine.dispose()

    def _new(self, number: int) -> BaseProcess:
        if number < self._settings.vision_processes:
            target: Callable[..., None] = run_worker
            name = f"lehrbook-vision-{number}"
        else:
            target, name = run_watch, "lehrbook-watch"
        process = self._context.Process(
            target=target,
            args=(self._settings, self._worker_name(number), self._stop),
            name=name,
            daemon=True,
        )
        process.start()
        return process

    def _worker_name(self, number: int) -> str:
        return f"{platform.node()}:{os.getpid()}:{number}"

    def _replace_dead(self) -> None:
        while not self._stop.wait(2.0):
            for number, process in enumerate(self.processes):
                if not process.is_alive():
                    log.error("worker %s ended with %s: replaced", process.name, process.exitcode)
                    self.processes[number] = self._new(number)


def run_worker(settings: Settings, name: str, stop: Event) -> None:
    """The life of a worker process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group: the server decides
    bridge.use_one_core()
    parent = os.getppid()
    plant = open_plant(settings)
    with writing(plant.sessions) as session:
        jobs.release(session, name)
    while not stop.is_set() and os.getppid() == parent:
        try:
            busy = take_one(plant, name)
        except Exception:
            log.exception("worker %s", name)
            busy = False
        if not busy:
            stop.wait(IDLE_S)


def run_watch(settings: Settings, name: str, stop: Event) -> None:
    """The life of the process that watches the lines for episodes, behind everything else."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(10)
    parent = os.getppid()
    plant = open_plant(settings)
    seen: dict[int, Traced | None] = {}
    while not stop.is_set() and os.getppid() == parent:
        try:
            with reading(plant.sessions) as session:
                line_ids = [line.id for line in inspections.lines(session)]
            for line_id in line_ids:
                seen[line_id] = watch.look(plant.sessions, line_id, seen.get(line_id))
        except Exception:
            log.exception("watch %s", name)
        stop.wait(settings.watch_seconds)


def take_one(plant: Plant, name: str, inspect: Inspect = bridge.inspect_bytes) -> bool:
    """Take the oldest waiting photo, look at it, store what was found. Returns whether there was one."""
    if not _any_due(plant):
        return False
    with writing(plant.sessions) as session:
        held = jobs.claim(session, name, [inspections.INSPECT_JOB])
    if held is None or held.photo_id is None:
        return False
    try:
        _inspect(plant, held, held.photo_id, inspect)
    except ClaimLost as error:
        log.warning("%s", error)
    except (PhotoError, SetupError, LehrbookError) as error:
        _give_up(plant, held, held.photo_id, str(error), again=False)
    except Exception as error:
        log.exception("photo %s", held.photo_id)
        sentence = f"the inspection of this photo failed ({type(error).__name__}); photograph again"
        _give_up(plant, held, held.photo_id, sentence, again=True)
    return True


def _any_due(plant: Plant) -> bool:
    """A look without the write lock: an idle worker must not stand in an inspector's way."""
    with reading(plant.sessions) as session:
        waiting = (Job.state == "waiting") & (Job.not_before <= utc_now()) | (Job.state == "running")
        return bool(session.scalar(select(exists().where(Job.kind == inspections.INSPECT_JOB, waiting))))


def _inspect(plant: Plant, held: jobs.Claim, photo_id: int, inspect: Inspect) -> None:
    with reading(plant.sessions) as session:
        photo = session.get_one(Photo, photo_id)
        sha256, setup, file_name = photo.sha256, photo.setup, photo.name
    with _signs_of_life(plant, held) as progress:
        result = inspect(plant.store.read(sha256), setup, file_name, progress)
    with writing(plant.sessions) as session:
        inspections.record_inspection(session, photo_id, result)
        jobs.finish(session, held)


def _give_up(plant: Plant, held: jobs.Claim, photo_id: int, sentence: str, *, again: bool) -> None:
    with writing(plant.sessions) as session:
        if not jobs.fail(session, held, sentence, again=again):
            inspections.record_failure(session, photo_id, sentence)


@contextmanager
def _signs_of_life(plant: Plant, held: jobs.Claim) -> Iterator[bridge.Progress]:
    """While a photo is looked at: keeps the claim alive and passes on how far it is."""
    done = threading.Event()
    latest: tuple[float, str] = (0.0, "")

    def tell(share: float, stage: str) -> None:
        nonlocal latest
        latest = (share, stage)
        beat()

    def beat() -> None:
        with writing(plant.sessions) as session:
            jobs.heartbeat(session, held, *latest)

    def beat_on() -> None:
        while not done.wait(SIGN_OF_LIFE_S):
            try:
                beat()
            except ClaimLost:
                return  # the result will be refused when it is stored
            except Exception:
                log.exception("sign of life of job %s", held.job_id)

    thread = threading.Thread(target=beat_on, daemon=True)
    thread.start()
    try:
        yield tell
    finally:
        done.set()
        thread.join()
