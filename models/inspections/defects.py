"""Defects in the books: each act adds a revision, the one before stays as it was."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.grades.kinds import known, tidy
from models.records import Defect, Sheet
from models.ribbon.place import ribbon_place

#: a measured place may lie this far beyond the sheet's edge before it is called wrong
BEYOND_EDGE_MM = 10.0
_SIZES = ("length_mm", "width_mm", "halo_mm", "length_sd_mm", "width_sd_mm", "detection_distance_mm")
_LONGEST_MM = 100_000.0


@dataclass(frozen=True, slots=True)
class DefectValues:
    """What a defect says of itself, in sheet mm; None where it is not known.

    open_at_mm : places where it runs out of all photos; its length is then at least length_mm.
    """

    kind: str
    x_mm: float | None = None
    y_mm: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    halo_mm: float | None = None
    length_sd_mm: float | None = None
    width_sd_mm: float | None = None
    detection_distance_mm: float | None = None
    angle_deg: float | None = None
    path_mm: list[Any] | None = None
    open_at_mm: list[Any] | None = None
    note: str | None = None

    def changed(self, changes: dict[str, Any]) -> DefectValues:
        """A copy with some values changed. Raises BadValue for a name that is none of these."""
        names = {field.name for field in fields(self)}
        for name in changes:
            if name not in names:
                raise BadValue(
                    f"defect: {name!r} cannot be changed; expected one of {', '.join(sorted(names))}"
                )
        values = {name: getattr(self, name) for name in names} | changes
        if "length_mm" in changes and "length_sd_mm" not in changes:
            # The uncertainty belonged to the measured size, not to the one entered by hand; whoever enters a
            # length has seen where it ends.
            values["length_sd_mm"] = None
            if "open_at_mm" not in changes:
                values["open_at_mm"] = None
        if "width_mm" in changes and "width_sd_mm" not in changes:
            values["width_sd_mm"] = None
        return DefectValues(**values)


def values_of(defect: Defect) -> DefectValues:
    """What a revision says."""
    return DefectValues(**{field.name: getattr(defect, field.name) for field in fields(DefectValues)})


def defects_of(session: Session, sheet_id: int) -> list[Defect]:
    """The defects of a sheet that count today, by number."""
    query = select(Defect).where(Defect.sheet_id == sheet_id, Defect.current)
    return list(session.scalars(query.order_by(Defect.number)))


def revisions_of(session: Session, sheet_id: int, number: int) -> list[Defect]:
    """All revisions of one defect, oldest first."""
    query = select(Defect).where(Defect.sheet_id == sheet_id, Defect.number == number)
    return list(session.scalars(query.order_by(Defect.id)))


def get_defect(session: Session, defect_id: int) -> Defect:
    """The revision. Raises NoSuchRecord."""
    defect = session.get(Defect, defect_id)
    if defect is None:
        raise NoSuchRecord(f"defect number {defect_id}: there is no such defect")
    return defect


def newest_revision(session: Session, defect: Defect) -> Defect:
    """The last revision of this defect's chain, which may say that it was withdrawn."""
    query = select(Defect).where(Defect.sheet_id == defect.sheet_id, Defect.number == defect.number)
    return session.scalars(query.order_by(Defect.id.desc()).limit(1)).one()


def checked(values: DefectValues, sheet: Sheet) -> DefectValues:
    """The values in house spelling and on the sheet. Raises BadValue naming sheet, field and expectation."""
    where = f"sheet {sheet.label}: defect"
    kind = tidy(values.kind)
    if not known(kind):
        raise BadValue(
            f"{where}: kind {values.kind[:40]!r} is unknown; expected a kind such as bubble, stone, scratch"
        )
    given = {field.name: getattr(values, field.name) for field in fields(values)}
    for name in _SIZES:
        value = given[name]
        if value is not None and not (math.isfinite(value) and 0 < value <= _LONGEST_MM):
            raise BadValue(f"{where}: {name} is {value}; expected a size above 0 mm")
    if (values.x_mm is None) != (values.y_mm is None):
        raise BadValue(f"{where}: expected both x_mm and y_mm, or neither")
    if values.x_mm is not None and values.y_mm is not None:
        given["x_mm"] = _on_sheet(values.x_mm, sheet.width_mm, f"{where}: x_mm")
        given["y_mm"] = _on_sheet(values.y_mm, sheet.length_mm, f"{where}: y_mm")
    if values.note is not None:
        given["note"] = values.note.strip()[:4000] or None
    return DefectValues(**{**given, "kind": kind})


def add_revision(
    session: Session,
    sheet: Sheet,
    values: DefectValues,
    *,
    previous: Defect | None,
    source: str,
    find_id: int | None,
    found_at: datetime,
    user_id: int | None,
    withdrawn: bool = False,
) -> Defect:
    """Write a revision of a defect, or its first row; the sheet is locked by the caller.

    No audit entry: the act that calls this writes it.
    """
    if withdrawn:
        number = previous.number if previous is not None else 0
    else:
        values = checked(values, sheet)
        number = previous.number if previous is not None else _next_number(session, sheet)
    ribbon_x_mm = ribbon_m = None
    if values.x_mm is not None and values.y_mm is not None:
        ribbon_x_mm, ribbon_m = ribbon_place(sheet.x_left_mm, sheet.ribbon_start_m, values.x_mm, values.y_mm)
    if previous is not None:
        previous.current = False
    defect = Defect(
        **{field.name: getattr(values, field.name) for field in fields(values)},
        line_id=sheet.line_id,
        sheet_id=sheet.id,
        number=number,
        find_id=find_id,
        source=source,
        ribbon_x_mm=ribbon_x_mm,
        ribbon_m=ribbon_m,
        found_at=found_at,
        recorded_at=utc_now(),
        recorded_by=user_id,
        supersedes_id=None if previous is None else previous.id,
        withdrawn=withdrawn,
        current=not withdrawn,
    )
    session.add(defect)
    session.flush()
    return defect


def digest(defect: Defect) -> dict[str, Any]:
    """What an audit entry keeps of a revision: enough to see later whether the row was touched."""
    said = {field.name: getattr(defect, field.name) for field in fields(DefectValues)}
    return {
        **said,
        "defect_id": defect.id,
        "number": defect.number,
        "supersedes_id": defect.supersedes_id,
        "withdrawn": defect.withdrawn,
    }


def _next_number(session: Session, sheet: Sheet) -> int:
    highest = session.scalar(select(func.max(Defect.number)).where(Defect.sheet_id == sheet.id))
    return (highest or 0) + 1


def _on_sheet(value: float, most: float, where: str) -> float:
    if not math.isfinite(value) or not -BEYOND_EDGE_MM <= value <= most + BEYOND_EDGE_MM:
        raise BadValue(f"{where} is {value:g}; expected a place on the sheet, 0 to {most:g} mm")
    return min(max(value, 0.0), most)
