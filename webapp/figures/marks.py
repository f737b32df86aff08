"""How each kind of defect is told apart: by the shape of its sign, never by colour alone, and by no letter.

The outlines here are the only ones: pages, PDF and the booth's script draw them.
"""

import itertools
import math
from dataclasses import dataclass

from models.grades.kinds import family, known, tidy

__all__ = [
    "HOLLOW",
    "MARKS",
    "NOT_GLASS",
    "OUTLINES",
    "SLIM",
    "Mark",
    "dashes",
    "mark_for",
    "outline",
    "path_data",
    "sign_data",
]

Point = tuple[float, float]

#: corners of each sign in halves of its size, x right, y down
OUTLINES: dict[str, tuple[Point, ...]] = {
    "diamond": ((0, -1), (1, 0), (0, 1), (-1, 0)),
    "bar": ((-0.28, -1.3), (0.28, -1.3), (0.28, 1.3), (-0.28, 1.3)),
    "triangle": ((0, -1), (1, 0.8), (-1, 0.8)),
    "square": ((-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)),
    "plus": (
        (-0.3, -1), (0.3, -1), (0.3, -0.3), (1, -0.3), (1, 0.3), (0.3, 0.3),
        (0.3, 1), (-0.3, 1), (-0.3, 0.3), (-1, 0.3), (-1, -0.3), (-0.3, -0.3),
    ),
    "wave": (
        (-1.2, 0.1), (-0.6, -0.7), (0, 0), (0.6, -0.7), (1.2, 0.1), (1.2, 0.7), (0.6, 0), (0, 0.7),
        (-0.6, 0), (-1.2, 0.7),
    ),
    "notch": ((-1, -1), (0, 0.3), (1, -1), (1, -0.1), (0, 1.2), (-1, -0.1)),
    "cross": (
        (-1, -0.6), (-0.6, -1), (0, -0.4), (0.6, -1), (1, -0.6), (0.4, 0),
        (1, 0.6), (0.6, 1), (0, 0.4), (-0.6, 1), (-1, 0.6), (-0.4, 0),
    ),
    "hexagon": ((-0.5, -0.9), (0.5, -0.9), (1, 0), (0.5, 0.9), (-0.5, 0.9), (-1, 0)),
    "pentagon": ((0, -1), (1, -0.25), (0.62, 0.9), (-0.62, 0.9), (-1, -0.25)),
}  # fmt: skip
#: signs without corners, and their radius
RADIUS = {"ring": 0.8, "dotted": 0.9}
#: signs of which only the edge is drawn
HOLLOW = frozenset({"ring", "dotted", "square", "hexagon"})
#: signs too slim to lie around a find in a photo, which must be free to look at
SLIM = frozenset({"bar", "wave"})
#: corners of a circle drawn as straight pieces: it leaves the circle by less than 0.3 % of its radius
_ROUND = 48


@dataclass(frozen=True, slots=True)
class Mark:
    """One kind's sign.

    shape : a key of OUTLINES, "ring", or "dotted" (a ring of dashes, for what is not in the glass)
    label : the word beside it in legends
    """

    kind: str
    shape: str
    label: str

    @property
    def hollow(self) -> bool:
        """Whether only its edge is drawn."""
        return self.shape in HOLLOW

    def data(self, x: float, y: float, size: float) -> str:
        """The sign with its middle at (x, y) as SVG path data."""
        return sign_data(self.shape, x, y, size)

    @property
    def plural(self) -> str:
        """The word for several of them."""
        ending = "es" if self.label.endswith(("s", "x", "ch", "sh")) else "s"
        return self.label + ending


MARKS = {
    "bubble": Mark("bubble", "ring", "bubble"),
    "stone": Mark("stone", "diamond", "stone"),
    "scratch": Mark("scratch", "bar", "scratch"),
}
NOT_GLASS = Mark("not_glass", "dotted", "not glass")
#: the first that a kind is or hangs under gives its shape
_GROUPS = (
    ("bubble", "ring"),
    ("stone", "diamond"),
    ("foreign", "triangle"),
    ("roll mark", "square"),
    ("point", "plus"),
    ("ream", "wave"),
    ("linear", "bar"),
    ("edge", "notch"),
    ("crack", "cross"),
    ("area", "hexagon"),
)
#: of a word that is none of the known kinds, so that it is drawn and read rather than lost
_STRANGE = "pentagon"


def mark_for(kind: str) -> Mark:
    """The sign of a kind: its shape is that of the group it belongs to, its word its own."""
    name = tidy(kind)
    if name in MARKS:
        return MARKS[name]
    if name == "not glass":
        return NOT_GLASS
    above = family(name) if known(name) else frozenset()
    return Mark(kind, next((shape for group, shape in _GROUPS if group in above), _STRANGE), name)


def outline(
    shape: str, x: float, y: float, size: float, dash: tuple[float, float] | None = None
) -> tuple[tuple[Point, ...], ...]:
    """The lines of a sign with its middle at (x, y), y down: a closed one, or the dashes of the dotted ring.

    size : half the sign's height, about. A closed line ends where it began.
    dash : how much of a dotted ring is drawn and left out in turn; in halves of its size where none is given.
    """
    if shape in RADIUS:
        radius = RADIUS[shape] * size
        turns = [math.tau * n / _ROUND for n in range(_ROUND + 1)]
        ring = tuple((x + radius * math.sin(turn), y - radius * math.cos(turn)) for turn in turns)
        return (ring,) if shape == "ring" else dashes(ring, *(dash or (0.35 * size, 0.45 * size)))
    corners = tuple((x + size * px, y + size * py) for px, py in OUTLINES[shape])
    return ((*corners, corners[0]),)


def dashes(line: tuple[Point, ...], drawn: float, left_out: float) -> tuple[tuple[Point, ...], ...]:
    """A line cut into dashes of about these lengths, so that screen, print and PDF show the same ones.

    The lengths are drawn out a little so that a whole number of dashes fits; at least two are drawn.
    """
    lengths = [math.dist(a, b) for a, b in itertools.pairwise(line)]
    whole = sum(lengths)
    if whole <= 0.0:
        return ()
    count = max(2, round(whole / (drawn + left_out)))
    step, part = whole / count, whole / count * drawn / (drawn + left_out)
    return tuple(_piece(line, lengths, n * step, n * step + part) for n in range(count))


def path_data(line: tuple[Point, ...]) -> str:
    """SVG path data through points; empty for fewer than two."""
    if len(line) < 2:
        return ""
    closed = len(line) > 2 and line[0] == line[-1]
    points = line[:-1] if closed else line
    return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if closed else "")


def sign_data(shape: str, x: float, y: float, size: float) -> str:
    """A sign by its shape alone, with its middle at (x, y), as SVG path data."""
    return " ".join(path_data(line) for line in outline(shape, x, y, size))


def _piece(line: tuple[Point, ...], lengths: list[float], start: float, end: float) -> tuple[Point, ...]:
    """The part of a line from `start` to `end`, measured along it."""
    points: list[Point] = []
    along = 0.0
    for ((ax, ay), (bx, by)), long in zip(itertools.pairwise(line), lengths, strict=True):
        if long > 0.0 and along + long >= start and along <= end:
            for at in (max(start, along), min(end, along + long)):
                share = (at - along) / long
                point = (ax + share * (bx - ax), ay + share * (by - ay))
                if not points or point != points[-1]:
                    points.append(point)
        along += long
    return tuple(points)
