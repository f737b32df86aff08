"""Sheets for the demo photos, and an inspector who knows the truth of each photo."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.clock import to_utc
from models.demo import scenario as s
from models.demo.people import CUSTOMERS
from models.errors import NoSuchRecord
from models.inspections import DefectValues, add_defect, confirm_find, dismiss_find, finds_of
from models.records import Customer, Line, LineLogRow, Pack, Sheet

#: a find within this of a true defect (plus half its length) is that defect
_REACH_MM = 3.0
_USUAL_M_PER_MIN = 10.0


@dataclass(frozen=True, slots=True)
class PhotoSheet:
    """A sheet that a demo photo shows. Sizes in mm; `grade_id` as ordered; `use` stock or cut_size."""

    width_mm: float
    length_mm: float
    thickness_mm: float
    grade_id: str
    use: str = "stock"


def add_photo_sheets(
    session: Session, wanted: Sequence[PhotoSheet], *, end: datetime, line_name: str = s.LINE
) -> list[Sheet]:
    """Waiting sheets for the demo photos, at the end of the ribbon, one pack of one order each.

    They are cut at the line's last speed, so that metres and times agree.
    Raises NoSuchRecord when the line is not there.
    """
    end = to_utc(end)
    line = session.scalars(select(Line).where(Line.name == line_name)).one_or_none()
    if line is None:
        raise NoSuchRecord(f"line {line_name!r}: there is no such line; seed the demo plant first")
    newest = session.scalars(
        select(Sheet).where(Sheet.line_id == line.id).order_by(Sheet.ribbon_start_m.desc()).limit(1)
    ).one_or_none()
    metre = s.FIRST_METRE if newest is None else newest.ribbon_start_m + newest.length_mm / 1000
    cut_at = end if newest is None else newest.cut_at
    speed = session.scalar(
        select(LineLogRow.ribbon_speed_m_per_min)
        .where(LineLogRow.line_id == line.id)
        .order_by(LineLogRow.time.desc())
        .limit(1)
    )
    count = session.scalar(select(func.count()).select_from(Sheet).where(Sheet.line_id == line.id)) or 0
    sheets = []
    for number, one in enumerate(wanted, start=1):
        pack = Pack(
            label=f"PX{count + number:05d}",
            customer_id=_customer(session, one.grade_id),
            grade_id=one.grade_id,
            use=one.use,
            created_at=end,
        )
        session.add(pack)
        session.flush()
        cut_at += timedelta(minutes=one.length_mm / 1000 / (speed or _USUAL_M_PER_MIN))
        sheet = Sheet(
            label=f"{line.name}-{count + number:07d}",
            line_id=line.id,
            pack_id=pack.id,
            cut_at=cut_at,
            ribbon_start_m=round(metre, 3),
            x_left_mm=s.X_LEFT_MM,
            length_mm=one.length_mm,
            width_mm=one.width_mm,
            thickness_mm=one.thickness_mm,
            grade_id=one.grade_id,
            state="waiting",
            looked_fraction=0.0,
        )
        metre += one.length_mm / 1000
        session.add(sheet)
        sheets.append(sheet)
    session.flush()
    return sheets


def decide_by_truth(
    session: Session, sheet_id: int, user_id: int, truth: Mapping[str, Any]
) -> tuple[int, int, int]:
    """Decide each undecided find as an inspector would who knows what was put into the photo.

    truth : {"defects": [{"kind", "x_mm", "y_mm", "length_mm", "visible", ...}]}. A find near a true defect is
    confirmed (with the true kind where it differs), any other dismissed; a visible defect that no find met is
    added by hand. Returns how many were confirmed, dismissed and added.
    """
    left = [defect for defect in truth.get("defects", []) if defect.get("visible", True)]
    confirmed = dismissed = 0
    for view in [view for view in finds_of(session, sheet_id) if view.undecided]:
        met = _nearest(view.best, left)
        if met is None:
            dismiss_find(session, view.find.id, user_id, "nothing in the glass there")
            dismissed += 1
            continue
        left.remove(met)
        changes = {} if view.find.kind == met["kind"] else {"kind": met["kind"]}
        confirm_find(session, view.find.id, user_id, **changes)
        confirmed += 1
    sheet = session.get_one(Sheet, sheet_id)
    on_sheet = [d for d in left if 0 <= d["x_mm"] <= sheet.width_mm and 0 <= d["y_mm"] <= sheet.length_mm]
    for defect in on_sheet:
        add_defect(session, sheet_id, user_id, _values(defect))
    return confirmed, dismissed, len(on_sheet)


def _customer(session: Session, grade_id: str) -> int | None:
    for name, _destination in CUSTOMERS.get(grade_id, ()):
        found = session.scalar(select(Customer.id).where(Customer.name == name))
        if found is not None:
            return found
    return None


def _nearest(find: Any, defects: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    if find.x_mm is None or find.y_mm is None:
        return None
    near = [
        (distance, number)
        for number, defect in enumerate(defects)
        if (distance := math.hypot(find.x_mm - defect["x_mm"], find.y_mm - defect["y_mm"]))
        <= _REACH_MM + defect["length_mm"] / 2
    ]
    return defects[min(near)[1]] if near else None


def _values(defect: Mapping[str, Any]) -> DefectValues:
    path = defect.get("path_mm")
    return DefectValues(
        kind=defect["kind"],
        x_mm=defect["x_mm"],
        y_mm=defect["y_mm"],
        length_mm=defect["length_mm"],
        width_mm=defect.get("width_mm"),
        halo_mm=defect.get("halo_mm"),
        path_mm=None if path is None else [list(point) for point in path],
    )
