"""What a drawn sheet is made of: a few plain shapes in drawing units, y down, each with a role.

The page's SVG and the PDF draw the same shapes; only how a role looks is theirs.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from webapp.figures.marks import HOLLOW, outline, path_data

Point = tuple[float, float]
#: left, top, right, bottom
Box = tuple[float, float, float, float]

__all__ = [
    "ROLES",
    "Box",
    "Circle",
    "Line",
    "Point",
    "Rect",
    "Shape",
    "Sign",
    "Words",
    "corners",
    "hatch",
    "within",
]

#: every role that a layout gives; pages and PDF have a look for each
ROLES = (
    "glass", "tile-covered", "tile-coarse", "tile-missing", "tile-unknown", "hatch", "dots", "away", "photo",
    "by-eye", "hole", "under-tag", "zone", "piece", "counted", "course", "deciding", "open-end", "ask",
    "leader", "window", "axis", "travel", "edge-name", "tick", "label", "tile-name", "photo-name",
    "ask-words",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle. `says` : words for it, where it needs some."""

    form: ClassVar[str] = "rect"
    role: str
    x: float
    y: float
    width: float
    height: float
    says: str = ""


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle."""

    form: ClassVar[str] = "circle"
    role: str
    x: float
    y: float
    radius: float
    says: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One or several lines through points."""

    form: ClassVar[str] = "line"
    role: str
    lines: tuple[tuple[Point, ...], ...]
    says: str = ""

    @property
    def data(self) -> str:
        """As SVG path data."""
        return " ".join(path_data(line) for line in self.lines)


@dataclass(frozen=True, slots=True)
class Sign:
    """The sign of a defect's kind; `shape` as in `marks`."""

    form: ClassVar[str] = "sign"
    shape: str
    x: float
    y: float
    size: float
    says: str = ""

    @property
    def role(self) -> str:
        """Signs are looked up by their shape."""
        return self.shape

    @property
    def lines(self) -> tuple[tuple[Point, ...], ...]:
        """Its outline."""
        return outline(self.shape, self.x, self.y, self.size)

    @property
    def hollow(self) -> bool:
        """Whether only its edge is drawn."""
        return self.shape in HOLLOW

    @property
    def data(self) -> str:
        """As SVG path data."""
        return " ".join(path_data(line) for line in self.lines)


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text. (x, y) : on its base line, at its start, middle or end; `turned` : read upwards."""

    form: ClassVar[str] = "words"
    role: str
    x: float
    y: float
    text: str
    anchor: str = "start"
    turned: bool = False


Shape = Rect | Circle | Line | Sign | Words


def within(line: Sequence[Point], box: Box) -> tuple[tuple[Point, ...], ...]:
    """The parts of a line through points that lie in a box (Liang and Barsky's clipping, piece by piece)."""
    parts: list[list[Point]] = []
    for (ax, ay), (bx, by) in itertools.pairwise(line):
        enters, leaves = 0.0, 1.0
        for start, way, low, high in ((ax, bx - ax, box[0], box[2]), (ay, by - ay, box[1], box[3])):
            if way == 0.0:
                if not low <= start <= high:
                    leaves = -1.0
                continue
            first, last = sorted(((low - start) / way, (high - start) / way))
            enters, leaves = max(enters, first), min(leaves, last)
        if enters >= leaves:
            continue
        begin = (ax + enters * (bx - ax), ay + enters * (by - ay))
        end = (ax + leaves * (bx - ax), ay + leaves * (by - ay))
        if parts and math.dist(parts[-1][-1], begin) < 1e-9:
            parts[-1].append(end)
        else:
            parts.append([begin, end])
    return tuple(tuple(part) for part in parts)


def hatch(role: str, boxes: Sequence[Box], step: float) -> Line:
    """Slanted lines through boxes; in neighbouring boxes they join, since all lie on one set of lines."""
    lines: list[tuple[Point, ...]] = []
    for x0, y0, x1, y1 in boxes:
        # the lines x + y = n * step that cross the box
        for n in range(math.ceil((x0 + y0) / step), math.floor((x1 + y1) / step) + 1):
            total = n * step
            lines += within(((total - y0, y0), (total - y1, y1)), (x0, y0, x1, y1))
    return Line(role, tuple(lines))


def corners(role: str, at: Point, reach: float, says: str = "") -> Line:
    """The four corners of a frame round a place, `reach` units from it to each side."""
    (x, y), arm = at, reach * 0.55
    return Line(
        role,
        tuple(
            (
                (x + i * reach, y + j * (reach - arm)),
                (x + i * reach, y + j * reach),
                (x + i * (reach - arm), y + j * reach),
            )
            for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ),
        says,
    )
