"""One defect of the books with its sheet, its photo and the times of its glass."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.errors import NoSuchRecord
from models.glass_times import glass_times
from models.history_records import GlassTime
from models.records import Customer, Defect, Find, Line, Pack, Photo, Sheet, User, Verdict
from models.sheet.labels import find_label
from models.sheet.seen import points_of
from models.verdict_titles import downgrade_titles

__all__ = ["DefectDetail", "PhotoPlace", "defect_detail"]


@dataclass(frozen=True, slots=True)
class PhotoPlace:
    """Where a defect is seen: a photo and the find in it, pixels of the upright photo.

    label : what the find is called on its sheet, such as 2-7
    """

    photo_id: int
    name: str
    width_px: int
    height_px: int
    x_px: float
    y_px: float
    length_px: float | None
    path_px: tuple[tuple[float, float], ...]
    label: str


@dataclass(frozen=True, slots=True)
class DefectDetail:
    """What the lead sees of one defect.

    open_at_mm : places at which it runs out of all photos; its length is then at least length_mm.
    downgrade_to : title of the grade, as kept with the verdict
    """

    id: int
    line_id: int
    line: str
    number: int
    kind: str
    source: str
    current: bool
    x_mm: float | None
    y_mm: float | None
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    open_at_mm: tuple[tuple[float, float], ...]
    path_mm: tuple[tuple[float, float], ...]
    ribbon_m: float | None
    ribbon_x_mm: float | None
    found_at: datetime
    recorded_by: str | None
    note: str | None
    sheet_id: int
    label: str
    pack: str | None
    customer: str | None
    shipped_at: datetime | None
    outcome: str | None
    downgrade_to: str | None
    photo: PhotoPlace | None
    times: tuple[GlassTime, ...]


def defect_detail(session: Session, defect_id: int) -> DefectDetail:
    """One revision of one defect.

    Raises
    ------
    NoSuchRecord
        if there is no such defect.
    """
    row = session.execute(
        select(Defect, Sheet, Line.name, Pack, Customer.name, Verdict, User.full_name)
        .join(Sheet, Sheet.id == Defect.sheet_id)
        .join(Line, Line.id == Defect.line_id)
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Verdict, (Verdict.sheet_id == Sheet.id) & Verdict.current)
        .outerjoin(User, User.id == Defect.recorded_by)
        .where(Defect.id == defect_id)
    ).first()
    if row is None:
        raise NoSuchRecord(f"defect {defect_id}: there is no such defect in the books")
    defect, sheet, line, pack, customer, verdict, person = row
    return DefectDetail(
        id=defect.id,
        line_id=defect.line_id,
        line=line,
        number=defect.number,
        kind=defect.kind,
        source=defect.source,
        current=defect.current,
        x_mm=defect.x_mm,
        y_mm=defect.y_mm,
        length_mm=defect.length_mm,
        width_mm=defect.width_mm,
        halo_mm=defect.halo_mm,
        length_sd_mm=defect.length_sd_mm,
        open_at_mm=points_of(defect.open_at_mm),
        path_mm=points_of(defect.path_mm),
        ribbon_m=defect.ribbon_m,
        ribbon_x_mm=defect.ribbon_x_mm,
        found_at=defect.found_at,
        recorded_by=person,
        note=defect.note,
        sheet_id=sheet.id,
        label=sheet.label,
        pack=None if pack is None else pack.label,
        customer=customer,
        shipped_at=None if pack is None else pack.shipped_at,
        outcome=None if verdict is None else verdict.outcome,
        downgrade_to=downgrade_titles(session, [sheet.id]).get(sheet.id),
        photo=_photo_place(session, defect.find_id),
        times=()
        if defect.ribbon_m is None
        else glass_times(
            session, defect.line_id, defect.ribbon_m, tied_m=sheet.ribbon_start_m, tied_at=sheet.cut_at
        ),
    )


def _photo_place(session: Session, find_id: int | None) -> PhotoPlace | None:
    if find_id is None:
        return None
    row = session.execute(
        select(Find, Photo).join(Photo, Photo.id == Find.photo_id).where(Find.id == find_id)
    ).first()
    if row is None:
        return None
    find, photo = row
    if photo.width_px is None or photo.height_px is None:
        return None
    before = session.scalar(
        select(func.count()).select_from(Photo).where(Photo.sheet_id == photo.sheet_id, Photo.id <= photo.id)
    )
    return PhotoPlace(
        photo_id=photo.id,
        name=photo.name,
        width_px=photo.width_px,
        height_px=photo.height_px,
        x_px=find.x_px,
        y_px=find.y_px,
        length_px=find.length_px,
        path_px=points_of(find.path_px),
        label=find_label(before or 0, find.number),
    )
