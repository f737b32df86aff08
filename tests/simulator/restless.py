"""A second, independent kind of restless background, and a line that is more often disturbed.

Nothing here shares its form with the first background (tests/simulator/defects.py): the level of a kind
wanders as an Ornstein-Uhlenbeck process, a swing or a walk that is pulled back; parts of the width wander on
their own, edges most; batches come with gamma noise; one broken roller leaves dozens of scratches on one
sheet; day and night differ; kinds are seldom (0.002 a square metre) or common (0.25). All invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.ribbon import LineLog
from tests.simulator.line import DAY, HOUR, SimLine, build_line

BLOCK_S = 900.0
BANDS = 12  # parts of the width that differ in the course of their level


def restless_line(rng: np.random.Generator, days: float) -> SimLine:
    """A line with slow stretches, standstills, and on one in three lines a narrow ribbon."""
    narrow = rng.random() < 0.33
    line = build_line(rng, days, widths_mm=(2600.0, 2250.0) if narrow else (3500.0, 3210.0))
    speed = line.log_speed.copy()
    for _ in range(rng.poisson(days / 10)):
        begin = rng.uniform(line.log_times[0] + DAY, line.log_times[-1] - DAY)
        slow = (line.log_times >= begin) & (line.log_times < begin + rng.uniform(0.5, 6) * HOUR)
        speed[slow] *= rng.uniform(0.5, 0.8)
    for _ in range(rng.poisson(days / 30)):
        begin = rng.uniform(line.log_times[0] + DAY, line.log_times[-1] - DAY)
        speed[(line.log_times >= begin) & (line.log_times < begin + rng.uniform(0.3, 1.5) * HOUR)] = 0.0
    pull = line.log_pull * speed / line.log_speed
    log = LineLog(line.log_times, speed, start_m=line.log.start_m)
    last = log.metre_at(line.log_times[-1])
    keep = line.sheet_start_m < last - 10
    return replace(
        line, log=log, log_speed=speed, log_pull=pull, sheet_start_m=line.sheet_start_m[keep],
        sheet_length_mm=line.sheet_length_mm[keep], sheet_thickness=line.sheet_thickness[keep],
        inspected=line.inspected[keep],
    )  # fmt: skip


def restless_rates(rng: np.random.Generator, days: float) -> dict[str, float]:
    """Kinds and their rates per square metre: two common ones, and one or two seldom seen."""
    common = float(np.exp(rng.uniform(np.log(0.02), np.log(0.12 if days > 40 else 0.25))))
    rates = {"bubble": common, "scratch": common * float(rng.uniform(0.3, 1.2))}
    rates["stone"] = float(np.exp(rng.uniform(np.log(0.002), np.log(0.06))))
    if rng.random() < 0.5:
        rates["tin speck"] = float(np.exp(rng.uniform(np.log(0.002), np.log(0.02))))
    return rates


def wander(rng: np.random.Generator, times_s: np.ndarray, sd: float) -> np.ndarray:
    """Log level over time, standard deviation about `sd`: one of three forms, drawn here."""
    form = rng.choice(["ou", "swing", "walk"])
    if form == "swing":
        period = rng.uniform(1.0, 3.0) * DAY
        phase = np.cumsum(rng.normal(0, 0.15 * np.sqrt(BLOCK_S / DAY), times_s.size))
        return (
            sd
            * np.sqrt(2)
            * np.sin(2 * np.pi * (times_s - times_s[0]) / period + rng.uniform(0, 6.28) + phase)
        )
    memory = rng.uniform(0.5, 3.0) * DAY
    if form == "walk":
        # hourly steps, heavier than Gauss, pulled back
        steps = rng.standard_t(4, times_s.size) / np.sqrt(2)
    else:
        steps = rng.normal(size=times_s.size)
    keep = np.exp(-BLOCK_S / memory)
    out = np.empty(times_s.size)
    out[0] = rng.normal()
    steps *= np.sqrt(1 - keep**2)
    for i in range(1, out.size):
        out[i] = keep * out[i - 1] + steps[i]
    return sd * out


def restless_background(
    rng: np.random.Generator, line: SimLine, per_m2: float, kind: str
) -> tuple[np.ndarray, np.ndarray]:
    """(metres, places across in mm) of one kind's background, before anybody looks."""
    edges = np.arange(line.log_times[0], line.log_times[-1], BLOCK_S)
    metres = np.diff(line.log.metre_at(np.append(edges, edges[-1] + BLOCK_S)))
    f = line.figures
    left, right = (f.gross_mm - f.net_mm) / 2, (f.gross_mm + f.net_mm) / 2
    level = wander(rng, edges, rng.uniform(0.15, 0.35))
    if rng.random() < 0.5:
        level = level + rng.uniform(0.05, 0.2) * np.sign(
            np.sin(2 * np.pi * edges / DAY + rng.uniform(0, 6.28))
        )
    batch = np.repeat(np.arange(edges.size // 8 + 1), 8)[: edges.size]
    noise = rng.gamma(30.0, 1 / 30.0, batch[-1] + 1)[batch] * rng.gamma(10.0, 1 / 10.0, edges.size)
    middles = (np.arange(BANDS) + 0.5) / BANDS
    near_edge = np.exp(-np.minimum(middles, 1 - middles) / 0.08)
    profile = 1.0 + rng.uniform(0.3, 1.5) * near_edge + 0.2 * rng.normal(size=BANDS)
    local = np.zeros((edges.size, BANDS))
    for centre in rng.uniform(0, 1, 3):
        shape = np.exp(-0.5 * ((middles - centre) / rng.uniform(0.1, 0.25)) ** 2)
        local += wander(rng, edges, rng.uniform(0.05, 0.15))[:, None] * shape
    side = np.where(middles < 0.5, 1.0, 0.0) * near_edge
    for one in (side, side[::-1]):
        local += wander(rng, edges, rng.uniform(0.1, 0.3))[:, None] * one
    rate = np.exp(level)[:, None] * noise[:, None] * np.exp(local) * np.maximum(profile, 0.3)
    area = metres * (right - left) / 1000
    count = rng.poisson(per_m2 / np.mean(rate) * rate * area[:, None] / BANDS)
    block = np.repeat(np.arange(edges.size * BANDS), count.ravel())
    t = edges[block // BANDS] + rng.random(block.size) * BLOCK_S
    x = left + (right - left) * (block % BANDS + rng.random(block.size)) / BANDS
    m = line.log.metre_at(t)
    return _with_clusters(rng, line, m, x, (left, right), kind)


def _with_clusters(rng, line, m, x, net, kind):
    """Sheets with many defects: fragments round one stone, a broken roller's scratches on one sheet."""
    days = (line.log_times[-1] - line.log_times[0]) / DAY
    parts_m, parts_x = [m], [x]
    per_day = rng.uniform(0.05, 0.5) if kind == "scratch" else rng.uniform(0.0, 0.15)
    for start in rng.choice(line.sheet_start_m, rng.poisson(per_day * days)):
        n = int(min(3 + rng.pareto(1.2) * 4, 60))
        spread = rng.uniform(20, 600) if rng.random() < 0.6 else net[1] - net[0]
        centre = rng.uniform(*net)
        across = centre + spread * (rng.random(n) - 0.5)
        inside = (across > net[0]) & (across < net[1])
        along = start + rng.random(n) * rng.choice([0.3, 4.0])
        parts_m.append(along[inside])
        parts_x.append(across[inside])
    return np.concatenate(parts_m), np.concatenate(parts_x)
