"""A sheet drawn from its history: its defects, what the verdict rests on, what was looked at."""

from collections.abc import Mapping, Sequence
from typing import Any

from models.history_records import DefectRevision, PhotoHistory, SheetHistory, VerdictHistory
from models.sheet.labels import defect_label
from models.sheet.looked import LookStatement, looked_at, looked_fraction, part_of_photo, parts_of_looks
from webapp.figures.against import Against, against
from webapp.figures.sheet_layout import SCREEN_LETTER, SheetLayout, lay_out
from webapp.figures.sheet_parts import BoxToDraw, DefectToDraw, SheetToDraw, TileToDraw, close_up, tiles_of
from webapp.figures.sheet_shapes import Box

__all__ = ["draw_detail", "draw_sheet"]


def draw_sheet(
    history: SheetHistory,
    across: float = 300.0,
    along: float = 500.0,
    letter: float = SCREEN_LETTER,
    looks: Sequence[LookStatement] = (),
) -> SheetLayout:
    """Draw the whole sheet; where its defects crowd a part of it, that part is marked for `draw_detail`."""
    sheet = _to_draw(history, looks)
    return lay_out(sheet, across=across, along=along, letter=letter, close_up_beside=True)


def draw_detail(
    history: SheetHistory,
    across: float = 340.0,
    along: float = 300.0,
    letter: float = SCREEN_LETTER,
    looks: Sequence[LookStatement] = (),
) -> SheetLayout | None:
    """Draw the part of the sheet in which its defects crowd; None where they do not."""
    sheet = _to_draw(history, looks)
    window = close_up(sheet)
    if window is None:
        return None
    return lay_out(sheet, across=across, along=along, letter=letter, window_mm=window)


def _to_draw(history: SheetHistory, looks: Sequence[LookStatement]) -> SheetToDraw:
    sheet, verdict = history.sheet, history.verdict
    why = Against() if verdict is None else against(verdict.reasons)
    deciding = frozenset() if verdict is None else _deciding(verdict, why)
    return SheetToDraw(
        width_mm=sheet.width_mm,
        length_mm=sheet.length_mm,
        defects=tuple(
            _defect(number, defect, deciding=number in deciding) for number, defect in history.counted
        ),
        tiles=_tiles(history, looks),
        photos=tuple(
            BoxToDraw(name=f"photo {number}", box_mm=photo.covered_mm)
            for number, photo in enumerate(history.photos, start=1)
            if photo.covered_mm is not None
        ),
        by_eye_mm=tuple(part.rectangle_mm for part in parts_of_looks(looks, sheet.width_mm, sheet.length_mm)),
        holes_mm=_boxes(verdict, "holes_mm"),
        under_tags_mm=_boxes(verdict, "under_tags_mm"),
        against=why,
    )


def _defect(number: int, defect: DefectRevision, *, deciding: bool) -> DefectToDraw:
    return DefectToDraw(
        label=defect_label(number),
        kind=defect.kind,
        x_mm=defect.x_mm,
        y_mm=defect.y_mm,
        length_mm=defect.length_mm,
        path_mm=defect.path_mm,
        deciding=deciding,
    )


def _deciding(verdict: VerdictHistory, why: Against) -> frozenset[int]:
    """Numbers of the defects on which the verdict rests; a defect keeps its number through corrections."""
    numbers = [(defect.get("ref") or {}).get("number") for defect in verdict.defects]
    decide = (numbers[place] for place in why.defects if place < len(numbers))
    return frozenset(number for number in decide if number is not None)


def _tiles(history: SheetHistory, looks: Sequence[LookStatement]) -> tuple[TileToDraw, ...]:
    """What was not looked at, or not finely enough: as the verdict kept it, else from photos and looks."""
    sheet, verdict = history.sheet, history.verdict
    if verdict is not None and verdict.coverage.get("tiles"):
        return _bare(tiles_of(verdict.coverage))
    shown = [part for photo in history.photos if (part := part_of_photo(_values(photo))) is not None]
    parts = shown + parts_of_looks(looks, sheet.width_mm, sheet.length_mm)
    seen = looked_at(sheet.width_mm, sheet.length_mm, parts, None)
    fraction = looked_fraction(sheet.state, parts, looks, seen.seen_fraction)
    if fraction:
        return _bare(tiles_of(seen))
    whole = (0.0, 0.0, sheet.width_mm, sheet.length_mm)
    return (TileToDraw(name="", box_mm=whole, state="unknown" if fraction is None else "missing"),)


def _bare(tiles: tuple[TileToDraw, ...]) -> tuple[TileToDraw, ...]:
    """Without what is in order, and without names, which would stand among the numbers of defects."""
    return tuple(
        TileToDraw(name="", box_mm=tile.box_mm, state=tile.state) for tile in tiles if tile.state != "covered"
    )


def _values(photo: PhotoHistory) -> Mapping[str, Any]:
    return {
        "covered_mm": photo.covered_mm,
        "covered_fraction": photo.covered_fraction,
        "smallest_sized_mm": photo.smallest_sized_mm,
    }


def _boxes(verdict: VerdictHistory | None, name: str) -> tuple[Box, ...]:
    boxes = () if verdict is None else verdict.coverage.get(name) or ()
    return tuple((float(x0), float(y0), float(x1), float(y1)) for x0, y0, x1, y1 in boxes)
