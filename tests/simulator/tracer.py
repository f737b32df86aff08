"""A melter that is no plug and tanks, and the tracer run that its plant's laboratory made of it."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from models.ribbon import Readings, Residence, VesselChain
from tests.simulator.files import iso
from tests.simulator.line import DAY, HOUR, SimLine

ADDED_KG = 60.0
LEVEL_PPM = 12.0
EVERY_S = 4 * HOUR


@dataclass(frozen=True)
class TwoPaths:
    """Glass goes one of two ways side by side: quickly along the surface or slowly along the bottom."""

    quick: Residence
    slow: Residence
    quick_share: float

    def mean_t(self) -> float:
        return self.quick_share * self.quick.mean_t() + (1 - self.quick_share) * self.slow.mean_t()

    def sd_t(self) -> float:
        square = self.quick_share * (self.quick.sd_t() ** 2 + self.quick.mean_t() ** 2)
        square += (1 - self.quick_share) * (self.slow.sd_t() ** 2 + self.slow.mean_t() ** 2)
        return float(np.sqrt(square - self.mean_t() ** 2))

    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray:
        return self.quick_share * self.quick.cdf(tonnes) + (1 - self.quick_share) * self.slow.cdf(tonnes)


def with_two_paths(line: SimLine, rng: np.random.Generator) -> SimLine:
    """The line with a melter of two paths, whose plant still believes its figures; a seventh stands still."""
    mass = line.figures.melter.mass_t
    share = float(rng.uniform(0.35, 0.5))
    active = 0.86 * mass
    quick = Residence(float(rng.uniform(0.36, 0.45)) * mass, 0.45, 4.0)
    slow = Residence((active - share * quick.mass_t) / (1 - share), 0.45, 5.0)
    return replace(line, figures=replace(line.figures, true_melter=TwoPaths(quick, slow, share)))


def tracer_samples(
    line: SimLine, rng: np.random.Generator, introduced_s: float, days: float, noise: float = 0.02
) -> tuple[np.ndarray, np.ndarray]:
    """(times, ppm) of samples at the cutter, a day before the pulse and `days` after; noise in peaks."""
    times = np.arange(introduced_s - DAY, introduced_s + days * DAY, EVERY_S)
    upstream = line.layout.upstream_m
    left = line.log.passed(line.log.metre_at(times) + upstream["cutter"], upstream["bath_inlet"])
    drawn = line.tonnes_at(left) - line.tonnes_at(introduced_s)
    chain = VesselChain((line.figures.true_melter, line.figures.true_refiner))
    grid, share = chain.table()
    density = np.interp(
        drawn, 0.5 * (grid[1:] + grid[:-1]), np.diff(share) / np.diff(grid), left=0.0, right=0.0
    )
    ppm = LEVEL_PPM + ADDED_KG * 1000.0 * density
    return times, ppm + noise * ADDED_KG * 1000.0 * density.max() * rng.standard_normal(times.size)


def readings(line: SimLine, times: np.ndarray, ppm: np.ndarray, introduced_s: float) -> Readings:
    """The samples as a trace takes them, without the books between."""
    upstream = line.layout.upstream_m
    left = line.log.passed(line.log.metre_at(times) + upstream["cutter"], upstream["bath_inlet"])
    return Readings("pulse", line.tonnes_at(left) - line.tonnes_at(introduced_s), ppm)


def write_tracer(path: Path, times: np.ndarray, ppm: np.ndarray, introduced_s: float) -> Path:
    """The samples as a plant file."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(("run_id", "section", "introduced", "sampled_at", "added_kg", "time", "tracer", "unit"))
        for n, (time, value) in enumerate(zip(times, ppm, strict=True)):
            whole = ("melter+refiner", iso(introduced_s), "cutter", ADDED_KG) if n == 0 else ("", "", "", "")
            out.writerow(("T-2026-1", *whole, iso(time), f"{value:.3f}", "ppm" if n == 0 else ""))
    return path
