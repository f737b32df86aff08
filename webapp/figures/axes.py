"""Scales and readable tick marks for lengths, rates and plant time."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

__all__ = ["Axis", "Link", "Tick", "TimeAxis", "nice_ticks", "per_1000", "time_ticks"]

#: gives the address of a page about a stretch of time
Link = Callable[[datetime, datetime], str]

_TIME_STEPS = [
    timedelta(minutes=5),
    timedelta(minutes=15),
    timedelta(minutes=30),
    timedelta(hours=1),
    timedelta(hours=2),
    timedelta(hours=4),
    timedelta(hours=8),
    timedelta(days=1),
    timedelta(days=2),
    timedelta(days=4),
    timedelta(days=7),
    timedelta(days=14),
    timedelta(days=28),
    timedelta(days=91),
    timedelta(days=364),
]


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled place on an axis; `at` in drawing units."""

    at: float
    label: str
    major: bool = True


@dataclass(frozen=True, slots=True)
class Axis:
    """Straight scale from a quantity [lo, hi] to drawing units [start, end]; end may lie before start."""

    lo: float
    hi: float
    start: float
    end: float

    def place(self, value: float) -> float:
        """Drawing place of a value; an axis without extent puts everything in its middle."""
        if self.hi == self.lo:
            return (self.start + self.end) / 2.0
        return self.start + (value - self.lo) / (self.hi - self.lo) * (self.end - self.start)

    def ticks(self, about: int = 6) -> tuple[Tick, ...]:
        """Round-valued ticks inside the axis, roughly `about` of them."""
        values = nice_ticks(self.lo, self.hi, about)
        step = values[1] - values[0] if len(values) > 1 else 1.0
        digits = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
        return tuple(Tick(self.place(v), _typeset(f"{v:,.{digits}f}")) for v in values)


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Straight scale from an instant in [begin, finish] to drawing units [start, end]."""

    begin: datetime
    finish: datetime
    start: float
    end: float

    def place(self, when: datetime) -> float:
        """Drawing place of an instant."""
        whole = (self.finish - self.begin).total_seconds()
        if whole == 0.0:
            return (self.start + self.end) / 2.0
        return self.start + (when - self.begin).total_seconds() / whole * (self.end - self.start)

    def ticks(self, zone: tzinfo, about: int = 8) -> tuple[Tick, ...]:
        """Ticks at round clock times of the plant."""
        return tuple(
            Tick(self.place(when), label, major)
            for when, label, major in time_ticks(self.begin, self.finish, zone, about)
        )


def _typeset(number: str) -> str:
    """A number with thin spaces between thousands and a true minus sign."""
    return number.replace(",", "\u202f").replace("-", "−")


def per_1000(rate_per_m2: float) -> str:
    """A rate per m2 as defects per 1000 m2, in three figures at most."""
    value = rate_per_m2 * 1000.0
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def nice_ticks(lo: float, hi: float, about: int = 6) -> list[float]:
    """Values 1, 2 or 5 times a power of ten apart that lie in [lo, hi]."""
    if not (math.isfinite(lo) and math.isfinite(hi)) or hi <= lo:
        return [lo] if math.isfinite(lo) else []
    raw = (hi - lo) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999999)
    first = math.ceil(lo / step - 1e-9)
    last = math.floor(hi / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def time_ticks(
    begin: datetime, finish: datetime, zone: tzinfo, about: int = 8
) -> list[tuple[datetime, str, bool]]:
    """Instants at round local times in [begin, finish] with labels; midnights are major and carry the date.

    Steps are taken on the local clock, so that days of 23 or 25 hours keep their midnights.
    """
    if finish <= begin:
        return [(begin, begin.astimezone(zone).strftime("%d %b %H:%M"), True)]
    raw = (finish - begin) / max(about, 1)
    step = next((s for s in _TIME_STEPS if s >= raw), _TIME_STEPS[-1])
    local = begin.astimezone(zone).replace(tzinfo=None)
    wall = local.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks: list[tuple[datetime, str, bool]] = []
    while True:
        instant = wall.replace(tzinfo=zone)
        if instant > finish:
            return ticks
        if instant >= begin:
            midnight = wall.hour == 0 and wall.minute == 0
            ticks.append((instant, wall.strftime("%d %b") if midnight else wall.strftime("%H:%M"), midnight))
        wall += step
