"""The demo plant in its data folder: three invented weeks, then the demo photos through the real pipeline.

How far it got is noted in the folder: a start that was cut off goes on, a second one has nothing to do.
"""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

import webapp
from models import demo, inspections, setups
from models.clock import utc_now
from models.database import FILE_NAME, reading, writing
from models.errors import LehrbookError, NotAllowedNow
from models.records import Job, Line, Photo, Sheet, User
from webapp import bridge, workers
from webapp.plant import Plant

NOTE_NAME = "demo-plant.json"
#: photos whose sheets are finished before anybody signs in, so that there is a history to look at
FINISHED = ("seedy-window", "stone-at-1840-first", "clean-window")
#: set-ups that the demo booth has saved: name, photo whose set-up it is, offered first
SETUPS = (
    ("Pane on the bench, bright field", "clean-window-bright", True),
    ("Pane on the bench, dark field", "seedy-window-dark", False),
    ("Fixed camera over the line, dark field", "fixed-camera-dark", False),
)
#: sheets without a photo, of the bench's size, for photos of one's own or the demo photos once more
BLANK_SHEETS = 3

Tell = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class DemoPhoto:
    """One demo photo with what lies beside it. `stem` names the glass: two lights of one pane share it."""

    name: str
    stem: str
    path: Path
    setup: dict[str, Any]
    truth: dict[str, Any]
    sheet: demo.PhotoSheet


def find_photos(folder: Path | None = None) -> list[DemoPhoto]:
    """The demo photos in their order. Raises LehrbookError when the folder is not there or not whole."""
    folder = folder or Path(webapp.__file__).resolve().parents[1] / "demo_images"
    index = folder / "index.json"
    try:
        entries = json.loads(index.read_text(encoding="utf-8"))["photos"]
        return [_photo(folder, entry) for entry in entries]
    except FileNotFoundError as error:
        missing = Path(error.filename).name if error.filename else "a file"
        msg = (
            f"demo photos: {missing} is not in {folder}; expected the folder demo_images of the program's "
            "source, so run the demo from a checkout (pip install -e .) or name the folder with --photos"
        )
        raise LehrbookError(msg) from None
    except (KeyError, TypeError, json.JSONDecodeError) as error:
        msg = f"demo photos: {index} cannot be read ({error}); expected the list of demo photos"
        raise LehrbookError(msg) from None


def start_over(home: Path) -> None:
    """Remove what a demo left in this folder. Raises NotAllowedNow for a folder that is no demo's."""
    if not home.exists():
        return
    if not (home / NOTE_NAME).exists() and any(home.iterdir()):
        msg = f"{home}: is no demo's data folder (no {NOTE_NAME} in it); nothing was removed"
        raise NotAllowedNow(msg)
    for name in (FILE_NAME, f"{FILE_NAME}-wal", f"{FILE_NAME}-shm", "secret_key", NOTE_NAME):
        (home / name).unlink(missing_ok=True)
    for name in ("photos", "screen"):
        shutil.rmtree(home / name, ignore_errors=True)


def set_up(plant: Plant, photos: Callable[[], list[DemoPhoto]], tell: Tell) -> bool:
    """Bring the demo plant to where anybody can sign in; gives back whether there was anything to do.

    Raises NotAllowedNow when the database holds a plant that no demo made.
    """
    note = plant.settings.home / NOTE_NAME
    begun = note.exists()
    if begun and json.loads(note.read_text(encoding="utf-8"))["ready"]:
        return False
    listed = photos()
    seeded = _has_line(plant)
    if seeded and not begun:
        msg = "the database holds a plant already; the demo needs a database and a data folder of its own"
        raise NotAllowedNow(msg)
    if not seeded:
        _write(note, ready=False)
        demo.seed_plant(plant.sessions, plant.book, end=utc_now(), progress=lambda s, t: tell(0.6 * s, t))
    _add_photos(plant, listed, tell)
    _inspect_all(plant, tell)
    _finish_some(plant, listed)
    _write(note, ready=True)
    tell(1.0, "ready")
    return True


def _has_line(plant: Plant) -> bool:
    with reading(plant.sessions) as session:
        return bool(session.scalar(select(exists().where(Line.id > 0))))


def _write(note: Path, *, ready: bool) -> None:
    note.write_text(json.dumps({"ready": ready}), encoding="utf-8")


def _photo(folder: Path, entry: dict[str, Any]) -> DemoPhoto:
    path = folder / entry["photo"]
    name = path.stem
    if not path.exists():
        raise FileNotFoundError(2, "missing", str(path))
    beside = {
        what: json.loads((folder / f"{name}.{what}.json").read_text(encoding="utf-8"))
        for what in ("setup", "truth")
    }
    size = entry["sheet"]
    sheet = demo.PhotoSheet(
        size["width_mm"], size["length_mm"], size["thickness_mm"], entry["grade"], entry["use"]
    )
    stem = name.removesuffix("-bright").removesuffix("-dark")
    return DemoPhoto(name, stem, path, beside["setup"], beside["truth"], sheet)


def _by_glass(photos: list[DemoPhoto]) -> Iterator[list[DemoPhoto]]:
    for _, same in groupby(photos, key=lambda photo: photo.stem):
        yield list(same)


def _add_photos(plant: Plant, photos: list[DemoPhoto], tell: Tell) -> None:
    """Sheets, set-ups and photos in one transaction: all of them are there, or none."""
    tell(0.62, "adding the demo photos")
    groups = list(_by_glass(photos))
    with writing(plant.sessions) as session:
        if session.scalar(select(exists().where(Photo.id > 0))):
            return
        # what the weeks left waiting goes by, so that the sheets with photos are the next ones
        for sheet_id in session.scalars(select(Sheet.id).where(Sheet.state == "waiting")).all():
            inspections.pass_by(session, sheet_id, None)
        blank = groups[0][0].sheet
        wanted = [group[0].sheet for group in groups] + [blank] * BLANK_SHEETS
        sheets = demo.add_photo_sheets(session, wanted, end=utc_now())
        _save_setups(session, sheets[0].line_id, {photo.name: photo for photo in photos})
        for group, sheet in zip(groups, sheets, strict=False):
            for photo in group:
                setup = bridge.check_setup(photo.setup, photo.path.name)
                data = photo.path.read_bytes()
                inspections.add_photo(
                    session, plant.store, sheet.id, data, photo.path.name, setup, _inspector(session).id
                )
            # taken only to add the photo: it waits for whoever comes
            inspections.give_back(session, sheet.id, None)


def _save_setups(session: Session, line_id: int, photos: dict[str, DemoPhoto]) -> None:
    for name, source, first_choice in SETUPS:
        if source in photos:
            content = bridge.check_setup(photos[source].setup, source)
            setups.save_setup(session, line_id, name, content, first_choice=first_choice, user_id=None)


def _inspector(session: Session) -> User:
    return session.scalars(select(User).where(User.role == "inspector").order_by(User.id).limit(1)).one()


def _inspect_all(plant: Plant, tell: Tell) -> None:
    """The demo photos through the pipeline, as a worker would take them."""
    with reading(plant.sessions) as session:
        names = list(session.scalars(select(Photo.name).join(Job, Job.photo_id == Photo.id).order_by(Job.id)))
    for number, name in enumerate(names, start=1):
        tell(0.65 + 0.33 * (number - 1) / len(names), f"inspecting photo {number} of {len(names)}: {name}")
        if not workers.take_one(plant, f"demo:{time.time_ns()}"):
            return


def _finish_some(plant: Plant, photos: list[DemoPhoto]) -> None:
    """Some sheets get their decisions from an inspector who knows the truth, and a verdict."""
    truths = {photo.path.name: photo for photo in photos}
    with writing(plant.sessions) as session:
        user = _inspector(session)
        for photo in session.scalars(select(Photo).where(Photo.name.in_(truths)).order_by(Photo.id)).all():
            known = truths[photo.name]
            sheet = session.get_one(Sheet, photo.sheet_id)
            if known.stem in FINISHED and sheet.state != "finished" and photo.state == "inspected":
                demo.decide_by_truth(session, sheet.id, user.id, known.truth)
                inspections.finish_sheet(session, plant.book, sheet.id, user.id)
