"""Storing what the inspection of a photo found, or why there was none."""

from __future__ import annotations

from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.inspections.looking import refresh_looked
from models.inspections.photos import get_photo
from models.inspections.taking import lock_sheet
from models.records import Find, Photo

_RESULT_KEYS = ("frame", "blur_px", "hidden", "flags", "messages", "timings_s")
_FIND_KEYS = (
    "number", "kind", "not_glass", "x_mm", "y_mm", "x_px", "y_px", "length_mm", "width_mm", "halo_mm",
    "length_sd_mm", "width_sd_mm", "length_px", "width_px", "angle_deg", "path_mm", "path_px", "score",
    "kind_scores", "not_glass_scores", "contrast", "box_px", "flags",
)  # fmt: skip


def record_inspection(session: Session, photo_id: int, result: dict[str, Any]) -> Photo:
    """Store what an inspection found (the inspection result's JSON) as the photo's newest run."""
    photo = get_photo(session, photo_id)
    sheet = lock_sheet(session, photo.sheet_id)
    session.refresh(photo, with_for_update={"key_share": True})
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
    if rows:
        session.execute(insert(Find), rows)
    session.flush()
    refresh_looked(session, sheet)
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
    refresh_looked(session, sheet)
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
