"""A judged sheet drawn: zones, defects, what decides, and the largest piece that passes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.grades import Grade, SheetToJudge, Verdict
from models.grades.cutout import CutOut
from models.grades.numbers import exact
from models.sheet.looked import LookedAt
from webapp.figures.against import against
from webapp.figures.sheet_layout import SheetLayout, lay_out
from webapp.figures.sheet_parts import BoxToDraw, SheetToDraw, judged_defects, tiles_of

__all__ = ["draw"]

ACROSS, ALONG = 400.0, 620.0


def draw(
    sheet: SheetToJudge,
    verdict: Verdict,
    grade: Grade,
    piece: CutOut | None,
    looked: LookedAt | Mapping[str, Any] | None = None,
) -> SheetLayout:
    """Draw the sheet as a grade judges it.

    looked : what was looked at, as it is now or as a verdict keeps it; tiles that were not are hatched.
    """
    why = against(verdict.reasons)
    box = None
    if piece is not None and piece.left_out:
        x0, y0 = piece.x0_mm, piece.y0_mm
        box = BoxToDraw(
            name=f"{piece.width_mm:g} × {piece.length_mm:g} mm",
            box_mm=(x0, y0, x0 + piece.width_mm, y0 + piece.length_mm),
        )
    to_draw = SheetToDraw(
        width_mm=sheet.width_mm,
        length_mm=sheet.length_mm,
        defects=judged_defects(sheet, why),
        tiles=() if looked is None else tuple(tile for tile in tiles_of(looked) if tile.state != "covered"),
        zones=_zones(sheet, grade),
        piece=box,
        against=why,
    )
    return lay_out(to_draw, across=ACROSS, along=ALONG)


def _zones(sheet: SheetToJudge, grade: Grade) -> tuple[BoxToDraw, ...]:
    """The inner limit of each zone but the innermost."""
    zones = []
    for zone in grade.zones[:-1]:
        dx = float(zone.reach(exact(sheet.width_mm)) or 0)
        dy = float(zone.reach(exact(sheet.length_mm)) or 0)
        if 2 * dx < sheet.width_mm and 2 * dy < sheet.length_mm:
            box = (dx, dy, sheet.width_mm - dx, sheet.length_mm - dy)
            zones.append(BoxToDraw(name=zone.name, box_mm=box))
    return tuple(zones)
