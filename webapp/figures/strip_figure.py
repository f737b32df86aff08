"""The neighbours of a sheet on the ribbon, laid on its side: the glass travels to the left."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from models.history_records import Neighbour, SheetFacts
from webapp.figures.lettering import WIDTH, room_for

__all__ = ["Strip", "StripSheet", "draw_strip"]

STRIP_TOP, STRIP_ACROSS = 30.0, 96.0
BREAK = 34.0
RIBBON_MM = 3500.0


@dataclass(frozen=True, slots=True)
class StripSheet:
    """A sheet in the strip of neighbours.

    title : how many defects it has, over what was looked at.  text : the same, as short as its room asks;
    empty where there is none
    """

    sheet_id: int
    label: str
    x: float
    y: float
    width: float
    height: float
    here: bool
    title: str
    text: str
    roomy: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """The ribbon round a sheet, laid on its side; it travels to the left. `breaks`: gaps cut short."""

    width: float
    height: float
    top: float
    across: float
    sheets: tuple[StripSheet, ...]
    breaks: tuple[tuple[float, str], ...]


def draw_strip(sheet: SheetFacts, neighbours: Sequence[Neighbour], width: float = WIDTH) -> Strip | None:
    """Draw the sheet among its neighbours; None where it has none."""
    if not neighbours:
        return None
    places = [
        (
            n.ribbon_start_m,
            n.length_mm / 1000.0,
            n.x_left_mm,
            n.width_mm,
            n.sheet_id,
            n.label,
            (n.words, n.count),
        )
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
            ("this sheet", "this sheet"),
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
        room_here = length * per_m * WIDTH / width - 8.0
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
                roomy=room_for(label) <= room_here and across * per_mm >= 46.0,
                title=what[0],
                text=next((words for words in what if room_for(words) <= room_here), ""),
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
