"""Where a count of none would not mean that there is none: how it is drawn and said.

Each state has a pattern of its own (`_partials/glass.html`), since colour alone would be lost in print and to
many eyes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from models.ribbon_glass import GlassPatch, PatchState
from models.sheet.looked_words import WHOLE, looked_words
from models.shift_rates import ShiftRate
from webapp.figures.axes import Axis, TimeAxis
from webapp.figures.rate_words import rate_words

__all__ = ["GLASS_WORDS", "GlassShape", "Legend", "glass_shapes", "legend_of", "nothing_words", "shift_gaps"]

Legend = tuple[tuple[PatchState, str], ...]
#: what each state is called, in the order of a legend
GLASS_WORDS: dict[PatchState, str] = {
    "not_looked": looked_words(0.0),
    "unknown": looked_words(None),
    "part": "less than half looked at",
    "no_sheet": "no sheet",
}
#: a shift of some minutes still gets a mark that can be seen
LEAST_WIDTH = 3.0


@dataclass(frozen=True, slots=True)
class GlassShape:
    """A rectangle of the drawing in one of the states."""

    state: PatchState
    x: float
    y: float
    width: float
    height: float
    text: str


def glass_shapes(
    patches: Sequence[GlassPatch], along: Callable[[float], float], across: Axis
) -> tuple[GlassShape, ...]:
    """The patches of a ribbon map in one of its panels."""
    shapes = []
    for patch in patches:
        left, right = along(patch.m_lo), along(patch.m_hi)
        head, foot = across.place(patch.x_hi_mm), across.place(patch.x_lo_mm)
        text = (
            f"{GLASS_WORDS[patch.state]}: {patch.m_lo:.0f} to {patch.m_hi:.0f} m,"
            f" {patch.x_lo_mm:.0f} to {patch.x_hi_mm:.0f} mm across"
        )
        shapes.append(GlassShape(patch.state, left, head, right - left, foot - head, text))
    return tuple(shapes)


def shift_gaps(
    shifts: Sequence[ShiftRate], along: TimeAxis, top: float, bottom: float, zone: tzinfo
) -> tuple[GlassShape, ...]:
    """The shifts that have no rate, as marks over their time."""
    gaps = []
    for shift in shifts:
        if shift.looked_fraction:
            continue
        left = max(along.place(shift.begin), along.start)
        right = min(max(along.place(shift.finish), left + LEAST_WIDTH), along.end)
        state: PatchState = "unknown" if shift.looked_fraction is None else "not_looked"
        text = rate_words(shift, None, zone)
        gaps.append(GlassShape(state, left, top, max(right - left, 0.0), bottom - top, text))
    return tuple(gaps)


def legend_of(shapes: Sequence[GlassShape]) -> Legend:
    """The states that occur, each with its words."""
    there = {shape.state for shape in shapes}
    return tuple((state, words) for state, words in GLASS_WORDS.items() if state in there)


def nothing_words(kind: str, looked_fraction: float | None) -> str:
    """What an empty picture says: no defects is the whole answer only where all glass was looked at."""
    said = f"no {kind} defects in view" if kind else "no defects in view"
    if looked_fraction is not None and looked_fraction >= WHOLE:
        return said
    return f"{said}: {looked_words(looked_fraction)}"
