"""A sheet drawn to scale with its defects, and its neighbours on the ribbon."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from models.history_records import DefectRevision, Neighbour, SheetFacts, SheetHistory
from webapp.figures.marks import Mark, mark_for

__all__ = ["DefectShape", "SheetFigure", "Strip", "StripSheet", "draw_sheet", "draw_strip"]

ROOM = 34.0
#: space under the sheet for the scale bar
FOOT = 30.0
BARS_MM = (10, 20, 50, 100, 200, 500, 1000, 2000)
STRIP_WIDTH, STRIP_TOP, STRIP_ACROSS = 1100.0, 26.0, 96.0
BREAK = 34.0
RIBBON_MM = 3500.0


@dataclass(frozen=True, slots=True)
class DefectShape:
    """A defect in the drawing; `path` follows a scratch, `deciding` marks what a rejection rests on."""

    number: int
    mark: Mark
    x: float
    y: float
    path: str
    label_x: float
    label_y: float
    anchor: str
    deciding: bool
    text: str


@dataclass(frozen=True, slots=True)
class SheetFigure:
    """A sheet in the drawing: leading edge at the top, left side at the left; the glass travels up."""

    width: float
    height: float
    x: float
    y: float
    sheet_width: float
    sheet_height: float
    per_mm: float
    shapes: tuple[DefectShape, ...]
    photos: tuple[tuple[float, float, float, float, str], ...]
    circles: tuple[tuple[float, float, float], ...]
    bar: float
    bar_text: str


def draw_sheet(history: SheetHistory, across: float = 300.0, along: float = 500.0) -> SheetFigure:
    """Draw the sheet as large as fits into `across` x `along` drawing units, margins aside."""
    sheet = history.sheet
    per_mm = min(across / max(sheet.width_mm, 1.0), along / max(sheet.length_mm, 1.0))
    width, height = sheet.width_mm * per_mm, sheet.length_mm * per_mm
    bar_mm = max((mm for mm in BARS_MM if mm * per_mm <= width * 0.5), default=BARS_MM[0])
    verdict = history.verdict
    deciding = deciding_rows(verdict.reasons, verdict.defects) if verdict else frozenset()
    shapes = tuple(
        _shape(number, defect, per_mm, width, defect.id in deciding)
        for number, defect in history.counted
        if defect.x_mm is not None and defect.y_mm is not None
    )
    photos = tuple(
        (
            ROOM + max(c[0], 0.0) * per_mm,
            ROOM + max(c[1], 0.0) * per_mm,
            (min(c[2], sheet.width_mm) - max(c[0], 0.0)) * per_mm,
            (min(c[3], sheet.length_mm) - max(c[1], 0.0)) * per_mm,
            photo.name,
        )
        for photo in history.photos
        if (c := photo.covered_mm) is not None and c[2] > c[0] and c[3] > c[1]
    )
    return SheetFigure(
        width=width + 2 * ROOM,
        height=height + ROOM + FOOT + 14,
        x=ROOM,
        y=ROOM,
        sheet_width=width,
        sheet_height=height,
        per_mm=per_mm,
        shapes=shapes,
        photos=photos,
        circles=_circles(() if verdict is None else verdict.reasons, per_mm),
        bar=bar_mm * per_mm,
        bar_text=f"{bar_mm} mm" if bar_mm < 1000 else f"{bar_mm // 1000} m",
    )


def deciding_rows(
    reasons: Sequence[Mapping[str, Any]], defects: Sequence[Mapping[str, Any]]
) -> frozenset[int]:
    """Row ids of the defects on which a reason that went against the sheet rests."""
    rows = [(defect.get("ref") or {}).get("defect") for defect in defects]
    against = (reason for reason in reasons if reason.get("outcome") == "reject")
    return frozenset(
        rows[n]
        for reason in against
        for n in reason.get("finds", ())
        if n < len(rows) and rows[n] is not None
    )


def _circles(reasons: Sequence[Mapping[str, Any]], per_mm: float) -> tuple[tuple[float, float, float], ...]:
    marks = [
        mark for reason in reasons if reason.get("outcome") == "reject" for mark in reason.get("marks", ())
    ]
    circles = [mark["circle"] for mark in marks if len(mark.get("circle", ())) == 3]
    return tuple((ROOM + x * per_mm, ROOM + y * per_mm, radius * per_mm) for x, y, radius in circles)


def _shape(number: int, defect: DefectRevision, per_mm: float, width: float, deciding: bool) -> DefectShape:
    x, y = ROOM + (defect.x_mm or 0.0) * per_mm, ROOM + (defect.y_mm or 0.0) * per_mm
    points = [(ROOM + px * per_mm, ROOM + py * per_mm) for px, py in defect.path_mm]
    path = "M" + " L".join(f"{px:.1f} {py:.1f}" for px, py in points) if len(points) > 1 else ""
    at_right = x > ROOM + width - 24
    size = "not sized" if defect.length_mm is None else f"{defect.length_mm:.2f} mm"
    return DefectShape(
        number=number,
        mark=mark_for(defect.kind),
        x=x,
        y=y,
        path=path,
        label_x=x + (-8 if at_right else 8),
        label_y=y - 4,
        anchor="end" if at_right else "start",
        deciding=deciding,
        text=f"defect {number}: {mark_for(defect.kind).label}, {size}",
    )


@dataclass(frozen=True, slots=True)
class StripSheet:
    """A sheet in the strip of neighbours."""

    sheet_id: int
    label: str
    x: float
    y: float
    width: float
    height: float
    here: bool
    text: str


@dataclass(frozen=True, slots=True)
class Strip:
    """The ribbon round a sheet, laid on its side; it travels to the left. `breaks`: gaps cut short."""

    width: float
    height: float
    top: float
    across: float
    sheets: tuple[StripSheet, ...]
    breaks: tuple[tuple[float, str], ...]


def draw_strip(
    sheet: SheetFacts, neighbours: Sequence[Neighbour], width: float = STRIP_WIDTH
) -> Strip | None:
    """Draw the sheet among its neighbours; None where it has none."""
    if not neighbours:
        return None
    places = [
        (n.ribbon_start_m, n.length_mm / 1000.0, n.x_left_mm, n.width_mm, n.sheet_id, n.label, f"{n.defects}")
        for n in neighbours
    ]
    places.append(
        (
            sheet.ribbon_start_m,
            sheet.length_mm / 1000.0,
            sheet.x_left_mm,
            sheet.width_mm,
            sheet.id,
            sheet.label,
            "this sheet",
        )
    )
    places.sort()
    offsets, breaks, total = _close_gaps(places)
    room = width - 2 - BREAK * len(breaks)
    per_m = room / max(total, 1e-6)
    shapes, marks = [], []
    broken = 0
    for place, offset in zip(places, offsets, strict=True):
        _, length, left, across, sheet_id, label, what = place
        while broken < len(breaks) and breaks[broken][0] <= offset + 1e-9:
            marks.append((1 + breaks[broken][0] * per_m + BREAK * broken + BREAK / 2, breaks[broken][1]))
            broken += 1
        per_mm = STRIP_ACROSS / max(RIBBON_MM, left + across)
        shapes.append(
            StripSheet(
                sheet_id=sheet_id,
                label=label,
                x=1 + offset * per_m + BREAK * broken,
                y=STRIP_TOP + STRIP_ACROSS - (left + across) * per_mm,
                width=length * per_m,
                height=across * per_mm,
                here=sheet_id == sheet.id,
                text=what if sheet_id == sheet.id else f"{what} defect{'' if what == '1' else 's'}",
            )
        )
    return Strip(width, STRIP_TOP + STRIP_ACROSS + 8, STRIP_TOP, STRIP_ACROSS, tuple(shapes), tuple(marks))


def _close_gaps(places: Sequence[tuple[Any, ...]]) -> tuple[list[float], list[tuple[float, str]], float]:
    """Offsets in metres with long gaps taken out, the places where they were, and the length that is left."""
    offsets: list[float] = []
    breaks: list[tuple[float, str]] = []
    taken_out = 0.0
    first = places[0][0]
    reached = first
    for start, length, *_ in places:
        gap = start - reached
        if gap > length * 0.5:
            breaks.append((reached - first - taken_out, f"{gap:.0f} m"))
            taken_out += gap
        offsets.append(start - first - taken_out)
        reached = max(reached, start + length)
    return offsets, breaks, reached - first - taken_out
