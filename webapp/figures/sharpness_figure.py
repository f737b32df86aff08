"""How sharply each shift saw, against the mean of all: a factor with its standard error, on a ratio scale."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from webapp.figures.axes import Axis, Tick, TimeAxis
from webapp.figures.lettering import WIDTH, room_for

__all__ = ["SharpnessFigure", "SharpnessPoint", "draw_sharpness"]

LEFT, RIGHT, TOP, BOTTOM = 84.0, 1090.0, 34.0, 134.0
#: factors marked on the scale
MARKED = (0.25, 0.5, 1.0, 2.0, 4.0)


@dataclass(frozen=True, slots=True)
class SharpnessPoint:
    """One shift: its factor and two standard errors either way."""

    x: float
    y: float
    low_y: float
    high_y: float
    text: str


@dataclass(frozen=True, slots=True)
class SharpnessFigure:
    """Everything the template needs."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    mean_y: float
    points: tuple[SharpnessPoint, ...]
    ticks: tuple[Tick, ...]
    time_ticks: tuple[Tick, ...]


def draw_sharpness(shifts: Sequence[tuple[float, float, float]], zone: tzinfo) -> SharpnessFigure | None:
    """Lay out the factors; None where there are fewer than two.

    shifts : start of the shift (Unix seconds), factor against the mean, standard error of its logarithm
    """
    known = [
        (start, factor, error) for start, factor, error in shifts if factor > 0.0 and math.isfinite(error)
    ]
    if len(known) < 2:
        return None
    begin, finish = (datetime.fromtimestamp(t, UTC) for t in (known[0][0], known[-1][0]))
    along = TimeAxis(begin, finish, LEFT + 8, RIGHT - 8)
    reach = max(math.log(2.0), *(abs(math.log(factor)) for _, factor, _ in known)) * 1.1
    up = Axis(-reach, reach, BOTTOM, TOP)
    points = []
    for start, factor, error in known:
        middle = math.log(factor)
        low, high = max(middle - 2.0 * error, -reach), min(middle + 2.0 * error, reach)
        when = datetime.fromtimestamp(start, UTC)
        text = (
            f"shift of {when.astimezone(zone):%a %d %b %H:%M}: saw {factor:.2f} times the mean "
            f"({math.exp(middle - 2.0 * error):.2f} to {math.exp(middle + 2.0 * error):.2f})"
        )
        points.append(
            SharpnessPoint(along.place(when), up.place(middle), up.place(low), up.place(high), text)
        )
    ticks = tuple(Tick(up.place(math.log(f)), f"{f:g} ×") for f in MARKED if abs(math.log(f)) <= reach)
    return SharpnessFigure(
        WIDTH,
        BOTTOM + 30,
        LEFT,
        RIGHT,
        TOP,
        BOTTOM,
        up.place(0.0),
        tuple(points),
        ticks,
        tuple(tick for tick in along.ticks(zone, 8) if tick.at <= RIGHT - room_for(tick.label) / 2.0),
    )
