"""A piece cut from a sheet, edges parallel to the sheet's, as a sheet of its own to judge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from models.grades.numbers import exact
from models.grades.onward import goes_on_as_line, rays
from models.grades.sheet import DefectToJudge, SheetToJudge, size_at_most

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


def extent_of(defect: DefectToJudge, sheet: SheetToJudge, clearance_mm: Decimal) -> Extent:
    """The fault's box: round its path where one is known, else a square of its largest dimension.

    The square is on the safe side for a line whose direction is not known. A fault too small to be sized
    fills a square of what it is at most; a line that runs out of the photos goes straight on to the sheet's
    edge. How much larger than it looks an open spot is, and a fault whose size nothing bounds, is not known:
    the box is that of what is seen.
    """
    x, y = exact(defect.x_mm), exact(defect.y_mm)
    points = [(defect.x_mm, defect.y_mm), *defect.path_mm, *defect.open_at_mm]
    if goes_on_as_line(defect):
        points += [end for _, end in rays(defect, sheet.width_mm, sheet.length_mm)]
    xs, ys = [exact(px) for px, _ in points], [exact(py) for _, py in points]
    width = exact(defect.width_mm or 0)
    half = (width if defect.path_mm else max(_length_seen(defect, sheet), width)) / 2 + clearance_mm
    return Extent(
        _whole(x * MICRON), _whole(y * MICRON),
        _down(min(xs) - half), _down(min(ys) - half), _up(max(xs) + half), _up(max(ys) + half),
    )  # fmt: skip


def _length_seen(defect: DefectToJudge, sheet: SheetToJudge) -> Decimal:
    if defect.length_mm is not None:
        return exact(defect.length_mm)
    high = size_at_most(defect, sheet)
    return Decimal(0) if high is None else high


def piece_of(sheet: SheetToJudge, rect: Rect, extents: list[Extent]) -> tuple[SheetToJudge, tuple[int, ...]]:
    """The piece as a sheet with its own origin, and which of the sheet's defects are on it.

    A fault that a cut goes through counts with its full size, at the nearest place on the piece. What the
    photos did not cover is left aside: the piece is judged on the faults known so far, in each of the sheet's
    readings.
    """
    kept = tuple(i for i, extent in enumerate(extents) if extent.touches(rect))
    edges = tuple(Decimal(value) / MICRON for value in rect)
    piece = replace(
        sheet, width_mm=float(edges[2] - edges[0]), length_mm=float(edges[3] - edges[1]),
        defects=tuple(_moved(sheet.defects[i], edges) for i in kept), covered_fraction=None, missing=(),
    )  # fmt: skip
    if not sheet.readings:
        return piece, kept
    places = {index: place for place, index in enumerate(kept)}
    readings = tuple(
        replace(
            reading,
            defects=tuple(
                _moved(defect, edges)
                for defect in reading.defects
                if extent_of(defect, sheet, Decimal(0)).touches(rect)
            ),
            finds=tuple(places[i] for i in reading.finds if i in places),
        )
        for reading in sheet.readings
    )
    return replace(piece, readings=readings), kept


def _moved(defect: DefectToJudge, edges: tuple[Decimal, ...]) -> DefectToJudge:
    """The defect on the piece between these edges in mm, by the piece's own origin."""
    x0, y0, x1, y1 = edges

    def on_piece(x: float, y: float) -> tuple[float, float]:
        return float(min(max(exact(x), x0), x1) - x0), float(min(max(exact(y), y0), y1) - y0)

    x_mm, y_mm = on_piece(defect.x_mm, defect.y_mm)
    path = tuple(on_piece(*point) for point in defect.path_mm)
    moved = replace(defect, x_mm=x_mm, y_mm=y_mm, path_mm=path)
    if not defect.open_at_mm:
        return moved
    return replace(moved, open_at_mm=tuple(on_piece(*point) for point in defect.open_at_mm))


def _whole(microns: Decimal) -> Decimal | int:
    """A whole number of microns as an int, which compares faster."""
    number = int(microns)
    return number if number == microns else microns


def _down(mm: Decimal) -> int:
    return int((mm * MICRON).to_integral_value(rounding=ROUND_FLOOR))


def _up(mm: Decimal) -> int:
    return int((mm * MICRON).to_integral_value(rounding=ROUND_CEILING))
