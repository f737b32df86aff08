"""Photos coming in: each is decoded before anything is stored, so a bad one is refused at once, by name."""

import copy
from pathlib import PurePath
from typing import Any

from flask import request
from flask.typing import ResponseReturnValue
from flask_login import current_user
from werkzeug.datastructures import FileStorage

from models import audit, inspections, setups
from models.database import reading, writing
from models.errors import BadValue, LehrbookError
from models.records import Photo
from vision.errors import VisionError
from webapp import bridge
from webapp.inspect import forms
from webapp.inspect.answers import answer
from webapp.inspect.blueprint import bp, inspecting
from webapp.plant import commit, current_plant, db
from webapp.security import origin, wants_json

Setup = dict[str, Any]


@bp.post("/sheets/<int:sheet_id>/photos")
@inspecting
def add_photos(sheet_id: int) -> ResponseReturnValue:
    """Add photos to the sheet; those that are no photos are refused by name, the others still go in."""
    files = [file for file in request.files.getlist("photos") if file.filename]
    if not files:
        raise BadValue("no photo was chosen; nothing was stored")
    given = _setup_files()
    chosen = _chosen_setup()
    taken: list[Photo] = []
    refused: list[str] = []
    for file in files:
        try:
            own = _own_setup(file.filename or "", given, only=len(files) == 1)
            taken.append(_take(sheet_id, file, own or chosen))
        except (VisionError, LehrbookError) as error:
            refused.append(str(error))
    if refused and not taken:
        raise BadValue(" ".join(refused))
    if wants_json():
        return {
            "photos": [{"id": p.id, "sha256": p.sha256, "name": p.name} for p in taken],
            "refused": refused,
        }
    return answer(sheet_id, " ".join([f"Photos added: {len(taken)}.", *refused]))


@bp.post("/photos/<int:photo_id>/again")
@inspecting
def look_again(photo_id: int) -> ResponseReturnValue:
    """Look at a photo again with another set-up; what was found before stays in the books."""
    photo = inspections.get_photo(db(), photo_id)
    setup = _chosen_setup() if request.form.get("setup_id") != "same" else photo.setup
    inspections.inspect_again(db(), photo_id, setup, current_user.user_id)
    commit()
    return answer(photo.sheet_id, "The photo is looked at again.")


def _take(sheet_id: int, file: FileStorage, setup: Setup | None) -> Photo:
    """One photo, checked and stored with its job, or refused with nothing stored."""
    plant = current_plant()
    name = file.filename or "photo"
    limit = plant.settings.photo_mb * 1_000_000
    data = file.stream.read(limit + 1)
    if len(data) > limit:
        msg = f"{name}: larger than {plant.settings.photo_mb} MB; photograph the sheet in parts"
        raise BadValue(msg)
    bridge.check_photo(data, name)
    # a session of its own, opened only now: others can write while a large photo comes in and is decoded
    with writing(plant.sessions) as session:
        audit.set_origin(session, origin())
        return inspections.add_photo(session, plant.store, sheet_id, data, name, setup, current_user.user_id)


def _chosen_setup() -> Setup | None:
    """The booth's saved set-up that the form names, moved to the place given with it."""
    setup_id = forms.whole(request.form.get("setup_id"))
    if setup_id is None:
        return None
    with reading(current_plant().sessions) as session:
        setup = copy.deepcopy(setups.saved_setup(session, setup_id).setup)
    return bridge.moved_setup(
        setup, forms.number(request.form, "x0_mm", "x of the photo's corner"),
        forms.number(request.form, "y0_mm", "y of the photo's corner"),
    )  # fmt: skip


def _setup_files() -> dict[str, Setup]:
    """The set-up files sent with the photos, by lower-case file name."""
    files = [file for file in request.files.getlist("setup_files") if file.filename]
    return {
        (file.filename or "").lower(): bridge.read_setup_file(
            file.stream.read(1_000_001), file.filename or ""
        )
        for file in files
    }


def _own_setup(photo_name: str, given: dict[str, Setup], *, only: bool) -> Setup | None:
    """The set-up file that lies beside this photo: name.setup.json for name.jpg."""
    if only and len(given) == 1:
        return next(iter(given.values()))
    path = PurePath(photo_name.lower())
    return given.get(f"{path.stem}.setup.json") or given.get(f"{path.name}.setup.json")
