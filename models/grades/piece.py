"""A piece cut from a sheet, edges parallel to the sheet's, as a sheet of its own to judge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from models.grades.numbers import exact
from models.grades.sheet import DefectToJudge, SheetToJudge

MICRON = Decimal(1000)
"""Microns in a millimetre: cuts are placed on whole microns."""

Rect = tuple[int, int, int, int]
"""x0, y0, x1, y1 of a piece in microns from the sheet's origin."""


@dataclass(frozen=True, slots=True)
class Extent:
    """Where a fault lies, in microns: its place and the box it fills, rounded outwards."""

    x: Decimal | int
    y: Decimal | int
    x0: int
    y0: int
    x1: int
    y1: int

    def touches(self, rect: Rect) -> bool:
        """Whether some of the fault lies in the piece; a cut along its rim leaves it out."""
        return self.x1 > rect[0] and self.x0 < rect[2] and self.y1 > rect[1] and self.y0 < rect[3]


def extent_of(defect: DefectToJudge, clearance_mm: Decimal) -> Extent:
    """The fault's box: round its path where one is known, else a square of its largest dimension.

    The square is on the safe side for a line whose direction is not known.
    """
    x, y = exact(defect.x_mm), exact(defect.y_mm)
    xs, ys = [x], [y]
    if defect.path_mm:
        xs += [exact(px) for px, _ in defect.path_mm]
        ys += [exact(py) for _, py in defect.path_mm]
        half = exact(defect.width_mm or 0) / 2
    else:
        half = max(exact(defect.length_mm or 0), exact(defect.width_mm or 0)) / 2
    half += clearance_mm
    return Extent(
        _whole(x * MICRON), _whole(y * MICRON),
        _down(min(xs) - half), _down(min(ys) - half), _up(max(xs) + half), _up(max(ys) + half),
    )  # fmt: skip


def piece_of(sheet: SheetToJudge, rect: Rect, extents: list[Extent]) -> tuple[SheetToJudge, tuple[int, ...]]:
    """The piece as a sheet with its own origin, and which of the sheet's defects are on it.

    A fault that a cut goes through counts with its full size, at the nearest place on the piece. What the
    photos did not cover is left aside: the piece is judged on the faults known so far.
    """
    x0, y0, x1, y1 = (Decimal(value) / MICRON for value in rect)
    kept, defects = [], []
    for i, (defect, extent) in enumerate(zip(sheet.defects, extents, strict=True)):
        if not extent.touches(rect):
            continue
        kept.append(i)
        x = min(max(exact(defect.x_mm), x0), x1) - x0
        y = min(max(exact(defect.y_mm), y0), y1) - y0
        path = tuple(
            (float(min(max(exact(px), x0), x1) - x0), float(min(max(exact(py), y0), y1) - y0))
            for px, py in defect.path_mm
        )
        defects.append(replace(defect, x_mm=float(x), y_mm=float(y), path_mm=path))
    piece = replace(
        sheet, width_mm=float(x1 - x0), length_mm=float(y1 - y0), defects=tuple(defects),
        covered_fraction=None, missing=(),
    )  # fmt: skip
    return piece, tuple(kept)


def _whole(microns: Decimal) -> Decimal | int:
    """A whole number of microns as an int, which compares faster."""
    number = int(microns)
    return number if number == microns else microns


def _down(mm: Decimal) -> int:
    return int((mm * MICRON).to_integral_value(rounding=ROUND_FLOOR))


def _up(mm: Decimal) -> int:
    return int((mm * MICRON).to_integral_value(rounding=ROUND_CEILING))
