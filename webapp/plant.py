"""The open plant: settings, database, photo store and grade book, made once for an app or a command.

Nothing is opened at import. A data folder that does not exist is set up here, at first use.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from flask import current_app, g, request
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session, sessionmaker

from models import audit, database, migrations
from models.errors import StoreError
from models.grade_books import plant_book
from models.grades import GradeBook, load_sets
from models.records import Line
from models.store import PhotoStore
from webapp.security import origin
from webapp.settings import Settings


@dataclass(frozen=True, slots=True)
class Plant:
    """What a page, a command or a worker needs of the plant."""

    settings: Settings
    engine: Engine
    sessions: sessionmaker[Session]
    store: PhotoStore
    book: GradeBook

    @property
    def time_zone(self) -> str:
        """The zone in which times are shown: the plant's own, UTC before a line is set up."""
        if "zone" not in g:
            g.zone = db().scalar(select(Line.time_zone).order_by(Line.id).limit(1)) or "UTC"
        return cast("str", g.zone)

    def end_session(self, error: BaseException | None) -> None:
        """Give back the session of this request; what was not committed is undone."""
        session = g.pop("session", None)
        if session is not None:
            session.close()


def open_plant(settings: Settings, *, told: Callable[[str], object] | None = None) -> Plant:
    """Open the plant of these settings; makes the data folder and the tables where there are none.

    told : gets a sentence when an older database was copied aside and brought up to date.

    Raises StoreError for a data folder that cannot be made, DatabaseError for a database that cannot be used.
    """
    try:
        settings.home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = f"cannot be made ({error.strerror}); expected a folder that can be written"
        msg = f"data folder {settings.home}: {why}"
        raise StoreError(msg) from None
    engine = database.open_engine(settings.database_url or database.default_url(settings.home))
    copy = migrations.upgrade(engine)
    if copy is not None and told is not None:
        told(f"The database was brought up to date; as it was before, it lies in {copy}\n")
    return Plant(
        settings=settings,
        engine=engine,
        sessions=database.session_factory(engine),
        store=PhotoStore(settings.home / "photos"),
        book=load_sets(),
    )


def current_plant() -> Plant:
    """The plant of the app that answers this request."""
    return cast("Plant", current_app.extensions["plant"])


def current_book() -> GradeBook:
    """The grades at hand, with what the plant has confirmed by name."""
    if "book" not in g:
        g.book = plant_book(db(), current_plant().book)
    return cast("GradeBook", g.book)


def commit() -> None:
    """Commit what this request has written; what it looks at from here on is read without the write lock."""
    db().commit()
    g.session.close()
    g.session = current_plant().sessions()
    g.session.connection(execution_options={database.READ_ONLY: True})


def db() -> Session:
    """The session of this request. A route that writes ends with `commit()`; nothing else commits."""
    if "session" not in g:
        g.session = current_plant().sessions()
        if request.method in ("GET", "HEAD"):
            # pages that only look take no write lock, so polling never holds up an inspector
            g.session.connection(execution_options={database.READ_ONLY: True})
        else:
            audit.set_origin(g.session, origin())
    return cast("Session", g.session)
