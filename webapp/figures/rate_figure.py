"""Rates by shift as points with their exact limits, one row a kind over a common time axis."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from models.shift_rates import ShiftRate, ShiftRates
from webapp.figures.axes import Axis, Link, Tick, TimeAxis, per_1000
from webapp.figures.glass import GlassShape, Legend, legend_of, shift_gaps
from webapp.figures.lettering import WIDTH, room_for
from webapp.figures.marks import Mark, mark_for
from webapp.figures.rate_words import rate_words
from webapp.figures.ribbon_figure import LEFT, RIGHT

__all__ = ["RateFigure", "RatePoint", "RateRow", "draw_rates"]

TOP = 34.0
ROW_HEIGHT = 92.0
ROW_GAP = 38.0
FOOT = 40.0


@dataclass(frozen=True, slots=True)
class RatePoint:
    """One shift's rate: the point, its limits, and whether the usual rate lies outside them."""

    x: float
    y: float
    low_y: float
    high_y: float
    apart: bool
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class RateRow:
    """One kind. gaps : shifts of which no rate can be told."""

    mark: Mark
    top: float
    bottom: float
    usual_y: float | None
    usual_text: str
    points: tuple[RatePoint, ...]
    gaps: tuple[GlassShape, ...]
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
    glass: Legend


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
        rows.append(_row(mark_for(kind), shifts, n, rates.usual[n], along, zone, top, link))
        top += ROW_HEIGHT + ROW_GAP
    return RateFigure(
        width=WIDTH,
        height=top - ROW_GAP + FOOT,
        left=LEFT,
        right=RIGHT,
        rows=tuple(rows),
        # a label at either end would run into the figures of the rates beside it
        time_ticks=tuple(
            tick
            for tick in along.ticks(zone, 8)
            if LEFT + room_for(tick.label) / 2 - 6 <= tick.at <= RIGHT - room_for(tick.label) / 2 + 6
        ),
        outside=len(rates.shifts) - len(shifts),
        glass=legend_of(rows[0].gaps) if rows else (),
    )


def _row(
    mark: Mark,
    shifts: tuple[ShiftRate, ...],
    n: int,
    usual: float | None,
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
        points.append(
            RatePoint(
                x=along.place(shift.begin + (shift.finish - shift.begin) / 2),
                y=up.place(rate.per_m2),
                low_y=up.place(rate.low_per_m2),
                high_y=max(up.place(rate.high_per_m2), top - 6.0),
                apart=usual is not None and not rate.low_per_m2 <= usual <= rate.high_per_m2,
                text=rate_words(shift, rate, zone),
                url=link(shift.begin, shift.finish),
            )
        )
    return RateRow(
        mark=mark,
        top=top,
        bottom=bottom,
        usual_y=None if usual is None else up.place(usual),
        usual_text="" if usual is None else per_1000(usual),
        points=tuple(points),
        gaps=shift_gaps(shifts, along, top, bottom, zone),
        ticks=Axis(0.0, most * 1000.0, bottom, top).ticks(3),
    )
