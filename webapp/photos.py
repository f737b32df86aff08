"""Photos as browsers get them: by the record's number, never by a path, and only when signed in.

What is shown is a copy of our own making (upright, without the file's other contents), made once and kept in
the data folder. The original is evidence: it leaves only as a download, byte for byte.
"""

import io
import secrets
import threading
from pathlib import Path

from flask import Blueprint, Response, send_file
from flask.typing import ResponseReturnValue

from models.errors import NoSuchRecord
from models.records import Photo
from webapp import bridge
from webapp.plant import current_plant, db
from webapp.security import roles

bp = Blueprint("photos", __name__, url_prefix="/photos")

#: a large photo needs some hundred megabytes while it is decoded
_one_at_a_time = threading.Lock()


@bp.get("/<int:photo_id>/view.jpg")
@roles()
def view(photo_id: int) -> ResponseReturnValue:
    """The photo for the screen."""
    return _picture(screen_file(_photo(photo_id)))


@bp.get("/<int:photo_id>/thumb.jpg")
@roles()
def thumb(photo_id: int) -> ResponseReturnValue:
    """The photo in small."""
    photo = _photo(photo_id)
    path = _kept(photo.sha256, "thumb")
    if not path.exists():
        _keep(path, bridge.thumbnail(screen_file(photo).read_bytes()))
    return _picture(path)


@bp.get("/<int:photo_id>/original")
@roles("quality_lead", "claims_desk", "administrator")
def original(photo_id: int) -> ResponseReturnValue:
    """The bytes as they came, as a download."""
    photo = _photo(photo_id)
    data = current_plant().store.read(photo.sha256)
    return send_file(
        io.BytesIO(data),
        mimetype="application/octet-stream",
        as_attachment=True,
        download_name=Path(photo.name).name or f"{photo.sha256}.bin",
    )


def screen_file(photo: Photo) -> Path:
    """Where the screen copy of this photo lies; made when it is not there yet."""
    path = _kept(photo.sha256, "view")
    if not path.exists():
        with _one_at_a_time:
            if not path.exists():
                _keep(path, bridge.screen_picture(current_plant().store.read(photo.sha256), photo.name))
    return path


def _photo(photo_id: int) -> Photo:
    photo = db().get(Photo, photo_id)
    if photo is None:
        msg = f"photo {photo_id}: there is no such photo"
        raise NoSuchRecord(msg)
    return photo


def _kept(sha256: str, what: str) -> Path:
    return current_plant().settings.home / "screen" / sha256[:2] / f"{sha256}.{what}.jpg"


def _keep(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    draft.write_bytes(data)
    draft.replace(path)


def _picture(path: Path) -> Response:
    response = send_file(path, mimetype="image/jpeg", conditional=True)
    # the bytes behind a number never change; the browser may keep them, no shared cache may
    response.headers["Cache-Control"] = "private, max-age=86400, immutable"
    return response
