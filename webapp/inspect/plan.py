"""The sheet drawn for the booth: what was looked at finely enough, what is missing, where the defects lie."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from models.grades import Reason, SheetToJudge
from models.records import Defect, Photo, Sheet
from models.sheet.labels import defect_label
from models.sheet.looked import LookedAt, LookStatement, parts_of_looks
from models.sheet.seen import points_of
from webapp.figures.against import Against, against
from webapp.figures.sheet_layout import SheetLayout, lay_out
from webapp.figures.sheet_parts import BoxToDraw, DefectToDraw, SheetToDraw, judged_defects, tiles_of

__all__ = ["Plan", "draw_plan"]

ACROSS, ALONG = 250.0, 360.0


@dataclass(frozen=True, slots=True)
class Plan:
    """The drawing and its words."""

    drawing: SheetLayout
    headline: str
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    complete: bool


def draw_plan(
    sheet: Sheet,
    looked: LookedAt,
    defects: Sequence[Defect],
    photos: Sequence[Photo],
    *,
    looks: Sequence[LookStatement] = (),
    judged: SheetToJudge | None = None,
    reasons: Sequence[Reason] = (),
) -> Plan:
    """The plan of a sheet with what was looked at and what counts as a defect now.

    looks : who said to have looked where, for the parts looked at by eye.
    judged, reasons : what was judged, finds that nobody has decided among it, and the reasons of the grade
    ordered. Without them `defects` are drawn, and every end outside the photos asks for a photo, since nobody
    knows whether it matters.
    """
    if judged is None:
        drawn = tuple(_defect(defect) for defect in defects)
        why = Against(photograph_mm=tuple(place for defect in drawn for place in defect.open_at_mm))
    else:
        why = against(reasons)
        drawn = judged_defects(judged, why)
    enough = f" finely enough for {looked.needed_mm:g} mm" if looked.needed_mm is not None else ""
    to_draw = SheetToDraw(
        width_mm=sheet.width_mm,
        length_mm=sheet.length_mm,
        defects=drawn,
        tiles=tiles_of(looked),
        photos=tuple(
            BoxToDraw(name=f"photo {number}", box_mm=(x0, y0, x1, y1))
            for number, photo in enumerate(photos, start=1)
            if photo.covered_mm is not None
            for x0, y0, x1, y1 in [photo.covered_mm]
        ),
        by_eye_mm=tuple(part.rectangle_mm for part in parts_of_looks(looks, sheet.width_mm, sheet.length_mm)),
        holes_mm=looked.holes_mm,
        under_tags_mm=looked.under_tags_mm,
        against=why,
    )
    return Plan(
        drawing=lay_out(to_draw, across=ACROSS, along=ALONG),
        headline=f"Looked at{enough}: {_per_cent(looked)} %",
        sentences=looked.missing,
        notes=looked.notes,
        complete=looked.complete,
    )


def _per_cent(looked: LookedAt) -> int:
    """Rounded down, so that a part never reads as the whole."""
    return 100 if looked.complete else math.floor(100 * looked.covered_fraction)


def _defect(defect: Defect) -> DefectToDraw:
    return DefectToDraw(
        label=defect_label(defect.number),
        kind=defect.kind,
        x_mm=defect.x_mm,
        y_mm=defect.y_mm,
        length_mm=defect.length_mm,
        path_mm=points_of(defect.path_mm),
        open_at_mm=points_of(defect.open_at_mm),
    )
