"""Control charts in small, one panel a kind and band.

Either rates with their limits and the moving average over them, or the sum of what lies above the usual.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np

from models.ribbon_glass import PatchState
from models.sheet.looked_words import count_words
from models.shift_rates import ShiftRate
from models.trace.charts import Chart
from models.trace.sums import CountSums
from webapp.figures.axes import Axis, Tick, TimeAxis, per_1000
from webapp.figures.glass import GlassShape, shift_gaps
from webapp.figures.marks import Mark

__all__ = ["ChartPanel", "ChartPoint", "Series", "draw_chart", "draw_sums"]

#: a shift without a rate is one or the other
GAP_WORDS: tuple[tuple[PatchState, str], ...] = (
    ("unknown", count_words(0, None)),
    ("not_looked", count_words(0, 0.0)),
)
WIDTH, HEIGHT = 372.0, 196.0
LEFT, RIGHT, TOP, BOTTOM = 48.0, 364.0, 28.0, 164.0


@dataclass(frozen=True, slots=True)
class Series:
    """What one panel shows.

    middles : middle of each shift; names : what is said of each; urls : where each leads
    rates, average : the u chart and the EWMA of the same points, per m2
    sums : the CUSUM of the same points; None where it is not asked for or there is no usual rate
    shifts : the shifts themselves, of which some may have no rate
    """

    mark: Mark
    band: str
    middles: tuple[datetime, ...]
    names: tuple[str, ...]
    urls: tuple[str, ...]
    rates: Chart
    average: Chart
    sums: CountSums | None
    shifts: tuple[ShiftRate, ...]


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One shift's rate or sum."""

    x: float
    y: float
    beyond: bool
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class ChartPanel:
    """Everything the template needs for one panel. gaps : shifts of which no rate can be told."""

    mark: Mark
    band: str
    axis_name: str
    points: tuple[ChartPoint, ...]
    upper: str
    lower: str
    average: str
    signals: tuple[tuple[float, float], ...]
    centre_y: float | None
    gaps: tuple[GlassShape, ...]
    ticks: tuple[Tick, ...]
    time_ticks: tuple[Tick, ...]
    said: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM


def draw_chart(series: Series, begin: datetime, finish: datetime, zone: tzinfo) -> ChartPanel:
    """Lay out one panel; what lies beyond its limits is told apart, shifts without glass are gaps."""
    along = TimeAxis(begin, finish, LEFT, RIGHT)
    xs = [along.place(moment) for moment in series.middles]
    rates, average = series.rates, series.average
    shown = np.concatenate([rates.value[np.isfinite(rates.value)], [rates.centre * 2.0, 1e-9]])
    limits = rates.upper[np.isfinite(rates.upper)]
    most = float(max(shown.max(), np.median(limits) if limits.size else 0.0)) * 1.1
    up = Axis(0.0, most, BOTTOM, TOP)
    points = tuple(
        ChartPoint(
            x, up.place(float(value)), bool(beyond), f"{name}: {per_1000(float(value))} per 1000 m²", url
        )
        for x, value, beyond, name, url in zip(
            xs, rates.value, rates.beyond, series.names, series.urls, strict=True
        )
        if np.isfinite(value)
    )
    gaps = shift_gaps(series.shifts, along, TOP, BOTTOM, zone)
    out, slow = int(rates.beyond.sum()), int(average.beyond.sum())
    return ChartPanel(
        mark=series.mark,
        band=series.band,
        axis_name="per 1000 m²",
        points=points,
        upper=_line(xs, rates.upper, up),
        lower=_line(xs, rates.lower, up),
        average=_line(xs, average.value, up),
        signals=tuple(
            (x, up.place(min(float(value), most)))
            for x, value, beyond in zip(xs, average.value, average.beyond, strict=True)
            if beyond
        ),
        centre_y=up.place(rates.centre) if points else None,
        gaps=gaps,
        ticks=Axis(0.0, most * 1000.0, BOTTOM, TOP).ticks(3),
        time_ticks=tuple(tick for tick in along.ticks(zone, 4) if LEFT + 8 <= tick.at <= RIGHT - 30),
        said="; ".join(
            [f"{out} of {len(points)} beyond the limits, the moving average at {slow}", *_without(gaps)]
        ),
    )


def draw_sums(series: Series, begin: datetime, finish: datetime, zone: tzinfo) -> ChartPanel:
    """Lay out one panel of sums: a line that starts anew after each signal, the decision limit over it."""
    along = TimeAxis(begin, finish, LEFT, RIGHT)
    xs = [along.place(moment) for moment in series.middles]
    sums = series.sums
    value = np.full(len(xs), np.nan) if sums is None else sums.value
    limit = 1.0 if sums is None else sums.limit
    most = float(np.nanmax(np.append(value, 1.5 * limit))) * 1.08
    up = Axis(0.0, most, BOTTOM, TOP)
    signal = np.zeros(len(xs), dtype=bool) if sums is None else sums.signal
    points = tuple(
        ChartPoint(x, up.place(float(v)), bool(out), f"{name}: {v:.0f} more than the reference, summed", url)
        for x, v, out, name, url in zip(xs, value, signal, series.names, series.urls, strict=True)
        if np.isfinite(v)
    )
    level = up.place(limit)
    gaps = shift_gaps(series.shifts, along, TOP, BOTTOM, zone)
    return ChartPanel(
        mark=series.mark,
        band=series.band,
        axis_name="sum of excess defects",
        points=points,
        upper="" if sums is None else f"M{LEFT:.1f} {level:.1f}H{RIGHT:.1f}",
        lower="",
        average=_runs(xs, value, signal, up),
        signals=(),
        centre_y=up.place(0.0),
        gaps=gaps,
        ticks=up.ticks(3),
        time_ticks=tuple(tick for tick in along.ticks(zone, 4) if LEFT + 8 <= tick.at <= RIGHT - 30),
        said="; ".join([_sums_said(series, signal), *_without(gaps)]),
    )


def _without(gaps: Sequence[GlassShape]) -> list[str]:
    """How many shifts have no rate, and why."""
    counted = ((sum(gap.state == state for gap in gaps), words) for state, words in GAP_WORDS)
    return [f"{n} shift{'' if n == 1 else 's'} {words}" for n, words in counted if n]


def _sums_said(series: Series, signal: np.ndarray) -> str:
    sums = series.sums
    if sums is None:
        return "no usual rate to compare with"
    where = np.flatnonzero(signal)
    # a limit of less than one defect is the lowest there is, and not "0"
    limit = f"{sums.limit:.0f}" if sums.limit >= 10.0 else f"{sums.limit:.2g}"
    if where.size == 0:
        return f"stays below its limit of {limit} defects"
    first = series.names[int(sums.begun[where[0]])]
    times = {1: "once", 2: "twice"}.get(where.size, f"{where.size} times")
    return f"passes its limit of {limit} defects {times}; first rising from the shift {first}"


def _runs(xs: list[float], value: np.ndarray, signal: np.ndarray, up: Axis) -> str:
    """Path through the sums, lifted where they start anew and where nothing is known of a shift."""
    parts: list[str] = []
    pen_up = True
    for x, v, out in zip(xs, value, signal, strict=True):
        if not np.isfinite(v):
            pen_up = True
            continue
        parts.append(f"{'M' if pen_up else 'L'}{x:.1f} {up.place(float(v)):.1f}")
        pen_up = bool(out)
    return " ".join(parts)


def _line(xs: list[float], values: np.ndarray, up: Axis) -> str:
    """Path data through the known values, lifted where there are none."""
    parts: list[str] = []
    pen_up = True
    for x, value in zip(xs, values, strict=True):
        if not np.isfinite(value):
            pen_up = True
            continue
        y = max(up.place(float(value)), TOP - 4.0)
        parts.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.1f}")
        pen_up = False
    return " ".join(parts)
