"""An episode drawn: the rate seen over the rate expected, and the window back on the furnace clock.

One time axis serves both: above, when the glass was seen; below, when it was made. The shaded piece
between leads from what was seen to the window in which it was made.
"""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from models.trace.result import Episode
from webapp.figures.axes import Axis, Link, Tick, TimeAxis
from webapp.figures.lettering import WIDTH, room_for

__all__ = ["Bar", "EpisodeFigure", "EventMark", "PitchFigure", "draw_episode", "draw_pitch"]

LEFT, RIGHT = 84.0, 1060.0
RATE_TOP, RATE_BOTTOM = 30.0, 210.0
BETWEEN = 84.0
LANE_TOP = RATE_BOTTOM + BETWEEN
LANE = 30.0
EVENT_STEP = 24.0
MOST_EVENTS = 4


@dataclass(frozen=True, slots=True)
class Bar:
    """Observed rate in one time cell; `empty` where nothing was inspected."""

    x: float
    y: float
    width: float
    height: float
    empty: bool
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class Words:
    """A text in the drawing and which of its ends stands at `x`."""

    x: float
    anchor: str
    text: str


@dataclass(frozen=True, slots=True)
class EventMark:
    """Something that was written down for that time, on the furnace clock."""

    x: float
    width: float
    y: float
    words: Words


@dataclass(frozen=True, slots=True)
class EpisodeFigure:
    """Everything the template needs."""

    width: float
    height: float
    left: float
    right: float
    rate_top: float
    rate_bottom: float
    lane_top: float
    lane_bottom: float
    bars: tuple[Bar, ...]
    background: str
    fitted: str
    seen: tuple[float, float]
    made: tuple[float, float]
    made_words: Words
    link: str
    time_ticks: tuple[Tick, ...]
    rate_ticks: tuple[Tick, ...]
    events: tuple[EventMark, ...]


def draw_episode(episode: Episode, zone: tzinfo, link: Link, section: str) -> EpisodeFigure:
    """Lay an episode out in plant time.

    link : gives the page that shows the defects of a cell; section : where it was made, in words
    """
    curve = episode.curve
    ends = [*map(float, (curve.start_s[0], curve.start_s[-1] + curve.width_s)), episode.origin_start_s]
    begin = _instant(min(ends) - 0.02 * (max(ends) - min(ends)))
    along = TimeAxis(begin, _instant(max(ends)), LEFT, RIGHT)
    rates = [
        (float(n), float(a), float(b), float(f))
        for n, a, b, f in zip(curve.count, curve.area_m2, curve.background, curve.fitted, strict=True)
    ]
    most = max([1e-9, *(1000.0 * max(n, f) / a for n, a, _, f in rates if a > 0.0)])
    up = Axis(0.0, most * 1.08, RATE_BOTTOM, RATE_TOP)
    starts = [along.place(_instant(float(s))) for s in curve.start_s]
    width = along.place(_instant(float(curve.start_s[0]) + curve.width_s)) - starts[0]
    seen = (along.place(_instant(episode.seen_start_s)), along.place(_instant(episode.seen_end_s)))
    made = (along.place(_instant(episode.origin_start_s)), along.place(_instant(episode.origin_end_s)))
    events = _events(episode, along, zone)
    lane_bottom = LANE_TOP + LANE + max(len(events), 1) * EVENT_STEP + 8
    return EpisodeFigure(
        width=WIDTH,
        height=lane_bottom + 34,
        left=LEFT,
        right=RIGHT,
        rate_top=RATE_TOP,
        rate_bottom=RATE_BOTTOM,
        lane_top=LANE_TOP,
        lane_bottom=lane_bottom,
        bars=tuple(
            _bar(x, width, cell, up, link(_instant(float(start)), _instant(float(start) + curve.width_s)))
            for x, start, cell in zip(starts, curve.start_s, rates, strict=True)
        ),
        background=_steps(starts, width, [(b, a) for _, a, b, _ in rates], up),
        fitted=_steps(starts, width, [(f, a) for _, a, _, f in rates], up),
        seen=seen,
        made=made,
        made_words=_beside(*made, f"made in {section} (90 %)"),
        link=f"M{seen[0]:.1f} {RATE_BOTTOM} L{seen[1]:.1f} {RATE_BOTTOM} "
        f"L{made[1]:.1f} {LANE_TOP} L{made[0]:.1f} {LANE_TOP} Z",
        time_ticks=along.ticks(zone, 9),
        rate_ticks=up.ticks(4),
        events=events,
    )


def _instant(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)


def _bar(x: float, width: float, cell: tuple[float, float, float, float], up: Axis, url: str) -> Bar:
    n, area, background, _ = cell
    if area <= 0.0:
        return Bar(x, RATE_BOTTOM - 3, width, 3, True, "nothing inspected", url)
    rate = 1000.0 * n / area
    y = up.place(rate)
    text = f"{n:.0f} in {area:.0f} m², {rate:.3g} per 1000 m²; usual {1000 * background / area:.3g}"
    return Bar(x, y, width, RATE_BOTTOM - y, False, text, url)


def _steps(starts: list[float], width: float, cells: list[tuple[float, float]], up: Axis) -> str:
    """Path data of a step curve; it lifts where nothing was inspected."""
    parts: list[str] = []
    pen_up = True
    for x, (expected, area) in zip(starts, cells, strict=True):
        if area <= 0.0:
            pen_up = True
            continue
        y = up.place(1000.0 * expected / area)
        parts.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.1f} L{x + width:.1f} {y:.1f}")
        pen_up = False
    return " ".join(parts)


def _events(episode: Episode, along: TimeAxis, zone: tzinfo) -> tuple[EventMark, ...]:
    marks = []
    for n, (cause, weight) in enumerate(episode.causes[:MOST_EVENTS]):
        x = along.place(_instant(cause.start_s))
        if not LEFT - 1 <= x <= RIGHT + 1:
            continue
        end = x if cause.end_s is None else min(along.place(_instant(cause.end_s)), RIGHT)
        name = (
            cause.event.event_id
            if cause.event
            else f"{cause.excursion.tag}"
            if cause.excursion
            else cause.key
        )
        said = f"{name}: {cause.event.text}" if cause.event else f"{name} off its usual level"
        clock = _instant(cause.start_s).astimezone(zone).strftime("%d %b %H:%M")
        width = max(end - x, 3.0)
        marks.append(
            EventMark(
                x=x,
                width=width,
                y=LANE_TOP + LANE + n * EVENT_STEP + 6,
                words=_beside(x, x + width, clock, said, f"({100 * weight:.0f} %)"),
            )
        )
    return tuple(marks)


def _beside(left: float, right: float, *parts: str) -> Words:
    """Words on the roomier side of a bar, the longest part cut short where they are too long for it."""
    at_right = RIGHT - right >= left - LEFT
    room = max(RIGHT - right, left - LEFT) - 8.0
    said = list(parts)
    longest = max(range(len(said)), key=lambda n: len(said[n]))
    over = room_for("  ".join(said)) - room
    if over > 0.0:
        kept = max(len(said[longest]) - math.ceil(over / room_for("x")) - 1, 8)
        said[longest] = f"{said[longest][:kept].rstrip()}…"
    return Words(right + 8.0 if at_right else left - 8.0, "start" if at_right else "end", "  ".join(said))


@dataclass(frozen=True, slots=True)
class PitchPoint:
    """One mark, by its turn and its place within the turn; `url` leads to the defect."""

    x: float
    y: float
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class PitchFigure:
    """Marks folded at the pitch: turn of the roll from left to right, place within the turn upwards."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    points: tuple[PitchPoint, ...]
    turn_ticks: tuple[Tick, ...]
    place_ticks: tuple[Tick, ...]
    mean_y: float


def draw_pitch(marks: Sequence[tuple[float, str]], pitch_mm: float) -> PitchFigure | None:
    """Fold marks at their pitch: a train of one roll lies on a level line. None for fewer than three marks.

    marks : ribbon metre of each mark and the address of its page
    """
    if len(marks) < 3 or pitch_mm <= 0.0:
        return None
    metres = [metre for metre, _ in marks]
    first = min(metres)
    turns = [(metre - first) * 1000.0 / pitch_mm for metre in metres]
    middle = _middle_of_turn([turn % 1.0 for turn in turns])
    # shifted by half a turn, so that the train lies in the middle of the picture and not at its seam
    places = [
        ((turn - middle + 0.5) % 1.0, round(turn - ((turn - middle + 0.5) % 1.0 - 0.5) - middle))
        for turn in turns
    ]
    # a train just before the seam of the turns would begin with turn -1
    start = min(number for _, number in places)
    places = [(place, number - start) for place, number in places]
    across = Axis(-pitch_mm / 2.0, pitch_mm / 2.0, 176.0, 26.0)
    along = Axis(0.0, max(float(max(number for _, number in places)), 1.0), LEFT, RIGHT)
    points = tuple(
        PitchPoint(
            along.place(float(number)),
            across.place((place - 0.5) * pitch_mm),
            f"turn {number}, {(place - 0.5) * pitch_mm:+.1f} mm, metre {metre:.2f}",
            url,
        )
        for (place, number), (metre, url) in zip(places, marks, strict=True)
    )
    return PitchFigure(
        WIDTH, 224.0, LEFT, RIGHT, 26.0, 176.0, points, along.ticks(8), across.ticks(5), across.place(0.0)
    )


def _middle_of_turn(phases: list[float]) -> float:
    """Circular mean of places within a turn, 0 to 1."""
    mean = sum(cmath.exp(2j * math.pi * phase) for phase in phases)
    return (cmath.phase(mean) / (2 * math.pi)) % 1.0
