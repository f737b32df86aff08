"""The response of a tracer run against tonnes drawn, with the fitted plug flow and tanks over it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.ribbon import TracerResult
from webapp.figures.axes import Axis, Tick, nice_ticks
from webapp.figures.lettering import WIDTH

__all__ = ["TracerFigure", "TracerMark", "draw_tracer"]

HEIGHT = 470.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 1060.0, 82.0, 390.0
PER_T = 100.0  # a density is shown as per cent of the glass in so many tonnes


@dataclass(frozen=True, slots=True)
class TracerMark:
    """A named place on the axis: line at `x` up to `y`, words at `text_x`, which start or end there."""

    x: float
    y: float
    text_x: float
    anchor: str
    text: str


@dataclass(frozen=True, slots=True)
class TracerFigure:
    """Everything the template needs to draw one run."""

    points: tuple[tuple[float, float, str], ...]
    joined: str
    tail: str
    fitted: str
    marks: tuple[TracerMark, ...]
    ticks: tuple[Tick, ...]
    tonnes_ticks: tuple[Tick, ...]
    hour_ticks: tuple[Tick, ...]
    axis_name: str
    said: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM


def draw_tracer(result: TracerResult, method: str, pull_t_per_day: float | None) -> TracerFigure:
    """Lay the picture out.

    pull_t_per_day : gives the hours under the tonnes; None leaves them out
    """
    pulse = method == "pulse"
    factor = 100.0 * PER_T / (result.area or 1.0) if pulse else 100.0
    values = result.response * factor
    last = max(float(result.tonnes[-1]), float(result.curve.quantile(0.985)))
    along = Axis(0.0, last, LEFT, RIGHT)
    grid = np.linspace(0.0, last, 260)
    fitted = result.fitted.density(grid) * 100.0 * PER_T if pulse else result.fitted.cdf(grid) * 100.0
    most = max(float(values.max()), float(fitted.max())) * 1.08
    least = min(0.0, float(values.min()))
    up = Axis(least, most, BOTTOM, TOP)
    xs = [along.place(float(t)) for t in result.tonnes]
    what = "% of the glass per 100 t" if pulse else "% new glass"
    points = tuple(
        (x, up.place(float(v)), f"{t:.0f} t after: {v:.2f} {what}")
        for x, v, t in zip(xs, values, result.tonnes, strict=True)
    )
    end = float(result.tonnes[-1])
    beyond = np.linspace(end, last, 40)
    tail = ""
    if result.tail_t is not None and last > end:
        if pulse:
            step = max(result.tail_t / 50.0, 1e-6)
            course = (result.curve.cdf(beyond + step) - result.curve.cdf(beyond)) / step * 100.0 * PER_T
        else:
            course = result.curve.cdf(beyond) * 100.0
        tail = _path(along, up, beyond, course)
    return TracerFigure(
        points,
        _path(along, up, result.tonnes, values), tail, _path(along, up, grid, fitted),
        _marks(result, along), up.ticks(5), along.ticks(9),
        () if pull_t_per_day is None else _hours(along, pull_t_per_day), what,
        f"{len(points)} samples over {end:.0f} t; mean {result.mean_t:.0f} t; plug flow and tanks of best fit"
        f" differ by at most {100 * result.fitted_gap:.1f} per cent of the glass",
    )  # fmt: skip


def _marks(result: TracerResult, along: Axis) -> tuple[TracerMark, ...]:
    first, late = (float(result.curve.quantile(p)) for p in (0.01, 0.95))
    named = ((first, "first hundredth"), (result.mean_t, "mean"), (late, "95 %"))
    marks = []
    for n, (tonnes, name) in enumerate(named):
        if tonnes > along.hi:
            continue
        x = along.place(tonnes)
        end = x > 0.75 * RIGHT
        # neighbours may stand close together: their words go in two rows
        y = TOP - 8.0 - 22.0 * (n % 2)
        words = f"{name} {tonnes:,.0f} t".replace(",", "\u202f")
        marks.append(TracerMark(x, y, x + (-6 if end else 6), "end" if end else "start", words))
    return tuple(marks)


def _hours(along: Axis, pull_t_per_day: float) -> tuple[Tick, ...]:
    hours = nice_hours(along.hi / pull_t_per_day * 24.0)
    return tuple(Tick(along.place(h / 24.0 * pull_t_per_day), f"{h:.0f}") for h in hours)


def nice_hours(most: float) -> Sequence[float]:
    """Hours from 0 to `most` in steps of 1, 2, 6, 12, 24 ... or of round numbers where that is too short."""
    for step in (1.0, 2.0, 6.0, 12.0, 24.0, 48.0, 96.0):
        if most / step <= 10:
            return [n * step for n in range(int(most / step) + 1)]
    return nice_ticks(0.0, most, 8)


def _path(along: Axis, up: Axis, x: np.ndarray, y: np.ndarray) -> str:
    places = (f"{along.place(float(a)):.1f} {up.place(float(b)):.1f}" for a, b in zip(x, y, strict=True))
    return "M" + "L".join(places)
