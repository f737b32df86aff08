"""A judged sheet drawn to scale: zones, defects, what decides, and the largest piece that passes."""

from __future__ import annotations

from dataclasses import dataclass

from models.grades import Grade, SheetToJudge, Verdict
from models.grades.cutout import CutOut
from models.grades.numbers import exact
from webapp.figures.marks import Mark, mark_for

ROOM, FOOT = 34.0, 44.0
_BARS_MM = (10, 20, 50, 100, 200, 500, 1000, 2000)
_CROWDED = 60


@dataclass(frozen=True, slots=True)
class Spot:
    """A defect in the drawing; `decides` says that a reason against the sheet rests on it."""

    x: float
    y: float
    mark: Mark
    label: str
    label_x: float
    anchor: str
    decides: bool
    text: str
    path: str


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in the drawing, with words for it."""

    x: float
    y: float
    width: float
    height: float
    text: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """The whole drawing, in its own units; leading edge at the top, left side at the left."""

    width: float
    height: float
    sheet: Box
    zones: tuple[Box, ...]
    spots: tuple[Spot, ...]
    circles: tuple[tuple[float, float, float], ...]
    lines: tuple[tuple[float, float, float, float], ...]
    piece: Box | None
    bar: float
    bar_text: str


def draw(
    sheet: SheetToJudge,
    verdict: Verdict,
    grade: Grade,
    piece: CutOut | None,
    across: float = 420,
    along: float = 620,
) -> Drawing:
    """Draw the sheet as large as fits into `across` x `along` units, margins aside."""
    scale = min(across / sheet.width_mm, along / sheet.length_mm)
    width, height = sheet.width_mm * scale, sheet.length_mm * scale

    def place(x_mm: float, y_mm: float) -> tuple[float, float]:
        return round(ROOM + x_mm * scale, 1), round(ROOM + y_mm * scale, 1)

    against = [r for r in verdict.reasons if r.outcome in ("reject", "not_judged")]
    deciding = {i for reason in against for i in reason.finds}
    label_all = len(sheet.defects) <= _CROWDED
    spots = []
    for i, defect in enumerate(sheet.defects):
        x, y = place(defect.x_mm, defect.y_mm)
        size = "not sized" if defect.length_mm is None else f"{defect.length_mm:g} mm"
        name = defect.name or str(i + 1)
        points = [place(px, py) for px, py in defect.path_mm]
        spots.append(
            Spot(
                x, y, mark_for(defect.kind), name if label_all or i in deciding else "",
                *((x - 11, "end") if x > ROOM + width - 30 else (x + 11, "start")), i in deciding,
                f"{defect.kind} {name}, {size}",
                "M" + " L".join(f"{px} {py}" for px, py in points) if len(points) > 1 else "",
            )
        )  # fmt: skip
    marks = [mark for reason in against for mark in reason.marks]
    bar_mm = max((mm for mm in _BARS_MM if mm * scale <= width * 0.4), default=_BARS_MM[0])
    box = None
    if piece is not None and piece.left_out:
        x, y = place(piece.x0_mm, piece.y0_mm)
        box = Box(
            x, y, round(piece.width_mm * scale, 1), round(piece.length_mm * scale, 1),
            f"{piece.width_mm:g} × {piece.length_mm:g} mm",
        )  # fmt: skip
    return Drawing(
        width=width + 2 * ROOM,
        height=height + ROOM + FOOT,
        sheet=Box(ROOM, ROOM, round(width, 1), round(height, 1), ""),
        zones=_zones(sheet, grade, scale),
        spots=tuple(spots),
        circles=tuple(
            (*place(*mark["circle"][:2]), round(mark["circle"][2] * scale, 1))
            for mark in marks
            if "circle" in mark
        ),
        lines=tuple(
            (*place(*mark["line"][:2]), *place(*mark["line"][2:])) for mark in marks if "line" in mark
        ),
        piece=box,
        bar=bar_mm * scale,
        bar_text=f"{bar_mm} mm" if bar_mm < 1000 else f"{bar_mm // 1000} m",
    )


def _zones(sheet: SheetToJudge, grade: Grade, scale: float) -> tuple[Box, ...]:
    """The inner limit of each zone but the innermost."""
    boxes = []
    for zone in grade.zones[:-1]:
        dx = float(zone.reach(exact(sheet.width_mm)) or 0)
        dy = float(zone.reach(exact(sheet.length_mm)) or 0)
        if 2 * dx >= sheet.width_mm or 2 * dy >= sheet.length_mm:
            continue
        boxes.append(
            Box(
                round(ROOM + dx * scale, 1), round(ROOM + dy * scale, 1),
                round((sheet.width_mm - 2 * dx) * scale, 1), round((sheet.length_mm - 2 * dy) * scale, 1),
                f"zone {zone.name} reaches to here",
            )
        )  # fmt: skip
    return tuple(boxes)
