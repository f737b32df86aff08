"""Which roll a pitch belongs to: circumference = pi x diameter, with what heat does to ribbon and roll."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.trace.data import RollPlace
from models.trace.repeats import Pitch
from models.trace.routes import Routes

# Ratio of pitch on the cold ribbon to pi x diameter, as (weight, mean, standard deviation):
# - as drawn: hot roll and shrunk ribbon cancel, or the plant's diameter is that of the hot roll;
# - ribbon shrunk from about 600 C at the lehr's entry (temperature: common practice, no source) to 20 C:
#   580 K at 9e-6 per K (expansion of soda-lime glass: from memory) are 0.52 %;
# - hot roll grown against that, by 0.7 to 1 % (from memory).
# The weights are set by hand: no count of such cases is known.
RATIOS = ((0.55, 1.0, 0.0015), (0.15, 0.9948, 0.0015), (0.30, 1.0, 0.008))
# even marks on one roll: pitch is a half or a third of the circumference (weights set by hand)
MULTIPLES = ((1, 0.94), (2, 0.04), (3, 0.02))
WIDEST = 0.025  # relative misfit beyond which no roll is named: the 2 % of heat and some wear (set by hand)
NO_ROLL = 0.02  # chance that the roll is not in the plant's list (set by hand)


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
