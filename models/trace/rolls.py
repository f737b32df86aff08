"""Which roll a pitch belongs to: circumference = pi x diameter, with what heat does to ribbon and roll."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.trace.data import RollPlace
from models.trace.repeats import Pitch
from models.trace.routes import Routes

# ratio of pitch on the cold ribbon to pi x diameter: as drawn; ribbon shrunk from about 600 C (0.52 %); the
# hot roll grown by up to 1 % against that. (weight, mean, standard deviation)
RATIOS = ((0.55, 1.0, 0.0015), (0.15, 0.9948, 0.0015), (0.30, 1.0, 0.008))
MULTIPLES = ((1, 0.94), (2, 0.04), (3, 0.02))  # even marks on one roll: pitch is a half or a third
WIDEST = 0.025
NO_ROLL = 0.02


@dataclass(frozen=True)
class RollMatch:
    """A roll, its weight among all rolls and "none", its circumference and the misfit in per cent."""

    roll: RollPlace
    weight: float
    circumference_mm: float
    misfit_percent: float


def match_rolls(pitch: Pitch, rolls: tuple[RollPlace, ...]) -> list[RollMatch]:
    """Rolls whose circumference fits the pitch, best first; empty where none fits within `WIDEST`."""
    if not rolls:
        return []
    weights = []
    for roll in rolls:
        around = np.pi * roll.diameter_mm
        value = 0.0
        for multiple, chance in MULTIPLES:
            expected = around / multiple
            if abs(pitch.pitch_mm / expected - 1) > WIDEST + 3 * pitch.se_mm / expected:
                continue
            for weight, mean, sd in RATIOS:
                total_sd = float(np.hypot(sd * expected, pitch.se_mm))
                z = (pitch.pitch_mm - mean * expected) / total_sd
                value += chance * weight * np.exp(-0.5 * z * z) / total_sd
        weights.append(value / len(rolls))
    total = sum(weights) + NO_ROLL / 2000.0
    out = []
    for roll, weight in zip(rolls, weights, strict=True):
        if weight > 0:
            around = np.pi * roll.diameter_mm
            multiple = min((1, 2, 3), key=lambda k: abs(pitch.pitch_mm * k / around - 1))
            out.append(
                RollMatch(roll, float(weight / total), around, 100 * (pitch.pitch_mm * multiple / around - 1))
            )
    return sorted(out, key=lambda r: -r.weight)


def section_of(upstream_m: float, routes: Routes) -> str:
    """Section in which a place of the line lies; between bath and lehr the lehr has the glass already."""
    if upstream_m <= routes.far_m["cold_end"]:
        return "cold_end"
    return "lehr" if upstream_m < routes.near_m["bath"] else "bath"
