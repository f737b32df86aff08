"""Where words may stand in a drawing so that none lies on another: the first free place beside a sign."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from webapp.figures.sheet_shapes import Box, Point, within

__all__ = ["FreePlaces", "Place"]

#: width of a bold letter against its size, in a few figures and averaged over words: of DejaVu Sans, the
#: widest of the system fonts and the one of the PDF (measured there: at most 0.753 and 0.633)
_SHORT_ASPECT, _WORDS_ASPECT, _SHORT = 0.76, 0.64, 7
#: height of a line of text over and under its base line, against its size
_ASCENT, _DESCENT = 0.82, 0.26
#: how far out a name is moved from a sign in a crowd, in sizes of a letter; a thin line then leads to it
_FURTHER = (1.9, 3.1, 4.4, 5.8)
#: right, left, above, below and between: the way from a sign to its name, and the name's anchor
_SIDES = (
    (1.0, -0.35, "start"), (-1.0, -0.35, "end"), (1.0, 0.6, "start"), (-1.0, 0.6, "end"),
    (0.0, -1.0, "middle"), (0.0, 1.0, "middle"),
)  # fmt: skip
_WAYS = (
    (1.0, 0.0, "start"), (-1.0, 0.0, "end"),
    (0.9, -0.5, "start"), (-0.9, -0.5, "end"), (0.9, 0.5, "start"), (-0.9, 0.5, "end"),
    (0.4, -0.95, "start"), (-0.4, -0.95, "end"), (0.4, 0.95, "start"), (-0.4, 0.95, "end"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """Where a text stands: its base line's start, middle or end, and the line that leads to it, if any."""

    x: float
    y: float
    anchor: str
    leader: tuple[Point, Point] | None = None


class FreePlaces:
    """The room of a drawing and what is taken in it.

    room : everything must stand inside.  letter : size of the type, drawing units.
    """

    def __init__(self, room: Box, letter: float) -> None:
        self._room, self._letter = room, letter
        self._cell = 4.0 * letter
        self._taken: dict[tuple[int, int], list[Box]] = defaultdict(list)
        self._texts: list[Box] = []

    def width_of(self, text: str) -> float:
        """Drawing units that a text takes at most."""
        return len(text) * self._letter * (_SHORT_ASPECT if len(text) <= _SHORT else _WORDS_ASPECT)

    def take(self, box: Box) -> None:
        """Keep a box free of words."""
        for cell in self._cells(box):
            self._taken[cell].append(box)

    def take_text(self, place: Place, text: str) -> None:
        """Keep the room of a text that stands, and of the line that leads to it."""
        box = self._box(place, text)
        self.take(box)
        self._texts.append(box)
        for x, y in _along(place.leader, 0.4 * self._letter):
            self.take((x, y, x, y))

    def is_free(self, box: Box) -> bool:
        """Whether a box lies in the room and on nothing."""
        x0, y0, x1, y1 = self._room
        if box[0] < x0 or box[1] < y0 or box[2] > x1 or box[3] > y1:
            return False
        return not any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for cell in self._cells(box)
            for other in self._taken.get(cell, ())
        )

    def beside(self, text: str, x: float, y: float, reach: float, *, far: bool = False) -> Place | None:
        """The first free place of a text beside a sign at (x, y), taken with this call; None where none is.

        reach : how far the sign goes out.  far : a place further out, with a line to it, will do too.
        """
        for place in self._beside(text, x, y, reach, far=far):
            if self.is_free(self._box(place, text)) and not self._crosses_words(place.leader):
                self.take_text(place, text)
                return place
        return None

    def inside(self, text: str, box: Box, *, corner: bool = False) -> Place | None:
        """A free place of a text inside a box: its middle or a corner; None where none is free.

        corner : the upper left corner first, the middle last.
        """
        x0, y0, x1, y1 = box
        pad = 0.25 * self._letter
        top, foot = y0 + pad + _ASCENT * self._letter, y1 - pad - _DESCENT * self._letter
        middle = (y0 + y1) / 2 + (_ASCENT - _DESCENT) / 2 * self._letter
        places = [
            Place(x0 + pad, top, "start"),
            Place(x1 - pad, top, "end"),
            Place(x0 + pad, foot, "start"),
            Place(x1 - pad, foot, "end"),
        ]
        places.insert(len(places) if corner else 0, Place((x0 + x1) / 2, middle, "middle"))
        for place in places:
            at = self._box(place, text)
            fits = at[0] >= x0 and at[2] <= x1 and at[1] >= y0 and at[3] <= y1
            if fits and self.is_free(at):
                self.take_text(place, text)
                return place
        return None

    def anyhow(self, text: str, x: float, y: float, reach: float) -> Place:
        """A place for a text that must be read, whatever lies there: above or below (x, y), in the room."""
        x0, y0, x1, _ = self._room
        half = self.width_of(text) / 2
        above = y - reach - _DESCENT * self._letter
        base = above if above - _ASCENT * self._letter >= y0 else y + reach + _ASCENT * self._letter
        place = Place(min(max(x, x0 + half), max(x1 - half, x0 + half)), base, "middle")
        self.take_text(place, text)
        return place

    def _beside(self, text: str, x: float, y: float, reach: float, *, far: bool) -> Iterator[Place]:
        letter, half = self._letter, self.width_of(text) / 2
        rise = (_ASCENT - _DESCENT) / 2 * letter
        gap = 0.32 * letter
        for dx, dy, anchor in _SIDES:
            if anchor == "middle":
                down = reach + gap + (_DESCENT if dy < 0 else _ASCENT) * letter
                # a text that is longer than the room at one side is moved along, so that it stays in the room
                left = min(max(x - half, self._room[0]), max(self._room[2] - 2 * half, self._room[0]))
                yield Place(left + half, y + dy * down, "middle")
            else:
                yield Place(x + dx * (reach + gap), y + rise + dy * letter, anchor)
        if not far:
            return
        for out in _FURTHER:
            for dx, dy, anchor in _WAYS:
                tip = (x + dx * (reach + out * letter), y + dy * (reach + out * letter))
                nearby = (x + dx * reach, y + dy * reach)
                side = gap if anchor == "start" else -gap
                yield Place(tip[0] + side, tip[1] + rise, anchor, (nearby, tip))

    def _crosses_words(self, leader: tuple[Point, Point] | None) -> bool:
        return leader is not None and any(within(leader, box) for box in self._texts)

    def _box(self, place: Place, text: str) -> Box:
        width = self.width_of(text)
        left = place.x - {"start": 0.0, "middle": width / 2, "end": width}[place.anchor]
        return left, place.y - _ASCENT * self._letter, left + width, place.y + _DESCENT * self._letter

    def _cells(self, box: Box) -> Sequence[tuple[int, int]]:
        i0, j0, i1, j1 = (int(value // self._cell) for value in box)
        return [(i, j) for i in range(i0, i1 + 1) for j in range(j0, j1 + 1)]


def _along(leader: tuple[Point, Point] | None, step: float) -> Iterator[Point]:
    """Points along a line, ends left out."""
    if leader is not None:
        (ax, ay), (bx, by) = leader
        pieces = max(2, round(math.dist((ax, ay), (bx, by)) / step))
        for n in range(1, pieces):
            yield ax + (bx - ax) * n / pieces, ay + (by - ay) * n / pieces
