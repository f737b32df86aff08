"""The one drawing of a sheet: from its parts in millimetres to shapes that pages and the PDF draw alike.

Leading edge at the top, left side at the left; the glass travels up. Lengths in drawing units, y down.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from webapp.figures.free_places import FreePlaces, Place
from webapp.figures.marks import mark_for
from webapp.figures.sheet_frame import frame
from webapp.figures.sheet_legend import LegendEntry, legend
from webapp.figures.sheet_parts import DefectToDraw, SheetToDraw, close_up
from webapp.figures.sheet_shapes import (
    Box,
    Circle,
    Line,
    Point,
    Rect,
    Shape,
    Sign,
    Words,
    corners,
    hatch,
    within,
)

__all__ = ["PHOTOGRAPH", "SCREEN_LETTER", "SheetLayout", "lay_out"]

#: what stands at an open end that keeps the sheet from a verdict
PHOTOGRAPH = "photograph here"
#: size of the letters on the screen, CSS px where the drawing is shown in its own size
SCREEN_LETTER = 12.5
#: more defects than the first: only those that decide carry their label, and no more of them than the second,
#: since more could not be told apart and each costs a search
_CROWDED, _MOST_LABELS = 60, 200
#: margins and sizes in sizes of a letter: room round the sheet, room under it, half a sign, the ring round it
_ROOM, _FOOT, _SIGN, _RING = 2.72, 3.5, 0.4, 0.76
#: half the frame round an open end: where to photograph, and where it does not matter
_ASK, _OPEN = 0.9, 0.5
#: narrowest drawing, so that the words beside the sheet have room
_NARROWEST = 12.0
#: between lines of a hatching, and of dots
_HATCH, _DOTS = 0.72, 1.1
#: corners of a circle that is cut by the sheet's edge
_ROUND = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLayout:
    """The drawing: `shapes` from the lowest to the topmost.

    per_mm : drawing units for a millimetre.  sheet : box of the glass, or of the window of it, that is drawn.
    count : defects drawn.  notes : sentences on what the drawing leaves out.
    """

    width: float
    height: float
    letter: float
    per_mm: float
    sheet: Box
    count: int
    shapes: tuple[Shape, ...]
    legend: tuple[LegendEntry, ...]
    notes: tuple[str, ...]

    @property
    def says(self) -> str:
        """What the drawing shows, for those who do not see it."""
        many = "1 placed defect" if self.count == 1 else f"{self.count} placed defects"
        return f"The sheet to scale with {many}; the page lists the same"


def lay_out(
    sheet: SheetToDraw,
    *,
    across: float,
    along: float,
    letter: float = SCREEN_LETTER,
    window_mm: Box | None = None,
    close_up_beside: bool = False,
) -> SheetLayout:
    """Draw a sheet, or a window of it, as large as fits into `across` x `along` units, margins aside.

    letter : size of the type; signs and margins go with it.
    window_mm : x0, y0, x1, y1 of the part that is drawn; the whole sheet where none is given.
    close_up_beside : mark the window that `close_up` proposes, and leave the labels in it to its own drawing.
    """
    window = window_mm or (0.0, 0.0, sheet.width_mm, sheet.length_mm)
    inner = close_up(sheet) if close_up_beside and window_mm is None else None
    return _Drawing(sheet, window, inner, across, along, letter).layout()


class _Drawing:
    """One drawing in the making."""

    def __init__(
        self,
        sheet: SheetToDraw,
        window: Box,
        inner: Box | None,
        across: float,
        along: float,
        letter: float,
    ) -> None:
        x0, y0, x1, y1 = window
        self.sheet, self.window, self.inner, self.letter = sheet, window, inner, letter
        self.per_mm = min(across / max(x1 - x0, 1.0), along / max(y1 - y0, 1.0))
        width, height = (x1 - x0) * self.per_mm, (y1 - y0) * self.per_mm
        left = max(_ROOM * letter, (_NARROWEST * letter - width) / 2)
        self.width, self.height = width + 2 * left, height + (_ROOM + _FOOT) * letter
        self.glass = (left, _ROOM * letter, left + width, _ROOM * letter + height)
        self.free = FreePlaces((0.0, 0.0, self.width, self.height), letter)
        self.unlabelled = 0
        self.placed = [
            (defect, self._at((defect.x_mm, defect.y_mm)))
            for defect in sheet.defects
            if defect.x_mm is not None
            and defect.y_mm is not None
            and x0 <= defect.x_mm <= x1
            and y0 <= defect.y_mm <= y1
        ]

    def layout(self) -> SheetLayout:
        """All of it."""
        shapes = [*self._ground(), *self._boxes(), *self._marks(), *self._signs()]
        edges = frame(self.glass, self.per_mm, self.letter, self.window)
        self._keep_free(edges)
        asks = list(self._asks())
        # what must be read finds its place first
        labels = [*asks, *self._tile_names(), *self._labels(), *self._photo_names()]
        return SheetLayout(
            width=self.width,
            height=self.height,
            letter=self.letter,
            per_mm=self.per_mm,
            sheet=self.glass,
            count=len(self.placed),
            shapes=(*shapes, *edges, *labels),
            legend=legend((*shapes, *asks), [defect.kind for defect, _ in self.placed]),
            notes=tuple(self._notes()),
        )

    def _at(self, place_mm: Point) -> Point:
        return (
            self.glass[0] + (place_mm[0] - self.window[0]) * self.per_mm,
            self.glass[1] + (place_mm[1] - self.window[1]) * self.per_mm,
        )

    def _box(self, box_mm: Box) -> Box | None:
        """A box of the sheet in the drawing, cut to what is drawn; None where nothing of it is."""
        x0, y0, x1, y1 = (
            max(box_mm[0], self.window[0]), max(box_mm[1], self.window[1]),
            min(box_mm[2], self.window[2]), min(box_mm[3], self.window[3]),
        )  # fmt: skip
        return (*self._at((x0, y0)), *self._at((x1, y1))) if x0 < x1 and y0 < y1 else None

    def _keep_free(self, edges: tuple[Shape, ...]) -> None:
        """No label on the names of the edges, the way of travel or the scale."""
        for shape in edges:
            if isinstance(shape, Line):
                xs, ys = zip(*(point for line in shape.lines for point in line), strict=True)
                self.free.take((min(xs), min(ys), max(xs), max(ys)))
            elif isinstance(shape, Words) and shape.turned:
                long = self.free.width_of(shape.text)
                self.free.take((shape.x - self.letter, shape.y, shape.x, shape.y + long))
            elif isinstance(shape, Words):
                self.free.take_text(Place(shape.x, shape.y, shape.anchor), shape.text)

    def _rect(self, role: str, box_mm: Box, says: str = "") -> list[Shape]:
        box = self._box(box_mm)
        if box is None:
            return []
        return [Rect(role, box[0], box[1], box[2] - box[0], box[3] - box[1], says)]

    def _ground(self) -> Iterator[Shape]:
        """The glass with its tiles, and what is cut away."""
        yield from self._rect("glass", self.window)
        missing, unknown = [], []
        for tile in self.sheet.tiles:
            yield from self._rect(f"tile-{tile.state}", tile.box_mm, tile.says)
            box = self._box(tile.box_mm)
            if box is not None and tile.state == "missing":
                missing.append(box)
            elif box is not None and tile.state == "unknown":
                unknown.append(box)
        if missing:
            yield hatch("hatch", missing, _HATCH * self.letter)
        if unknown:
            yield hatch("dots", unknown, _DOTS * self.letter)
        piece = self.sheet.piece
        if piece is not None:
            x0, y0, x1, y1 = piece.box_mm
            whole_x, whole_y = self.sheet.width_mm, self.sheet.length_mm
            away = [
                box
                for box_mm in (
                    (0, 0, whole_x, y0),
                    (0, y1, whole_x, whole_y),
                    (0, y0, x0, y1),
                    (x1, y0, whole_x, y1),
                )
                if (box := self._box(box_mm)) is not None
            ]
            yield hatch("away", away, _HATCH * self.letter)
            yield from self._rect("piece", piece.box_mm, f"largest piece that meets the grade, {piece.name}")

    def _boxes(self) -> Iterator[Shape]:
        """Photos, parts looked at by eye, what no photo shows, zones."""
        for photo in self.sheet.photos:
            yield from self._rect("photo", photo.box_mm, photo.name)
        for box in self.sheet.by_eye_mm:
            yield from self._rect("by-eye", box, "looked at by eye")
        for box in self.sheet.holes_mm:
            yield from self._rect("hole", box, "not shown by any photo")
        for box in self.sheet.under_tags_mm:
            yield from self._rect("under-tag", box, "under a reference tag in every photo")
        for zone in self.sheet.zones:
            yield from self._rect("zone", zone.box_mm, f"zone {zone.name} reaches to here")

    def _marks(self) -> Iterator[Shape]:
        """What reasons against the sheet show: where too many lie together, what lies too close."""
        for x, y, radius in self.sheet.against.circles_mm:
            yield from self._circle((x, y), radius)
        for x0, y0, x1, y1 in self.sheet.against.lines_mm:
            parts = within((self._at((x0, y0)), self._at((x1, y1))), self.glass)
            if parts:
                yield Line("counted", parts)

    def _circle(self, middle_mm: Point, radius_mm: float) -> list[Shape]:
        """A circle, of which only what lies on the sheet is drawn."""
        (x, y), radius = self._at(middle_mm), radius_mm * self.per_mm
        x0, y0, x1, y1 = self.glass
        if x0 <= x - radius and x + radius <= x1 and y0 <= y - radius and y + radius <= y1:
            return [Circle("counted", x, y, radius)]
        turns = [math.tau * n / _ROUND for n in range(_ROUND + 1)]
        arc = [(x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns]
        parts = within(arc, self.glass)
        return [Line("counted", parts)] if parts else []

    def _signs(self) -> Iterator[Shape]:
        size = _SIGN * self.letter
        for defect in self.sheet.defects:
            course = within([self._at(point) for point in defect.path_mm], self.glass)
            if course:
                yield Line("course", course)
        for defect, (x, y) in self.placed:
            reach = (_RING if defect.deciding else _SIGN) * self.letter
            self.free.take((x - reach, y - reach, x + reach, y + reach))
            if defect.deciding:
                yield Circle("deciding", x, y, _RING * self.letter)
            yield Sign(mark_for(defect.kind).shape, x, y, size, defect.says)
        if self.inner is not None:
            yield from self._rect("window", self.inner, "drawn larger on this page")

    def _asks(self) -> Iterator[Shape]:
        """Open ends: where to photograph with a heavy frame and its words, the others with a light one."""
        places = [self._at(place) for place in self.sheet.against.photograph_mm if self._shown(place)]
        reach = _ASK * self.letter
        for place in places:
            yield corners("ask", place, reach, PHOTOGRAPH)
            self.free.take((place[0] - reach, place[1] - reach, place[0] + reach, place[1] + reach))
        for defect in self.sheet.defects:
            for place_mm in defect.open_at_mm:
                at = self._at(place_mm)
                if self._shown(place_mm) and all(math.dist(at, place) > reach for place in places):
                    yield corners("open-end", at, _OPEN * self.letter, "runs out of the photos here")
        named: list[Point] = []
        for x, y in places:
            # frames that lie on one another share their words
            if any(math.dist((x, y), other) < 2 * reach for other in named):
                continue
            named.append((x, y))
            words = self.free.beside(PHOTOGRAPH, x, y, reach, far=True)
            yield from self._put("ask-words", PHOTOGRAPH, words or self.free.anyhow(PHOTOGRAPH, x, y, reach))

    def _tile_names(self) -> Iterator[Shape]:
        for tile in self.sheet.tiles:
            box = self._box(tile.box_mm)
            if tile.name and box is not None:
                place = self.free.inside(tile.name, box, corner=True)
                if place is not None:
                    yield from self._put("tile-name", tile.name, place)

    def _labels(self) -> Iterator[Shape]:
        every = len(self.placed) <= _CROWDED
        first = [entry for entry in self.placed if entry[0].deciding][:_MOST_LABELS]
        then = [entry for entry in self.placed if not entry[0].deciding] if every else []
        self.unlabelled = len(self.placed) - len(first) - len(then)
        for defect, (x, y) in (*first, *then):
            if self.inner is not None and _in(self.inner, defect):
                continue
            reach = (_RING if defect.deciding else _SIGN) * self.letter
            place = self.free.beside(defect.label, x, y, reach, far=True)
            if place is None:
                self.unlabelled += 1
            else:
                yield from self._put("label", defect.label, place)

    def _photo_names(self) -> Iterator[Shape]:
        for photo in self.sheet.photos:
            box = self._box(photo.box_mm)
            place = None if box is None else self.free.inside(photo.name, box)
            if place is not None:
                yield from self._put("photo-name", photo.name, place)

    def _put(self, role: str, text: str, place: Place) -> Iterator[Shape]:
        if place.leader is not None:
            yield Line("leader", (place.leader,))
        yield Words(role, place.x, place.y, text, place.anchor)

    def _shown(self, place_mm: Point) -> bool:
        x0, y0, x1, y1 = self.window
        return x0 <= place_mm[0] <= x1 and y0 <= place_mm[1] <= y1

    def _notes(self) -> Iterator[str]:
        lost = [defect.label for defect in self.sheet.defects if defect.x_mm is None or defect.y_mm is None]
        if lost:
            few = ", ".join(lost[:8]) + (", ..." if len(lost) > 8 else "")
            yield f"Without a place on the sheet, not drawn: {few}."
        if self.unlabelled:
            yield f"Drawn without a label, for want of room: {self.unlabelled}."


def _in(window: Box, defect: DefectToDraw) -> bool:
    x, y = defect.x_mm, defect.y_mm
    return x is not None and y is not None and window[0] <= x <= window[2] and window[1] <= y <= window[3]
