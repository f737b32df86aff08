"""A sheet drawn to scale with its defects."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from models.history_records import DefectRevision, PhotoHistory, SheetHistory
from webapp.figures.marks import Mark, mark_for

__all__ = ["DefectShape", "SheetFigure", "close_up", "draw_sheet"]

ROOM = 34.0
#: space under the sheet for the scale bar
FOOT = 30.0
#: defects in less than this share of the sheet are drawn apart in a larger scale
CROWDED = 0.6
BARS_MM = (10, 20, 50, 100, 200, 500, 1000, 2000)


@dataclass(frozen=True, slots=True)
class DefectShape:
    """A defect in the drawing; `path` follows a scratch, `deciding` marks what a rejection rests on."""

    number: int
    mark: Mark
    x: float
    y: float
    path: str
    label: str
    label_x: float
    label_y: float
    anchor: str
    deciding: bool
    text: str


@dataclass(frozen=True, slots=True)
class SheetFigure:
    """A sheet in the drawing: leading edge at the top, left side at the left; the glass travels up.

    inner : x, y, width, height of the window that is drawn apart
    edges : whether the top is the leading edge, whether the left is the left side
    """

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
    inner: tuple[float, float, float, float] | None
    edges: tuple[bool, bool]


def draw_sheet(
    history: SheetHistory,
    across: float = 300.0,
    along: float = 500.0,
    window: tuple[float, float, float, float] | None = None,
) -> SheetFigure:
    """Draw the sheet, or a window of it, as large as fits into `across` x `along` units, margins aside.

    window : x0, y0, x1, y1 in sheet mm; the whole sheet where none is given. A drawing of the whole sheet
    marks the window that `close_up` proposes and leaves the numbers to the drawing of that window.
    """
    sheet = history.sheet
    x0, y0, x1, y1 = window or (0.0, 0.0, sheet.width_mm, sheet.length_mm)
    per_mm = min(across / max(x1 - x0, 1.0), along / max(y1 - y0, 1.0))
    width, height = (x1 - x0) * per_mm, (y1 - y0) * per_mm
    to = _Place(x0, y0, per_mm)
    bar_mm = max((mm for mm in BARS_MM if mm * per_mm <= width * 0.5), default=BARS_MM[0])
    verdict = history.verdict
    deciding = deciding_rows(verdict.reasons, verdict.defects) if verdict else frozenset()
    inner = None if window else close_up(history)
    placed = [
        (number, defect)
        for number, defect in history.counted
        if defect.x_mm is not None
        and defect.y_mm is not None
        and x0 <= defect.x_mm <= x1
        and y0 <= defect.y_mm <= y1
    ]
    return SheetFigure(
        width=width + 2 * ROOM,
        height=height + ROOM + FOOT + 14,
        x=ROOM,
        y=ROOM,
        sheet_width=width,
        sheet_height=height,
        per_mm=per_mm,
        shapes=_shapes(placed, to, (width, height), deciding, inner),
        photos=tuple(
            _covered(photo, to, (x0, y0, x1, y1)) for photo in history.photos if _shows(photo, x0, y0, x1, y1)
        ),
        circles=_circles(() if verdict is None else verdict.reasons, to, (x0, y0, x1, y1)),
        bar=bar_mm * per_mm,
        bar_text=f"{bar_mm} mm" if bar_mm < 1000 else f"{bar_mm // 1000} m",
        inner=None
        if inner is None
        else (*to(inner[0], inner[1]), (inner[2] - inner[0]) * per_mm, (inner[3] - inner[1]) * per_mm),
        edges=(y0 <= 0.0, x0 <= 0.0),
    )


def close_up(history: SheetHistory) -> tuple[float, float, float, float] | None:
    """The window of the sheet, in mm, that holds all its defects where they crowd a part of it; else None."""
    sheet = history.sheet
    places = [(d.x_mm, d.y_mm) for _, d in history.counted if d.x_mm is not None and d.y_mm is not None]
    if len(places) < 2:
        return None
    xs, ys = zip(*places, strict=True)
    margin = 0.12 * max(max(xs) - min(xs), max(ys) - min(ys), 60.0)
    window = (
        max(min(xs) - margin, 0.0),
        max(min(ys) - margin, 0.0),
        min(max(xs) + margin, sheet.width_mm),
        min(max(ys) + margin, sheet.length_mm),
    )
    share = max((window[2] - window[0]) / sheet.width_mm, (window[3] - window[1]) / sheet.length_mm)
    return window if share < CROWDED else None


@dataclass(frozen=True, slots=True)
class _Place:
    """From sheet mm to the drawing."""

    x0: float
    y0: float
    per_mm: float

    def __call__(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return ROOM + (x_mm - self.x0) * self.per_mm, ROOM + (y_mm - self.y0) * self.per_mm


def _shows(photo: PhotoHistory, x0: float, y0: float, x1: float, y1: float) -> bool:
    c = photo.covered_mm
    return c is not None and min(c[2], x1) > max(c[0], x0) and min(c[3], y1) > max(c[1], y0)


def _covered(
    photo: PhotoHistory, to: _Place, window: tuple[float, float, float, float]
) -> tuple[float, float, float, float, str]:
    c = photo.covered_mm or window
    left, top = to(max(c[0], window[0]), max(c[1], window[1]))
    right, foot = to(min(c[2], window[2]), min(c[3], window[3]))
    return left, top, right - left, foot - top, photo.name


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


def _circles(
    reasons: Sequence[Mapping[str, Any]], to: _Place, window: tuple[float, float, float, float]
) -> tuple[tuple[float, float, float], ...]:
    marks = [
        mark for reason in reasons if reason.get("outcome") == "reject" for mark in reason.get("marks", ())
    ]
    circles = [mark["circle"] for mark in marks if len(mark.get("circle", ())) == 3]
    x0, y0, x1, y1 = window
    return tuple(
        (*to(x, y), radius * to.per_mm) for x, y, radius in circles if x0 <= x <= x1 and y0 <= y <= y1
    )


#: where a number may stand beside its sign: offsets and text anchor, the first that is free is taken
_BESIDE = (
    (8.0, -3.0, "start"),
    (-8.0, -3.0, "end"),
    (8.0, 11.0, "start"),
    (-8.0, 11.0, "end"),
    (8.0, -14.0, "start"),
)
_LETTER, _LINE = 7.2, 11.0


def _shapes(
    placed: Sequence[tuple[int, DefectRevision]],
    to: _Place,
    size: tuple[float, float],
    deciding: frozenset[int],
    inner: tuple[float, float, float, float] | None,
) -> tuple[DefectShape, ...]:
    taken: list[tuple[float, float, float, float]] = []
    for _, defect in placed:
        x, y = to(defect.x_mm or 0.0, defect.y_mm or 0.0)
        taken.append((x - 5, y - 5, x + 5, y + 5))
    shapes = []
    for number, defect in placed:
        x, y = to(defect.x_mm or 0.0, defect.y_mm or 0.0)
        mark = mark_for(defect.kind)
        told = "" if inner is not None else f"{mark.letter}{number}"
        dx, dy, anchor = _free_side(x, y, told, size, taken)
        points = [to(px, py) for px, py in defect.path_mm]
        length = "not sized" if defect.length_mm is None else f"{defect.length_mm:.2f} mm"
        shapes.append(
            DefectShape(
                number=number,
                mark=mark,
                x=x,
                y=y,
                path="M" + " L".join(f"{px:.1f} {py:.1f}" for px, py in points) if len(points) > 1 else "",
                label=told,
                label_x=x + dx,
                label_y=y + dy,
                anchor=anchor,
                deciding=defect.id in deciding,
                text=f"defect {number}: {mark.label}, {length}",
            )
        )
    return tuple(shapes)


def _free_side(
    x: float, y: float, told: str, size: tuple[float, float], taken: list[tuple[float, float, float, float]]
) -> tuple[float, float, str]:
    """The first side of a sign on which its number runs into nothing; adds the number to what is taken."""
    long = _LETTER * len(told)
    for dx, dy, anchor in _BESIDE:
        left = x + dx if anchor == "start" else x + dx - long
        box = (left, y + dy - _LINE + 2, left + long, y + dy + 2)
        # not over the names of the edges, which stand above and to the left
        inside = box[0] >= ROOM - 4 and box[2] <= ROOM + size[0] + 12 and box[1] >= ROOM - 3
        if inside and not any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for other in taken
        ):
            taken.append(box)
            return dx, dy, anchor
    return _BESIDE[0]
