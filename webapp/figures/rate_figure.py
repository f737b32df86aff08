"""Rates by shift as points with their exact limits, one row a kind over a common time axis."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from models.rates import Rate
from models.shift_rates import ShiftRate, ShiftRates
from webapp.figures.axes import Axis, Link, Tick, TimeAxis, per_1000
from webapp.figures.lettering import WIDTH
from webapp.figures.marks import Mark, mark_for
from webapp.figures.ribbon_figure import LEFT, RIGHT

__all__ = ["RateFigure", "RatePoint", "RateRow", "draw_rates"]

TOP = 34.0
ROW_HEIGHT = 92.0
ROW_GAP = 38.0
FOOT = 40.0


@dataclass(frozen=True, slots=True)
class RatePoint:
    """One shift's rate: the point, its limits, and whether the mean of the stretch lies outside them."""

    x: float
    y: float
    low_y: float
    high_y: float
    apart: bool
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class RateRow:
    """One kind."""

    mark: Mark
    top: float
    bottom: float
    mean_y: float | None
    mean_text: str
    points: tuple[RatePoint, ...]
    ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class RateFigure:
    """Everything the template needs to draw the rates."""

    width: float
    height: float
    left: float
    right: float
    rows: tuple[RateRow, ...]
    time_ticks: tuple[Tick, ...]
    outside: int


def draw_rates(rates: ShiftRates, begin: datetime, finish: datetime, zone: tzinfo, link: Link) -> RateFigure:
    """Lay out the rates of a stretch.

    begin, finish : when the glass was cut; the axis is widened for shifts that stick out by a day at most, so
    that old glass looked at months later does not squeeze the rest (`outside` counts the shifts left out)
    link : gives the page that shows the defects of a shift
    """
    reach = timedelta(days=7 if rates.by == "week" else 1)
    shifts = tuple(s for s in rates.shifts if s.begin >= begin - reach and s.finish <= finish + reach)
    begin = min([begin, *(s.begin for s in shifts)])
    finish = max([finish, *(s.finish for s in shifts)])
    along = TimeAxis(begin, finish, LEFT, RIGHT)
    rows = []
    top = TOP
    for n, kind in enumerate(rates.kinds):
        rows.append(_row(mark_for(kind), shifts, n, rates.pooled[n], along, zone, top, link))
        top += ROW_HEIGHT + ROW_GAP
    return RateFigure(
        width=WIDTH,
        height=top - ROW_GAP + FOOT,
        left=LEFT,
        right=RIGHT,
        rows=tuple(rows),
        time_ticks=along.ticks(zone, 8),
        outside=len(rates.shifts) - len(shifts),
    )


def _row(
    mark: Mark,
    shifts: tuple[ShiftRate, ...],
    n: int,
    pooled: Rate,
    along: TimeAxis,
    zone: tzinfo,
    top: float,
    link: Link,
) -> RateRow:
    bottom = top + ROW_HEIGHT
    known = [(shift, shift.rates[n]) for shift in shifts if shift.rates[n].per_m2 is not None]
    # the longest limits belong to shifts with hardly any glass; they may run off the top
    typical = sorted(rate.high_per_m2 or 0.0 for _, rate in known)
    highest = max((rate.per_m2 or 0.0 for _, rate in known), default=0.0)
    most = max(highest * 1.1, typical[int(0.9 * (len(typical) - 1))] if typical else 0.0, 1e-9)
    up = Axis(0.0, most, bottom, top)
    points = []
    for shift, rate in known:
        if rate.per_m2 is None or rate.low_per_m2 is None or rate.high_per_m2 is None:
            continue
        mean = pooled.per_m2 or 0.0
        points.append(
            RatePoint(
                x=along.place(shift.begin + (shift.finish - shift.begin) / 2),
                y=up.place(rate.per_m2),
                low_y=up.place(rate.low_per_m2),
                high_y=max(up.place(rate.high_per_m2), top - 6.0),
                apart=not rate.low_per_m2 <= mean <= rate.high_per_m2,
                text=rate_words(shift, rate, zone),
                url=link(shift.begin, shift.finish),
            )
        )
    return RateRow(
        mark=mark,
        top=top,
        bottom=bottom,
        mean_y=None if pooled.per_m2 is None else up.place(pooled.per_m2),
        mean_text="" if pooled.per_m2 is None else f"mean {per_1000(pooled.per_m2)}",
        points=tuple(points),
        ticks=Axis(0.0, most * 1000.0, bottom, top).ticks(3),
    )


def rate_words(shift: ShiftRate, rate: Rate, zone: tzinfo) -> str:
    """One shift's rate as a sentence."""
    crew = f", crew {shift.crew}" if shift.crew else ""
    day = shift.begin.astimezone(zone).strftime("%a %d %b %H:%M")
    if rate.per_m2 is None or rate.low_per_m2 is None or rate.high_per_m2 is None:
        return f"{shift.name}{crew}, {day}: nothing inspected"
    return (
        f"{shift.name}{crew}, {day}: {rate.count} in {rate.area_m2:.0f} m², "
        f"{per_1000(rate.per_m2)} per 1000 m² ({per_1000(rate.low_per_m2)} to {per_1000(rate.high_per_m2)})"
    )
