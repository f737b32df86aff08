"""Steps of the inspection computer's clock, found from the metre counter and the line log.

The counter is the truth: the line log says at which time each metre passed. Where the stamps of the sheets
jump against that, and stay away, the clock was put forward or back. The level that holds for most of
the sheets is taken to be the right time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import ndimage

from models.ribbon import LineLog
from models.trace.data import LineRows, Sheets

SMALLEST_STEP_S = 150.0
HALF_WINDOW = 9  # sheets on either side of a jump whose medians are compared


@dataclass(frozen=True)
class ClockStep:
    """Stamps from `from_m` to `to_m` run ahead of the true time by `step_s` (negative: behind)."""

    from_m: float
    to_m: float
    step_s: float
    start_s: float
    end_s: float


@dataclass(frozen=True)
class LineClock:
    """The true time of every metre, and what was put right to get there.

    log : metres against true time
    steps : clock steps found
    drift_s_per_day : how the line log's own integral runs away from the counter, after the steps
    """

    log: LineLog
    steps: tuple[ClockStep, ...]
    drift_s_per_day: float

    def true_time(self, metre: np.ndarray) -> np.ndarray:
        return self.log.time_at(metre)


def read_clock(sheets: Sheets, line: LineRows | None, cutter_upstream_m: float = 0.0) -> LineClock:
    """Tie the counter to the line log's clock.

    sheets : at least two, sorted by metre
    line : the line log; without one the sheets' own stamps are taken as they stand
    cutter_upstream_m : place of the cutter, where the stamp is given (downstream is negative)
    """
    metre = sheets.start_m - cutter_upstream_m
    if line is None:
        return LineClock(_log_from_stamps(metre, sheets.cut_s), (), 0.0)
    raw = LineLog(line.times_s, line.speed_m_per_min)
    inside = raw.covers(sheets.cut_s)
    if inside.sum() < 3:
        inside = np.ones(metre.size, dtype=bool)
    start_m = float(np.median((metre - raw.metre_at(sheets.cut_s))[inside]))
    log = LineLog(line.times_s, line.speed_m_per_min, start_m)
    ahead = sheets.cut_s - log.time_at(metre)
    level = _levels(ahead)
    steps = _steps(level, sheets, log)
    stamped = sheets.cut_s - level
    error_m = metre - log.metre_at(stamped)
    anchored, drift = _anchor(line, log, stamped, error_m)
    return LineClock(anchored, steps, drift)


def _log_from_stamps(metre: np.ndarray, cut_s: np.ndarray) -> LineLog:
    pick = np.unique(np.linspace(0, metre.size - 1, min(metre.size, 2000)).astype(int))
    t, m = np.maximum.accumulate(cut_s[pick]), metre[pick]
    keep = np.concatenate([[True], np.diff(t) > 0])
    t, m = t[keep], m[keep]
    if t.size < 2:
        return LineLog(np.array([t[0]]), np.array([10.0]), float(m[0]))
    speed = np.diff(m) / np.diff(t) * 60.0
    return LineLog(t, np.append(speed, speed[-1]), float(m[0]))


def _levels(ahead: np.ndarray) -> np.ndarray:
    """Piecewise constant part of `ahead`, with the commonest level moved to 0 (shape of `ahead`)."""
    n = ahead.size
    if n < 2 * HALF_WINDOW + 2:
        return np.zeros(n)
    medians = ndimage.median_filter(ahead, HALF_WINDOW, mode="nearest")
    lead = HALF_WINDOW // 2 + 1
    jump = np.zeros(n)
    jump[lead : n - lead] = medians[2 * lead :] - medians[: n - 2 * lead]
    big = np.abs(jump) > SMALLEST_STEP_S
    level = np.zeros(n)
    if not big.any():
        return level
    label, _count = ndimage.label(big)
    at = []
    for piece in ndimage.find_objects(label):
        lo, hi = max(piece[0].start - 1, 0), min(piece[0].stop + 1, n)
        # the jump sits where one stamp differs most from the next
        at.append(lo + 1 + int(np.argmax(np.abs(np.diff(ahead[lo : hi + 1])))) if hi - lo > 1 else lo)
    edges = [0, *sorted(set(at)), n]
    # a slow run-away of the log's integral must not count as a level: differences are taken at the edges
    values, total = [0.0], 0.0
    for edge in edges[1:-1]:
        before, after = ahead[max(0, edge - 60) : edge], ahead[edge : edge + 60]
        total += float(np.median(after[:40]) - np.median(before[-40:]))
        values.append(total)
    sizes = np.diff(edges)
    groups = np.array(values)
    # the level of most sheets, levels within the smallest step being the same
    weight = [sizes[np.abs(groups - v) < SMALLEST_STEP_S].sum() for v in groups]
    right = groups[int(np.argmax(weight))]
    for lo, hi, value in zip(edges[:-1], edges[1:], groups - right, strict=True):
        level[lo:hi] = value if abs(value) >= SMALLEST_STEP_S else 0.0
    return level


def _steps(level: np.ndarray, sheets: Sheets, log: LineLog) -> tuple[ClockStep, ...]:
    edges = np.concatenate([[0], np.flatnonzero(np.diff(level)) + 1, [level.size]])
    steps = []
    for lo, hi in pairwise(edges):
        if level[lo] != 0:
            from_m, to_m = float(sheets.start_m[lo]), float(sheets.start_m[hi - 1])
            start, end = (float(log.time_at(m)) for m in (from_m, to_m))
            steps.append(ClockStep(from_m, to_m, float(level[lo]), start, end))
    return tuple(steps)


def _anchor(line: LineRows, log: LineLog, stamped: np.ndarray, error_m: np.ndarray) -> tuple[LineLog, float]:
    """Bend the log's integral to the counter: a slow correction, medians over half days."""
    span = stamped.max() - stamped.min()
    parts = max(1, int(span / 43200.0))
    cell = np.clip(((stamped - stamped.min()) / max(span, 1.0) * parts).astype(int), 0, parts - 1)
    at, by = [], []
    for i in range(parts):
        here = cell == i
        if here.sum() >= 5:
            at.append(float(np.median(stamped[here])))
            by.append(float(np.median(error_m[here])))
    if not at:
        return log, 0.0
    mean_speed = float(np.mean(log.speed_m_per_s))
    slope = 0.0 if len(at) < 3 else float(np.polyfit(np.array(at) - at[0], by, 1)[0]) * 86400.0 / mean_speed
    metres = log.metres + np.interp(line.times_s, at, by)
    speed = np.diff(metres) / np.diff(line.times_s) * 60.0
    if line.times_s.size < 2 or (speed < 0).any():
        return log, slope
    return LineLog(line.times_s, np.append(speed, line.speed_m_per_min[-1]), float(metres[0])), slope
