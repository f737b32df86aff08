"""Features of a spot in the context of its photo: how it compares with the photo's own dust.

One photo has one camera, one light and mostly one sort of dirt: its grains of dust look alike. How far a spot
lies from the photo's own dust means more than how far it lies from dust in general.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.classification.classes import DUST
from vision.results import KINDS

Array = NDArray[np.floating]
# columns in which dust of one photo is alike, and in which what lies in the glass is not like it
COMPARED = (
    "contrast", "log_peak", "log_length", "log_width_blur", "aspect", "flank", "halo_sure", "far_sure",
    "collar_max", "grain_round", "dip", "rim_rough", "point_symmetry", "short_fall_0.30", "long_fall_0.30",
    "ring_one", "ring_two", "core_max", "halo_noise",
)  # fmt: skip
SHOWN = 4
"""The photo's mean dust is a feature itself in this many of the compared columns."""
GENERAL_DUST_COUNT = 2.0
"""Grains of dust that dust in general weighs as much as, where it is mixed with the photo's own (by hand)."""
MOST_SD = 6.0
"""Distances from the dust are cut off here, standard deviations (by hand: beyond it they say no more)."""
SMALLEST_VARIANCE = 1e-4
"""Keeps a column in which all dust is alike from dividing by 0; in units of that column, squared."""
SMALLEST_SHARE = 1e-4
"""Probabilities are kept off 0 by this before their logarithm is taken."""


def compared(table: Array, names: list[str]) -> Array:
    """The columns of `COMPARED`, shape (N, 19), contrast as a logarithm."""
    place = {name: i for i, name in enumerate(names)}
    part = table[:, [place[name] for name in COMPARED]].astype(np.float64)
    part[:, 0] = np.log(np.abs(part[:, 0]) + 1e-3)
    return part


def context_features(
    table: Array, names: list[str], rows: Array, general_dust: tuple[Array, Array]
) -> tuple[Array, list[str]]:
    """The feature table with columns for how each spot compares with the photo's dust, and all names.

    table : features (N, F) of one photo; rows : first probabilities (N, classes)
    general_dust : mean and variance (19,) of the compared columns over dust in general, which stands in where
        a photo shows little dust
    Returns shape (N, F + 26).
    """
    part = compared(table, names)
    dust = rows[:, DUST].astype(np.float64)
    defect = rows[:, : len(KINDS) - 1].sum(1)
    count = float(dust.sum())
    own = count / (count + GENERAL_DUST_COUNT)
    mean, variance = general_dust
    if count > 0:
        own_mean = (dust[:, None] * part).sum(0) / count
        own_variance = (dust[:, None] * (part - own_mean) ** 2).sum(0) / count
        mean = own * own_mean + (1 - own) * mean
        variance = own * own_variance + (1 - own) * variance
    away = np.clip((part - mean) / np.sqrt(variance + SMALLEST_VARIANCE), -MOST_SD, MOST_SD)
    extra = np.column_stack(
        (
            away,
            np.full(len(part), np.log1p(count)),
            np.tile(mean[:SHOWN], (len(part), 1)),
            np.log(np.maximum(dust, SMALLEST_SHARE)),
            np.log(np.maximum(defect, SMALLEST_SHARE)),
        )
    )
    columns = [f"dust_{name}" for name in COMPARED] + ["dust_count"]
    columns += [f"dust_is_{name}" for name in COMPARED[:SHOWN]] + ["first_dust", "first_defect"]
    return np.hstack((table, extra.astype(np.float32))), [*names, *columns]
