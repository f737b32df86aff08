"""Photos of a sheet: adding them, and storing what the inspection of one found."""

from __future__ import annotations

from typing import Any

from sqlalchemy import insert, or_, select
from sqlalchemy.orm import Session

from models import audit, jobs
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.inspections.same_spot import Spot, same_spots
from models.inspections.taking import lock_sheet, open_sheet
from models.records import Find, FindDecision, Photo
from models.store import PhotoStore

INSPECT_JOB = "inspect_photo"
_RESULT_KEYS = ("frame", "blur_px", "hidden", "flags", "messages", "timings_s")
_FIND_KEYS = (
    "number", "kind", "not_glass", "x_mm", "y_mm", "x_px", "y_px", "length_mm", "width_mm", "halo_mm",
    "length_sd_mm", "width_sd_mm", "length_px", "width_px", "angle_deg", "path_mm", "path_px", "score",
    "kind_scores", "not_glass_scores", "contrast", "box_px", "flags",
)  # fmt: skip


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


def record_inspection(session: Session, photo_id: int, result: dict[str, Any]) -> Photo:
    """Store what an inspection found (the inspection result's JSON) as the photo's newest run.

    Finds that show the same spot as a find of another photo of the sheet are linked to it,
    so that it counts once.
    """
    photo = get_photo(session, photo_id)
    sheet = lock_sheet(session, photo.sheet_id)
    session.refresh(photo, with_for_update={"key_share": True})
    known = _known_spots(session, photo)
    scale = result.get("scale") or {}
    photo.run += 1
    photo.state, photo.message, photo.inspected_at = "inspected", None, utc_now()
    photo.lighting = result.get("lighting")
    photo.width_px, photo.height_px = result.get("width_px"), result.get("height_px")
    photo.mm_per_px, photo.scale_source = scale.get("mm_per_px"), scale.get("source")
    photo.scale_residual_mm = scale.get("residual_mm")
    photo.smallest_sized_mm = result.get("smallest_sized_mm")
    photo.covered_mm, photo.covered_fraction = result.get("covered_mm"), result.get("covered_fraction")
    photo.result = {key: result[key] for key in _RESULT_KEYS if key in result}
    rows = [_find_row(photo, number, find) for number, find in enumerate(result.get("finds", []), start=1)]
    new = [spot for row in rows if (spot := _row_spot(row)) is not None]
    met = same_spots(new, known)
    for row in rows:
        row["same_as_id"] = met.get(row["number"])
    if rows:
        session.execute(insert(Find), rows)
    session.flush()
    audit.append(
        session, "photo.inspected", "photo", photo.id, user_id=None, sheet_id=sheet.id,
        details={"sha256": photo.sha256, "run": photo.run, "finds": len(rows)},
    )  # fmt: skip
    return photo


def record_failure(session: Session, photo_id: int, sentence: str) -> Photo:
    """Store why a photo could not be inspected; the photo stays."""
    photo = get_photo(session, photo_id)
    sheet = lock_sheet(session, photo.sheet_id)
    photo.state, photo.message, photo.inspected_at = "failed", sentence, utc_now()
    session.flush()
    audit.append(
        session, "photo.failed", "photo", photo.id, user_id=None, sheet_id=sheet.id,
        details={"sha256": photo.sha256, "message": sentence},
    )  # fmt: skip
    return photo


def _find_row(photo: Photo, number: int, find: dict[str, Any]) -> dict[str, Any]:
    row = {key: find.get(key) for key in _FIND_KEYS}
    box = find.get("box_px")
    if row["x_px"] is None and box:
        row["x_px"], row["y_px"] = box[0] + box[2] / 2, box[1] + box[3] / 2
    return {**row, "number": find.get("number", number), "photo_id": photo.id, "run": photo.run}


def _known_spots(session: Session, photo: Photo) -> list[Spot]:
    """Finds that new ones may repeat: of other photos of the sheet, and decided ones of earlier runs."""
    decided = select(FindDecision.find_id).where(FindDecision.current)
    query = (
        select(Find)
        .join(Photo, Photo.id == Find.photo_id)
        .where(
            Photo.sheet_id == photo.sheet_id,
            Find.not_glass.is_(None),
            Find.same_as_id.is_(None),
            or_((Photo.id != photo.id) & (Find.run == Photo.run), Find.id.in_(decided)),
        )
        .order_by(Find.id)
    )
    return [
        Spot(find.id, find.x_mm, find.y_mm, find.length_mm or 0.0, _path(find.path_mm))
        for find in session.scalars(query)
        if find.x_mm is not None and find.y_mm is not None
    ]


def _row_spot(row: dict[str, Any]) -> Spot | None:
    """Only what seems to be in the glass is matched: dust must not hide a bubble seen elsewhere."""
    if row["not_glass"] is not None or row["x_mm"] is None or row["y_mm"] is None:
        return None
    return Spot(row["number"], row["x_mm"], row["y_mm"], row["length_mm"] or 0.0, _path(row["path_mm"]))


def _path(points: list[Any] | None) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points or ())


def _file_name(name: str) -> str:
    """The last part of the name as it came, without signs that do not print."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join(sign for sign in last if sign.isprintable()).strip()
    return clean[-200:] or "photo"
