"""What was looked at of a sheet, in the books: looks, photos, and the part that all counts are over.

`Sheet.looked_fraction` is kept beside the looks and photos that it is worked out from, so that rates over
millions of sheets need no sum over looks; only `refresh_looked` writes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.inspections.photos import photos_of
from models.inspections.taking import open_sheet
from models.records import LOOK_WAYS, Look, Photo, Sheet
from models.sheet.looked import (
    HOLES,
    WORTH_TELLING_MM2,
    LookedAt,
    LookedPart,
    LookStatement,
    looked_at,
    looked_fraction,
    part_of_photo,
    parts_of_looks,
    rectangle_counts,
)
from models.sheet.seen import box_of, hidden_of

LIGHTINGS = ("dark_field", "bright_field")


def known_looked() -> ColumnElement[bool]:
    """SQL: it is known which part of the sheet was looked at (0 among it)."""
    return Sheet.looked_fraction.is_not(None)


def was_looked() -> ColumnElement[bool]:
    """SQL: it is known that some of the sheet was looked at. Counts and rates are over these sheets alone."""
    return Sheet.looked_fraction > 0


def unknown_looked() -> ColumnElement[bool]:
    """SQL: the sheet is through and nobody knows whether it was looked at; never counted as clean."""
    return Sheet.looked_fraction.is_(None) & Sheet.state.in_(("finished", "recorded"))


def looked_share() -> Any:
    """SQL: the part looked at, 0 where it was not or nobody knows; times an area: the area of a rate."""
    return func.coalesce(Sheet.looked_fraction, 0.0)


def looked_of(session: Session, sheet_id: int, needed_mm: float | None = None) -> LookedAt:
    """What was looked at of a sheet, for a smallest class of `needed_mm`."""
    sheet = session.get_one(Sheet, sheet_id)
    return looked_from(sheet, photos_of(session, sheet_id), looks_of(session, sheet_id), needed_mm)


def looked_from(
    sheet: Sheet, photos: Sequence[Photo], looks: Sequence[Look], needed_mm: float | None = None
) -> LookedAt:
    """The same from its photos and looks, where they are at hand."""
    summary = looked_at(sheet.width_mm, sheet.length_mm, parts_looked_at(sheet, photos, looks), needed_mm)
    notes = tuple(note for photo in photos if (note := photo_note(photo)) is not None)
    if not summary.missing:
        return summary
    return replace(summary, missing=summary.missing + notes)


def looks_of(session: Session, sheet_id: int) -> list[Look]:
    """The statements that count about who looked at a sheet, oldest first."""
    query = select(Look).where(Look.sheet_id == sheet_id, Look.current).order_by(Look.id)
    return list(session.scalars(query))


def add_look(session: Session, sheet_id: int, user_id: int | None, look: LookStatement) -> Look:
    """Record that somebody looked over a sheet, or parts of it. Raises BadValue, NotAllowedNow (finished)."""
    sheet = open_sheet(session, sheet_id, user_id)
    _check(look, sheet)
    row = Look(
        sheet_id=sheet.id,
        looked=look.looked,
        way=look.way,
        parts_mm=None if look.parts_mm is None else [list(box) for box in look.parts_mm],
        lighting=look.lighting,
        distance_mm=look.distance_mm,
        smallest_mm=look.smallest_mm,
        looked_at=look.looked_at or utc_now(),
        looked_by=look.looked_by,
        recorded_at=utc_now(),
        recorded_by=user_id,
        source="booth",
        current=True,
    )
    session.add(row)
    session.flush()
    refresh_looked(session, sheet)
    audit.append(
        session, "sheet.look", "look", row.id, user_id=user_id, sheet_id=sheet.id,
        details={
            "looked": row.looked, "way": row.way, "parts_mm": row.parts_mm, "lighting": row.lighting,
            "distance_mm": row.distance_mm, "smallest_mm": row.smallest_mm,
        },
    )  # fmt: skip
    return row


def take_back_look(session: Session, look_id: int, user_id: int | None) -> Look:
    """Take a statement back; it stays in the books and no longer counts. Raises NoSuchRecord."""
    row = session.get(Look, look_id)
    if row is None:
        raise NoSuchRecord(f"look number {look_id}: there is no such record")
    sheet = open_sheet(session, row.sheet_id, user_id)
    if row.current:
        row.current = False
        session.flush()
        refresh_looked(session, sheet)
        audit.append(session, "sheet.look_back", "look", row.id, user_id=user_id, sheet_id=sheet.id)
    return row


def refresh_looked(session: Session, sheet: Sheet) -> None:
    """Work out again which part of a sheet was looked at; to be called when its state, looks or photos
    change.
    """
    rows = looks_of(session, sheet.id)
    looks = [statement_of(look) for look in rows]
    parts = parts_looked_at(sheet, photos_of(session, sheet.id), rows)
    seen = looked_at(sheet.width_mm, sheet.length_mm, parts, None).seen_fraction
    sheet.looked_fraction = looked_fraction(sheet.state, parts, looks, seen)


def statement_of(look: Look) -> LookStatement:
    """A row as a plain value."""
    return LookStatement(
        looked=look.looked,
        way=look.way,
        parts_mm=None
        if look.parts_mm is None
        else tuple(box for part in look.parts_mm if (box := box_of(part)) is not None),
        lighting=look.lighting,
        distance_mm=look.distance_mm,
        smallest_mm=look.smallest_mm,
        looked_at=look.looked_at,
        looked_by=look.looked_by,
    )


def parts_looked_at(sheet: Sheet, photos: Sequence[Photo], looks: Sequence[Look]) -> list[LookedPart]:
    """The parts of a sheet that count as looked at: what its photos show, and what people said."""
    shown = [
        part
        for photo in photos
        if photo.state == "inspected" and (part := part_of_photo(photo_values(photo))) is not None
    ]
    said = [statement_of(look) for look in looks]
    return shown + parts_of_looks(said, sheet.width_mm, sheet.length_mm)


def photo_values(photo: Photo) -> dict[str, Any]:
    """What a photo's row says of what it shows, by the keys of an inspection result."""
    return {
        **(photo.result or {}),
        "covered_mm": photo.covered_mm,
        "covered_fraction": photo.covered_fraction,
        "smallest_sized_mm": photo.smallest_sized_mm,
    }


def _check(look: LookStatement, sheet: Sheet) -> None:
    where = f"sheet {sheet.label}: look"
    if look.way is not None and look.way not in LOOK_WAYS:
        raise BadValue(f"{where}: way is {look.way[:40]!r}; expected one of {', '.join(LOOK_WAYS)}")
    if look.lighting is not None and look.lighting not in LIGHTINGS:
        raise BadValue(f"{where}: lighting is {look.lighting[:40]!r}; expected dark_field or bright_field")
    for name, most in (("distance_mm", 100_000.0), ("smallest_mm", 1_000.0)):
        value = getattr(look, name)
        if value is not None and not 0 < value <= most:
            raise BadValue(f"{where}: {name} is {value:g}; expected more than 0 and at most {most:g} mm")
    for box in look.parts_mm or ():
        x0, y0, x1, y1 = box
        if not (0 <= x0 < x1 <= sheet.width_mm and 0 <= y0 < y1 <= sheet.length_mm):
            raise BadValue(
                f"{where}: part {list(box)} is not a part of the sheet; expected x0, y0, x1, y1 within"
                f" {sheet.width_mm:g} x {sheet.length_mm:g} mm"
            )


def photo_note(photo: Photo) -> str | None:
    """Why a photo does not count as coverage."""
    if photo.state == "waiting":
        return f"photo {photo.name} has not been looked at yet"
    if photo.state == "failed":
        return f"photo {photo.name} does not count: {photo.message}"
    if photo.covered_mm is None or photo.smallest_sized_mm is None:
        return f"photo {photo.name} does not count: it has no scale"
    values = photo_values(photo)
    blown = sum((b[2] - b[0]) * (b[3] - b[1]) for b in hidden_of(values, HOLES[:1]))
    if blown >= WORTH_TELLING_MM2:
        return f"photo {photo.name} is blown out over {blown / 1e6:.2g} m²: turn the lamp or the camera"
    if not rectangle_counts(values) and photo.covered_fraction is not None:
        shown = f"{100 * photo.covered_fraction:.0f} %"
        return f"photo {photo.name} does not count: it shows only {shown} of its field"
    return None
