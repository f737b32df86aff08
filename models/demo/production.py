"""Three weeks of ribbon: speed, sheets and shifts as arrays. Pure; seconds count from the start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.clock import zone
from models.demo import scenario as s
from models.ribbon.lag import LineLog

DAY_S = 86400.0
LOG_STEP_S = 300.0
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ribbon:
    """The line log, one row every five minutes, shape (N,) each, and the metre counter over it."""

    times_s: Floats
    speed_m_per_min: Floats
    thickness_mm: Floats
    pull_t_per_day: Floats
    log: LineLog


@dataclass(frozen=True, slots=True)
class Sheets:
    """All sheets in the order of the ribbon, shape (N,) each.

    run : index into scenario.RUNS.  shift : index into the shifts, -1 where none.
    """

    start_m: Floats
    cut_s: Floats
    thickness_mm: Floats
    run: NDArray[np.intp]
    shift: NDArray[np.intp]
    inspected: NDArray[np.bool_]
    inspected_s: Floats


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """One shift: name, crew, seconds from the start."""

    name: str
    crew: str
    start_s: float
    end_s: float


def make_ribbon(rng: np.random.Generator, days: float) -> Ribbon:
    """Speed follows pull and thickness; the pull wanders slowly by a few per cent."""
    times = np.arange(0.0, days * DAY_S, LOG_STEP_S)
    wander = smooth_noise(rng, times, 18 * 3600.0) * 0.012
    pull = s.PULL_T_PER_DAY * (1 + wander) + rng.normal(0, 0.6, times.size)
    thickness = _thickness(times)
    speed = pull / (1.440 * s.GROSS_MM * thickness / 1000.0 * s.DENSITY)
    speed = np.round(speed, 3)
    return Ribbon(times, speed, thickness, np.round(pull, 1), LineLog(times, speed, s.FIRST_METRE))


def make_shifts(start: datetime, days: float) -> list[ShiftPlan]:
    """Early, late and night on the plant's own clock; four crews take turns, two days each."""
    local = start.astimezone(zone(s.TIME_ZONE))
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    plans = []
    for day in range(-1, int(days) + 2):
        for turn, (name, hour) in enumerate((("early", 6), ("late", 14), ("night", 22))):
            # Wall time: a shift begins at six also on the day the clocks change.
            begins = midnight + timedelta(days=day, hours=hour)
            ends = midnight + timedelta(days=day, hours=hour + 8)
            # Differences in UTC: between two wall times Python would count hours that never were.
            start_s = (begins.astimezone(UTC) - start).total_seconds()
            end_s = (ends.astimezone(UTC) - start).total_seconds()
            if end_s > 0 and start_s < days * DAY_S:
                plans.append(ShiftPlan(name, "ABCD"[(day // 2 + turn) % 4], start_s, end_s))
    return plans


def make_sheets(
    rng: np.random.Generator, ribbon: Ribbon, shifts: list[ShiftPlan], not_inspected: tuple[int, ...]
) -> Sheets:
    """Cut the ribbon into sheets, leave out what went to cullet, and choose which are inspected."""
    last = float(ribbon.log.metres[-1])
    start_m = np.arange(s.FIRST_METRE, last - s.SHEET_MM / 1000, s.SHEET_MM / 1000)
    cut_s = np.asarray(ribbon.log.time_at(start_m + s.SHEET_MM / 1000), float)
    good = ~_to_cullet(cut_s) & (cut_s < ribbon.times_s[-1] - s.LEFT_FOR_PHOTOS_S)
    start_m, cut_s = start_m[good], cut_s[good]
    run = np.searchsorted([r.from_day * DAY_S for r in s.RUNS], cut_s, side="right") - 1
    thickness = np.array([r.thickness_mm for r in s.RUNS])[run]
    shift = np.searchsorted([plan.start_s for plan in shifts], cut_s, side="right") - 1
    share = np.array(
        [0.0 if i in not_inspected else s.INSPECTED_SHARE * rng.uniform(0.8, 1.2) for i in range(len(shifts))]
    )
    inspected = rng.random(start_m.size) < share[shift]
    inspected_s = cut_s + rng.uniform(180, 900, start_m.size)
    ends = np.array([plan.end_s for plan in shifts])[shift]
    inspected_s = np.minimum(inspected_s, np.maximum(ends - 1.0, cut_s + 60))
    return Sheets(start_m, cut_s, thickness, run, shift, inspected, inspected_s)


def smooth_noise(rng: np.random.Generator, times_s: Floats, scale_s: float) -> Floats:
    """Gaussian noise of unit variance that changes over about `scale_s` seconds."""
    knots = np.arange(times_s[0], times_s[-1] + 2 * scale_s, scale_s)
    values = rng.normal(0, 1, knots.size)
    place = (times_s - knots[0]) / scale_s
    left = np.clip(place.astype(np.intp), 0, knots.size - 2)
    # Half a cosine between knots: smooth, and its variance stays near one.
    blend = (1 - np.cos(np.pi * (place - left))) / 2
    mixed = values[left] * (1 - blend) + values[left + 1] * blend
    return np.asarray(mixed / np.sqrt((1 - blend) ** 2 + blend**2))


def _thickness(times_s: Floats) -> Floats:
    """Thickness in mm; a change takes its time in a straight line."""
    thickness = np.full(times_s.size, s.RUNS[0].thickness_mm)
    for before, after in pairwise(s.RUNS):
        begun = after.from_day * DAY_S
        part = np.clip((times_s - begun) / (s.CHANGE_H * 3600), 0, 1)
        changed = before.thickness_mm + part * (after.thickness_mm - before.thickness_mm)
        thickness = np.where(times_s >= begun, changed, thickness)
    return np.asarray(np.round(thickness, 2))


def _to_cullet(times_s: Floats) -> NDArray[np.bool_]:
    lost = np.zeros(times_s.size, bool)
    for before, after in pairwise(s.RUNS):
        if before.thickness_mm != after.thickness_mm:
            begun = after.from_day * DAY_S
            lost |= (times_s >= begun) & (times_s < begun + (s.CHANGE_H + 0.5) * 3600)
    for day, hours in s.CULLET:
        lost |= (times_s >= day * DAY_S) & (times_s < day * DAY_S + hours * 3600)
    return lost
