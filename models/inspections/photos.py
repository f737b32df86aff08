"""Photos of a sheet: adding them, and having them inspected again."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit, jobs
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.inspections.taking import open_sheet
from models.records import Photo
from models.store import PhotoStore

INSPECT_JOB = "inspect_photo"


def add_photo(
    session: Session,
    store: PhotoStore,
    sheet_id: int,
    data: bytes,
    name: str,
    setup: dict[str, Any] | None,
    user_id: int | None,
) -> Photo:
    """Add a photo to a sheet and queue its inspection in the same transaction.

    The same bytes twice on one sheet are one photo; sent again with another set-up, it is
    inspected again with that. Raises BadValue for an empty file, StoreError when it cannot be kept.
    """
    name = _file_name(name)
    if not data:
        raise BadValue(f"photo {name}: is empty (0 bytes); nothing was stored")
    sha256 = store.put(data)  # before the row: a row always has its file
    sheet = open_sheet(session, sheet_id, user_id)
    known = session.scalars(
        select(Photo).where(Photo.sheet_id == sheet.id, Photo.sha256 == sha256)
    ).one_or_none()
    if known is not None:
        if setup is not None and setup != known.setup:
            inspect_again(session, known.id, setup, user_id)
        return known
    photo = Photo(
        sheet_id=sheet.id,
        sha256=sha256,
        name=name,
        size_bytes=len(data),
        setup=setup,
        state="waiting",
        added_at=utc_now(),
        added_by=user_id,
        run=0,
    )
    session.add(photo)
    session.flush()
    jobs.put(session, INSPECT_JOB, {"photo_id": photo.id}, photo_id=photo.id)
    audit.append(
        session, "photo.add", "photo", photo.id, user_id=user_id, sheet_id=sheet.id,
        details={"sha256": sha256, "name": name, "size_bytes": len(data), "setup": setup},
    )  # fmt: skip
    return photo


def inspect_again(
    session: Session, photo_id: int, setup: dict[str, Any] | None, user_id: int | None
) -> Photo:
    """Queue another inspection of a photo with another set-up; earlier finds stay in the books."""
    photo = get_photo(session, photo_id)
    sheet = open_sheet(session, photo.sheet_id, user_id)
    photo.setup, photo.state, photo.message = setup, "waiting", None
    jobs.put(session, INSPECT_JOB, {"photo_id": photo.id}, photo_id=photo.id)
    audit.append(
        session, "photo.inspect_again", "photo", photo.id, user_id=user_id, sheet_id=sheet.id,
        details={"sha256": photo.sha256, "setup": setup},
    )  # fmt: skip
    return photo


def get_photo(session: Session, photo_id: int) -> Photo:
    """The photo. Raises NoSuchRecord."""
    photo = session.get(Photo, photo_id)
    if photo is None:
        raise NoSuchRecord(f"photo number {photo_id}: there is no such photo")
    return photo


def photos_of(session: Session, sheet_id: int) -> list[Photo]:
    """The photos of a sheet in the order in which they came."""
    return list(session.scalars(select(Photo).where(Photo.sheet_id == sheet_id).order_by(Photo.id)))


def _file_name(name: str) -> str:
    """The last part of the name as it came, without signs that do not print."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join(sign for sign in last if sign.isprintable()).strip()
    return clean[-200:] or "photo"
