"""Furnace readings of the invented line, and a book of events that seldom helps.

Readings come every ten minutes with autocorrelated noise, slow drift, a daily cycle, gaps, stuck values,
spikes and set-point steps that cause nothing. Some upsets of melter and refiner show in one reading and in no
entry. Entries mostly name nothing or the wrong section, some are written an hour or more late. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.trace.data import TagSeries
from tests.simulator.defects import EVENT_KINDS, SimDefects
from tests.simulator.line import DAY, HOUR, SimLine

STEP_S = 600.0
#       tag, unit, level, noise, section
TAGS = (
    ("TI-101 crown", "C", 1545.0, 1.5, "melter"),
    ("TI-104 crown", "C", 1560.0, 1.5, "melter"),
    ("PI-110", "Pa", 12.0, 0.6, "melter"),
    ("LI-120 glass level", "mm", 0.0, 0.05, "melter"),
    ("FFC-131 gas air ratio", "-", 1.08, 0.004, "melter"),
    ("TI-201", "C", 1210.0, 1.0, "refiner"),
    ("TI-203 working end", "C", 1195.0, 1.0, "refiner"),
    ("TI-301", "C", 1050.0, 0.8, "bath"),
    ("AI-310 dew point", "C", -42.0, 0.5, "bath"),
)
NEUTRAL = ("other", "note", "observation", "maintenance", "visit", "alarm")


@dataclass(frozen=True)
class TrueExcursion:
    """The reading that a truth shows in; `row` is the truth's place in the list of truths."""

    row: int
    tag: str
    start_s: float
    end_s: float


def furnace_log(
    rng: np.random.Generator, line: SimLine, made: SimDefects, share: float = 0.5
) -> tuple[list[TagSeries], list[TrueExcursion]]:
    """All readings; `share` of the melter's and refiner's upsets show in one of their section's."""
    first, last = line.log_times[0] - 6 * DAY, line.log_times[-1]
    times = np.arange(first, last, STEP_S)
    values = {}
    for tag, _, level, noise, _ in TAGS:
        values[tag] = level + noise * _restless(rng, times)
    shown = []
    for row, t in enumerate(made.truths):
        mine = [tag for tag in TAGS if tag[4] == t.section]
        if t.section not in ("melter", "refiner") or rng.random() > share or t.origin_start < first:
            continue
        tag, _, _, noise, _ = mine[int(rng.integers(len(mine)))]
        rise = np.clip((times - t.origin_start) / (0.7 * HOUR), 0, 1)
        fall = np.clip((times - t.origin_end) / (0.7 * HOUR), 0, 1)
        values[tag] += rng.choice([-1, 1]) * rng.uniform(5, 12) * noise * (rise - fall)
        shown.append(TrueExcursion(row, tag, t.origin_start, t.origin_end))
    series = []
    for tag, unit, _, noise, _ in TAGS:
        v = _faults(rng, values[tag], noise)
        seen = np.ones(times.size, dtype=bool)
        for _ in range(rng.poisson(times.size / 1500)):
            at = int(rng.integers(times.size))
            seen[at : at + int(rng.integers(3, 60))] = False
        series.append(TagSeries(tag, unit, times[seen], v[seen]))
    return series, shown


def _restless(rng: np.random.Generator, times: np.ndarray) -> np.ndarray:
    """Noise of about one with memory of an hour, drift over days, a daily cycle, steps of the set point."""
    n = times.size
    out = 0.8 * _remembering(rng, n, STEP_S / HOUR) + rng.uniform(0.5, 1.5) * _remembering(
        rng, n, STEP_S / (3 * DAY)
    )
    out += rng.uniform(0.2, 0.8) * np.sin(2 * np.pi * times / DAY + rng.uniform(0, 6.28))
    for _ in range(rng.poisson((times[-1] - times[0]) / (12 * DAY))):
        out[int(rng.integers(n)) :] += rng.normal(0, 6)
    return out


def _remembering(rng: np.random.Generator, n: int, step: float) -> np.ndarray:
    keep = np.exp(-step)
    out = np.empty(n)
    out[0] = rng.normal()
    steps = rng.normal(0, np.sqrt(1 - keep**2), n)
    for i in range(1, n):
        out[i] = keep * out[i - 1] + steps[i]
    return out


def _faults(rng: np.random.Generator, values: np.ndarray, noise: float) -> np.ndarray:
    """Spikes of a reading or two, and values that stick for hours."""
    v = values.copy()
    for _ in range(rng.poisson(v.size / 800)):
        at = int(rng.integers(v.size))
        v[at : at + int(rng.integers(1, 3))] += rng.choice([-1, 1]) * rng.uniform(8, 40) * noise
    for _ in range(rng.poisson(v.size / 3000)):
        at = int(rng.integers(v.size))
        v[at : at + int(rng.integers(12, 50))] = v[at]
    return v


def unhelpful_book(
    rng: np.random.Generator,
    line: SimLine,
    made: SimDefects,
    shown: list[TrueExcursion],
    per_day: float = 3.0,
) -> SimDefects:
    """The same defects with another book: no entry for what a reading shows, and texts that seldom help.

    Of the entries that belong to an upset one in three names its section, one in three another, the rest
    nothing; one in three is written late, by an hour on average.
    """
    days = (line.log_times[-1] - line.log_times[0]) / DAY
    silent = {s.row for s in shown}
    every = [k for kinds in EVENT_KINDS.values() for k in kinds]
    events, truths = [], []
    for i, t in enumerate(made.truths):
        if i in silent or rng.random() > 0.9:
            truths.append(replace(t, event_id=None))
            continue
        late = rng.exponential(HOUR) if rng.random() < 1 / 3 else 0.0
        start = t.origin_start + rng.uniform(-900, 900) + late
        end = t.origin_end + rng.uniform(-900, 900) if rng.random() < 0.5 else None
        draw = rng.random()
        if draw < 1 / 3:
            kind = str(rng.choice(EVENT_KINDS[t.section]))
        else:
            kind = str(rng.choice(every if draw < 2 / 3 else NEUTRAL))
        events.append((f"E{i + 1:03d}", start, end if end is None or end > start else None, kind))
        truths.append(replace(t, event_id=f"E{i + 1:03d}"))
    for i in range(rng.poisson(per_day * days)):
        start = float(rng.uniform(line.log_times[0] - 5 * DAY, line.log_times[-1]))
        end = start + rng.uniform(0.5, 16) * HOUR if rng.random() < 0.5 else None
        events.append((f"D{i + 1:03d}", start, end, str(rng.choice([*every, *NEUTRAL]))))
    events.sort(key=lambda e: e[1])
    return replace(made, truths=truths, events=events)
