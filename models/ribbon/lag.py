"""When the glass at a metre of ribbon passed each point of the line.

The counter at the inspection point reads m when metre m of the ribbon passes it. Glass at metre m
therefore passed a point d metres upstream when the counter read m - d: the lag follows from solving
the integral of the speed for the time, never from d divided by some speed.

Between the bath's entry and its exit the glass is slower than the finished ribbon, so its true stay
in the bath is somewhat longer than the ribbon metres say; the times given here are in ribbon metres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from models.errors import BadValue

# station -> the layout points that mark it, first one present is taken
STATIONS: dict[str, tuple[str, ...]] = {
    "cutting": ("cutter", "cutting"),
    "inspection": ("inspection",),
    "lehr_exit": ("lehr_outlet", "lehr_exit"),
    "lehr_entry": ("lehr_inlet", "lehr_entry"),
    "bath_exit": ("bath_outlet", "bath_exit"),
    "bath_entry": ("bath_inlet", "bath_entry"),
}


@dataclass(frozen=True)
class Layout:
    """Points of the line by their distance upstream of the inspection point, in metres.

    Downstream points (the cutter) are negative; the inspection point itself is 0.
    """

    upstream_m: Mapping[str, float] = field(default_factory=dict)

    def station_m(self, station: str) -> float | None:
        """Distance of a station of `STATIONS` (or of any further point by its own name); None if unknown."""
        for name in STATIONS.get(station, (station,)):
            if name in self.upstream_m:
                return float(self.upstream_m[name])
        return 0.0 if station == "inspection" else None


class LineLog:
    """The ribbon's speed as a step function of time, and its integral, the metre counter.

    Parameters
    ----------
    times_s : float array, shape (N,), seconds (any zero, e.g. the Unix epoch), strictly increasing
    speed_m_per_min : float array, shape (N,), >= 0; row i holds from times_s[i] to times_s[i + 1]
    start_m : counter reading at times_s[0]

    Before the first and after the last row the nearest row's speed is taken to hold.

    Raises
    ------
    BadValue : no rows, times that do not increase, negative or unknown speeds, or no speed above 0
    """

    def __init__(self, times_s: np.ndarray, speed_m_per_min: np.ndarray, start_m: float = 0.0) -> None:
        times = np.asarray(times_s, dtype=float)
        speed = np.asarray(speed_m_per_min, dtype=float)
        if times.ndim != 1 or times.shape != speed.shape or times.size == 0:
            raise BadValue("Line log: expected as many speeds as times, and at least one row.")
        if not (np.isfinite(times).all() and (np.diff(times) > 0).all()):
            raise BadValue("Line log: expected times that increase from row to row.")
        if not (np.isfinite(speed).all() and (speed >= 0).all()):
            raise BadValue("Line log: expected speeds of 0 m/min or more in every row.")
        if not (speed > 0).any():
            raise BadValue("Line log: the ribbon never moves; expected a speed above 0 in some row.")
        self.times_s = times
        self.speed_m_per_s = speed / 60.0
        self.start_m = float(start_m)
        steps = np.diff(times) * self.speed_m_per_s[:-1]
        self.metres = self.start_m + np.concatenate([[0.0], np.cumsum(steps)])
        moving = self.speed_m_per_s[self.speed_m_per_s > 0]
        # outside the log a standing ribbon would have no time for any further metre
        self._before = self.speed_m_per_s[0] if self.speed_m_per_s[0] > 0 else moving[0]
        self._after = self.speed_m_per_s[-1] if self.speed_m_per_s[-1] > 0 else moving[-1]

    def metre_at(self, time_s: float | np.ndarray) -> np.ndarray:
        """Counter reading at a time (array of the shape given)."""
        t = np.asarray(time_s, dtype=float)
        inside = np.interp(t, self.times_s, self.metres)
        early = self.metres[0] + (t - self.times_s[0]) * self._before
        late = self.metres[-1] + (t - self.times_s[-1]) * self._after
        return np.where(t < self.times_s[0], early, np.where(t > self.times_s[-1], late, inside))

    def time_at(self, metre: float | np.ndarray) -> np.ndarray:
        """Time at which the counter read `metre`; where the ribbon stood still, the moment of arrival."""
        m = np.asarray(metre, dtype=float)
        row = np.clip(np.searchsorted(self.metres, m, side="left") - 1, 0, self.metres.size - 1)
        speed = self.speed_m_per_s[row]
        speed = np.where(m < self.metres[0], self._before, np.where(m > self.metres[-1], self._after, speed))
        row = np.where(m > self.metres[-1], self.metres.size - 1, row)
        return self.times_s[row] + (m - self.metres[row]) / np.where(speed > 0, speed, self._after)

    def covers(self, time_s: np.ndarray) -> np.ndarray:
        """True where a time lies within the log's first and last row."""
        t = np.asarray(time_s, dtype=float)
        return (t >= self.times_s[0]) & (t <= self.times_s[-1])

    def passed(self, metre: float | np.ndarray, upstream_m: float) -> np.ndarray:
        """Time at which the glass at `metre` passed the point `upstream_m` upstream of inspection."""
        return self.time_at(np.asarray(metre, dtype=float) - upstream_m)

    def seen(self, time_s: float | np.ndarray, upstream_m: float) -> np.ndarray:
        """Time at which glass that was `upstream_m` upstream at `time_s` passes inspection."""
        return self.time_at(self.metre_at(time_s) + upstream_m)

    def times_of(self, metre: float, layout: Layout) -> dict[str, float]:
        """Times of one metre of ribbon at every station whose place is known: see `times_of`."""
        return times_of(self, metre, layout)


def times_of(log: LineLog, metre: float, layout: Layout) -> dict[str, float]:
    """When the glass at a metre of ribbon was at each station.

    Returns
    -------
    dict of station ("cutting", "inspection", "lehr_exit", "lehr_entry", "bath_exit", "bath_entry") to
    seconds on the log's own zero; stations whose distance is not in the layout are left out.
    """
    times = {}
    for station in STATIONS:
        distance = layout.station_m(station)
        if distance is not None:
            times[station] = float(log.passed(metre, distance))
    return times
