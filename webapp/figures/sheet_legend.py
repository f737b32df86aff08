"""What the shapes in a drawing of a sheet mean: an entry for each that is drawn, none for others."""

from collections.abc import Sequence
from dataclasses import dataclass

from webapp.figures.marks import mark_for
from webapp.figures.sheet_parts import TILE_WORDS
from webapp.figures.sheet_shapes import Circle, Line, Rect, Shape, Sign, corners, hatch

__all__ = ["SWATCH", "LegendEntry", "legend"]

#: width and height of the sample beside a word
SWATCH = (26.0, 16.0)

_BOX = (1.0, 1.0, 24.0, 14.0)
_MIDDLE = (13.0, 8.0)
_WORDS = {
    **{f"tile-{state}": words for state, words in TILE_WORDS.items()},
    "photo": "shown by a photo",
    "by-eye": "looked at by eye",
    "hole": "not shown by any photo",
    "under-tag": "under a reference tag in every photo",
    "zone": "inner limit of a zone",
    "piece": "largest piece that meets the grade",
    "away": "cut away",
    "counted": "too many or too close",
    "deciding": "decides: counts against the sheet",
    "ask": "runs out of the photos: photograph here",
    "open-end": "runs out of the photos",
    "window": "drawn larger on this page",
}


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """A sample, drawn in a box of SWATCH units, and its meaning."""

    shapes: tuple[Shape, ...]
    text: str


def legend(shapes: Sequence[Shape], kinds: Sequence[str]) -> tuple[LegendEntry, ...]:
    """The entries for these shapes; signs are told by the kinds that they stand for."""
    drawn = {shape.role for shape in shapes}
    by_sign: dict[str, list[str]] = {}
    for mark in map(mark_for, dict.fromkeys(kinds)):
        labels = by_sign.setdefault(mark.shape, [])
        if mark.label not in labels:
            labels.append(mark.label)
    entries = [
        LegendEntry((Sign(shape, *_MIDDLE, 5.0),), ", ".join(labels)) for shape, labels in by_sign.items()
    ]
    return (*entries, *(LegendEntry(_sample(role), text) for role, text in _WORDS.items() if role in drawn))


def _sample(role: str) -> tuple[Shape, ...]:
    x, y = _MIDDLE
    rect = Rect(role, *_BOX)
    box = (_BOX[0], _BOX[1], _BOX[0] + _BOX[2], _BOX[1] + _BOX[3])
    if role == "tile-missing":
        return (rect, hatch("hatch", [box], 5.0))
    if role == "tile-unknown":
        return (rect, hatch("dots", [box], 5.0))
    if role == "away":
        return (hatch("away", [box], 5.0),)
    if role == "counted":
        return (Line(role, (((1.0, y), (25.0, y)),)),)
    if role == "deciding":
        return (Circle(role, x, y, 6.5),)
    if role in ("ask", "open-end"):
        return (corners(role, _MIDDLE, 7.0 if role == "ask" else 5.0),)
    return (rect,)
