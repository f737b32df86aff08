"""An invented line: its figures, its speed, its sheets, its crews and its clock."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from models.ribbon import Layout, LineLog, Residence, speed_m_per_min

HOUR = 3600.0
DAY = 86400.0
EPOCH = 1_772_323_200.0  # 2026-03-01T00:00:00Z
OFFSET_H = 1.0  # the plant keeps UTC+1


@dataclass(frozen=True)
class Figures:
    """Plant figures as a plant would state them, and the truth that lies within the tolerance."""

    melter: Residence
    refiner: Residence
    true_melter: Residence
    true_refiner: Residence
    density: float = 2.5
    gross_mm: float = 3500.0
    net_mm: float = 3210.0
    mass_tolerance: float = 0.04
    plug_tolerance: float = 0.03
    tanks: tuple[float, float] = (2.6, 3.5)

    def as_json(self) -> dict[str, float]:
        return {
            "melter_mass_t": self.melter.mass_t,
            "melter_plug_fraction": self.melter.plug_fraction,
            "melter_tanks_in_series": self.melter.tanks,
            "refiner_mass_t": self.refiner.mass_t,
            "refiner_plug_fraction": self.refiner.plug_fraction,
            "refiner_tanks_in_series": self.refiner.tanks,
            "density_t_per_m3": self.density,
            "gross_width_mm": self.gross_mm,
            "net_width_mm": self.net_mm,
            "melter_mass_rel_tolerance": self.mass_tolerance,
            "melter_plug_tolerance": self.plug_tolerance,
            "melter_tanks_low": self.tanks[0],
            "melter_tanks_high": self.tanks[1],
            "refiner_mass_rel_tolerance": self.mass_tolerance,
        }


@dataclass(frozen=True)
class Roll:
    name: str
    diameter_mm: float
    upstream_m: float


@dataclass
class SimLine:
    """Everything but defects. Times are Unix seconds of the true clock unless named `stamped`."""

    figures: Figures
    log_times: np.ndarray
    log_speed: np.ndarray
    log_thickness: np.ndarray
    log_pull: np.ndarray
    log: LineLog
    layout: Layout
    rolls: list[Roll]
    sheet_start_m: np.ndarray
    sheet_length_mm: np.ndarray
    sheet_thickness: np.ndarray
    inspected: np.ndarray
    shift_edges: np.ndarray
    shift_sharpness: np.ndarray
    clock_steps: list[tuple[float, float, float]] = field(default_factory=list)

    def tonnes_at(self, time_s: np.ndarray) -> np.ndarray:
        """Cumulative tonnes drawn since the log began."""
        drawn = np.concatenate([[0.0], np.cumsum(np.diff(self.log_times) * self.log_pull[:-1] / DAY)])
        t = np.asarray(time_s, dtype=float)
        before = (t - self.log_times[0]) * self.log_pull[0] / DAY
        after = drawn[-1] + (t - self.log_times[-1]) * self.log_pull[-1] / DAY
        inside = np.interp(t, self.log_times, drawn)
        return np.where(t < self.log_times[0], before, np.where(t > self.log_times[-1], after, inside))

    def sharpness_at(self, time_s: np.ndarray) -> np.ndarray:
        row = np.clip(
            np.searchsorted(self.shift_edges, time_s, side="right") - 1, 0, len(self.shift_sharpness) - 1
        )
        return self.shift_sharpness[row]

    def stamped(self, time_s: np.ndarray) -> np.ndarray:
        """What the inspection computer's clock says at a true time."""
        out = np.array(time_s, dtype=float)
        for start, end, step in self.clock_steps:
            out = np.where((time_s >= start) & (time_s < end), time_s + step, out)
        return out


def build_line(
    rng: np.random.Generator,
    days: float,
    *,
    clock_step: bool = True,
    gaps: bool = True,
    widths_mm: tuple[float, float] = (3500.0, 3210.0),
) -> SimLine:
    """A line of varied truth that ran for `days`; `widths_mm` gross and net."""
    figures = replace(_figures(rng), gross_mm=widths_mm[0], net_mm=widths_mm[1])
    times, speed, thickness, pull = _speeds(rng, days, figures)
    log = LineLog(times, speed, start_m=float(rng.uniform(1e4, 9e5)))
    lehr = float(rng.uniform(110, 150))
    exit_m = float(rng.uniform(20, 60))
    points = {"lehr_outlet": 0.0, "lehr_inlet": lehr, "bath_outlet": lehr + 8, "bath_bay_2": lehr + 50}
    points["bath_inlet"] = lehr + 68
    upstream = {name: exit_m + distance for name, distance in points.items()}
    layout = Layout({"inspection": 0.0, "cutter": -float(rng.uniform(8, 25)), **upstream})
    rolls = _rolls(rng, exit_m, lehr)
    start_m, length, sheet_thickness = _sheets(rng, log, times, thickness, gaps)
    seen = log.time_at(start_m)
    inspected = np.ones(start_m.size, dtype=bool)
    if gaps:
        for _ in range(rng.poisson(days / 8)):
            begin = rng.uniform(times[0], times[-1])
            inspected &= ~((seen >= begin) & (seen < begin + rng.uniform(1, 9) * HOUR))
    edges, sharpness = _shifts(rng, times[0], times[-1])
    line = SimLine(
        figures, times, speed, thickness, pull, log, layout, rolls,
        start_m, length, sheet_thickness, inspected, edges, sharpness,
    )  # fmt: skip
    if clock_step:
        begin = float(rng.uniform(times[0] + 0.1 * days * DAY, times[-1] - 0.3 * days * DAY))
        size = float(rng.choice([-1, 1]) * rng.uniform(8, 60) * 60)
        line.clock_steps.append((begin, begin + float(rng.uniform(1, 4)) * DAY, size))
    return line


def _figures(rng: np.random.Generator) -> Figures:
    melter = Residence(float(rng.uniform(1250, 1750)), float(rng.uniform(0.12, 0.28)), 3.0)
    refiner = Residence(float(rng.uniform(220, 330)), float(rng.uniform(0.2, 0.45)), 2.0)
    true_melter = Residence(
        melter.mass_t * (1 + rng.uniform(-0.04, 0.04)),
        melter.plug_fraction + rng.uniform(-0.03, 0.03),
        float(rng.uniform(2.6, 3.5)),
    )
    true_refiner = Residence(
        refiner.mass_t * (1 + rng.uniform(-0.04, 0.04)), refiner.plug_fraction, refiner.tanks
    )
    return Figures(melter, refiner, true_melter, true_refiner)


def _speeds(rng, days, figures):
    times = EPOCH + np.arange(0, days * DAY + 1, 600.0)
    pull = np.full(times.size, float(rng.uniform(480, 580)))
    thickness = np.full(times.size, float(rng.choice([4.0, 5.0, 6.0])))
    at = times[0]
    while True:
        at += rng.uniform(3, 9) * DAY
        if at >= times[-1]:
            break
        later = times >= at
        if rng.random() < 0.5:
            thickness[later] = float(rng.choice([3.0, 4.0, 5.0, 6.0, 8.0]))
        else:
            pull[later] = float(rng.uniform(480, 580))
    speed = np.array([
        speed_m_per_min(p, figures.gross_mm, t, figures.density) for p, t in zip(pull, thickness, strict=True)
    ])  # fmt: skip
    speed = speed * (1 + rng.normal(0, 0.002, speed.size))
    return times, speed, thickness, pull


def _rolls(rng, exit_m, lehr):
    rolls = []
    for i, diameter in enumerate(rng.permutation([216.0, 225.0, 254.0, 280.0, 305.0, 318.0, 340.0])):
        rolls.append(Roll(f"lehr roll {i + 1}", diameter, exit_m + lehr * (0.05 + 0.13 * i)))
    for i, diameter in enumerate([190.0, 203.0, 240.0]):
        rolls.append(Roll(f"lift-out roll {i + 1}", diameter, exit_m + lehr + 2.0 + 1.5 * i))
    for i, diameter in enumerate([120.0, 150.0]):
        rolls.append(Roll(f"cold conveyor roll {i + 1}", diameter, 4.0 + 6 * i))
    return rolls


def _sheets(rng, log, times, thickness, gaps):
    first, last = float(log.metre_at(times[0])), float(log.metre_at(times[-1]))
    length_m = float(rng.choice([6.0, 5.1, 4.5]))
    start = np.arange(first, last - length_m, length_m)
    if gaps:
        seen = log.time_at(start)
        for _ in range(rng.poisson((times[-1] - times[0]) / DAY / 6)):
            begin = rng.uniform(times[0], times[-1])
            end = begin + rng.uniform(0.3, 5) * HOUR
            there = (seen < begin) | (seen >= end)
            start, seen = start[there], seen[there]
        keep = rng.random(start.size) > 0.02
        start = start[keep]
    row = np.clip(np.searchsorted(times, log.time_at(start), side="right") - 1, 0, times.size - 1)
    return start, np.full(start.size, length_m * 1000.0), thickness[row]


def _shifts(rng, first, last):
    hours = float(rng.choice([8.0, 8.0, 12.0]))
    begin = EPOCH - DAY + (6.0 - OFFSET_H) * HOUR
    edges = np.arange(begin, last + DAY, hours * HOUR)
    crews = int(rng.choice([3, 4, 5]))
    sharp = np.concatenate([[1.0], rng.uniform(0.6, 1.0, crews - 1)])
    sharp[int(rng.integers(1, crews))] = 0.5
    turn = int(rng.choice([1, 2]))
    crew = (np.arange(edges.size) // turn) % crews
    return edges, sharp[crew]
