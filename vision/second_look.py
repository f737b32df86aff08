"""A second look at every spot, knowing the photo's first impressions.

One photo has one camera, one light and mostly one sort of dirt: its grains of dust look alike. How far a spot
lies from the photo's own dust says more than how far it lies from dust in general. And how often each thing
was met in the photo so far says how likely one more is: a sheet full of stones has another stone sooner than
a clean one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.kinds import CLASSES, NOISE
from vision.results import KINDS

Array = NDArray[Any]
# columns in which dust of one photo is alike, and in which what lies in the glass is not like it
COMPARED = (
    "contrast", "log_peak", "log_length", "log_width_blur", "aspect", "flank", "halo_sure", "far_sure",
    "collar_max", "grain_round", "dip", "rim_rough", "point_symmetry", "short_fall_0.30", "long_fall_0.30",
    "ring_one", "ring_two", "core_max", "halo_noise",
)  # fmt: skip
TOLD = 4  # of these the photo's own dust is told as such
USUAL_COUNT = 2.0  # grains of dust that the usual dust weighs as much as
MOST_SD = 6.0
SMALLEST_VARIANCE = 1e-4
SMALLEST_SHARE = 1e-3
DUST = CLASSES.index("dust")
DEFECTS = [CLASSES.index("bubble"), CLASSES.index("stone")]
USUAL_SPOTS = 20.0  # spots that the usual shares weigh as much as
ROUNDS = 40
# photos of a good line that show no defect (common practice, no source), and what is left for one to be there
CLEAN_PHOTOS, CLEAN_PHOTO_SHARE = 0.5, 0.003


def compared(table: Array, names: list[str]) -> Array:
    """The columns of `COMPARED`, shape (N, 19), contrast as a logarithm."""
    place = {name: i for i, name in enumerate(names)}
    part = table[:, [place[name] for name in COMPARED]].astype(np.float64)
    part[:, 0] = np.log(np.abs(part[:, 0]) + 1e-3)
    return part


def beside_dust(
    table: Array, names: list[str], rows: Array, usual: tuple[Array, Array]
) -> tuple[Array, list[str]]:
    """Columns that tell how each spot compares with the photo's dust, and their names.

    table : features (N, F) of one photo; rows : first probabilities (N, classes of `kinds.CLASSES`)
    usual : mean and variance of the compared columns over dust in general, which stands in where a photo
        shows little dust
    """
    part = compared(table, names)
    dust = rows[:, DUST].astype(np.float64)
    defect = rows[:, : len(KINDS) - 1].sum(1)
    count = float(dust.sum())
    own = count / (count + USUAL_COUNT)
    mean, variance = usual
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
            np.tile(mean[:TOLD], (len(part), 1)),
            np.log(np.maximum(dust, 1e-4)),
            np.log(np.maximum(defect, 1e-4)),
        )
    )
    columns = [f"dust_{name}" for name in COMPARED] + ["dust_count"]
    columns += [f"dust_is_{name}" for name in COMPARED[:TOLD]] + ["first_dust", "first_defect"]
    return np.hstack((table, extra.astype(np.float32))), [*names, *columns]


def own_shares(rows: Array, usual: Array) -> Array:
    """Probabilities with the photo's own shares of defects, dust, noise and the rest in place of the usual
    ones; same shape, rows still sum to 1.

    rows : (N, classes of `kinds.CLASSES`); usual : the shares (classes,) that the probabilities were made for
    The share of defects is not guessed but summed over: nearly none, as on many photos, or anything about the
    usual, each weighed by how well it explains all spots together (Bayes). So three spots that may be defects
    are so more likely beside ten that are than on a photo that shows nothing else.
    """
    if not len(rows):
        return rows
    groups = _groups()
    each = rows @ groups
    before = np.maximum(usual @ groups, SMALLEST_SHARE)
    before = before / before.sum()
    after = _shares_by_expectation(each, before)
    share = (USUAL_SPOTS * before + after.sum(0))[1:]
    likelihood = each / before
    defect, other = likelihood[:, :1], likelihood[:, 1:] @ (share / share.sum())[:, None]
    tried, prior = _defect_shares(float(before[0]))
    both = tried * defect + (1.0 - tried) * other
    said = np.log(prior) + np.log(np.maximum(both, 1e-300)).sum(0)
    weight = np.exp(said - said.max())
    chance = (tried * defect / np.maximum(both, 1e-300) * (weight / weight.sum())).sum(1)
    rest = after[:, 1:] / np.maximum(after[:, 1:].sum(1, keepdims=True), 1e-12)
    after = np.column_stack((chance, (1.0 - chance)[:, None] * rest))
    result = rows * ((after / np.maximum(each, 1e-12)) @ groups.T)
    return np.asarray(result / np.maximum(result.sum(1, keepdims=True), 1e-12), np.float32)


def _shares_by_expectation(each: Array, before: Array) -> Array:
    """Probabilities of the groups of `_groups`, (N, 4), with the photo's own shares.

    Expectation maximisation of M. Saerens, P. Latinne and C. Decaestecker, "Adjusting the outputs of a
    classifier to new a priori probabilities", Neural Computation 14 (2002), eq. 2.8 to 2.10, with the usual
    shares `before` as if met on `USUAL_SPOTS` spots before.
    """
    share, after = before, each
    for _ in range(ROUNDS):
        after = each * (share / before)
        after = after / np.maximum(after.sum(1, keepdims=True), 1e-12)
        share = (USUAL_SPOTS * before + after.sum(0)) / (USUAL_SPOTS + len(each))
    return after


def _defect_shares(usual: float) -> tuple[Array, Array]:
    """Shares of defects among a photo's spots, and how likely each is before its spots are looked at.

    The first stands for a photo without defects; the others follow a beta distribution about the usual share.
    """
    some = np.linspace(0.005, 0.9, 90)
    one, other = max(USUAL_SPOTS * usual, 0.2), USUAL_SPOTS * (1.0 - usual)
    beta = some ** (one - 1.0) * (1.0 - some) ** (other - 1.0)
    tried = np.concatenate(([CLEAN_PHOTO_SHARE], some))
    return tried, np.concatenate(([CLEAN_PHOTOS], (1.0 - CLEAN_PHOTOS) * beta / beta.sum()))


def settled(rows: Array, slope: float, shift: float) -> Array:
    """Probabilities whose odds of a spot being a defect are taken to the power `slope` and times
    exp(`shift`); same shape, rows still sum to 1.

    Shares estimated from the very spots that they then weigh make sure scores too sure; the two numbers are
    fitted on photos kept for choosing (J. Platt's sigmoid, "Probabilistic outputs for support vector
    machines", 1999).
    """
    if not len(rows):
        return rows
    defect = rows[:, DEFECTS].sum(1)
    after = 1.0 / (1.0 + np.exp(-(slope * log_odds(defect) + shift)))
    factor = np.tile((1.0 - after) / np.maximum(1.0 - defect, 1e-9), (rows.shape[1], 1)).T
    factor[:, DEFECTS] = (after / np.maximum(defect, 1e-9))[:, None]
    result = rows * factor
    return np.asarray(result / np.maximum(result.sum(1, keepdims=True), 1e-12), np.float32)


def log_odds(probability: Array) -> Array:
    """Logarithm of p / (1 - p), p kept off 0 and 1."""
    p = np.clip(np.asarray(probability, np.float64), 1e-7, 1 - 1e-7)
    return np.asarray(np.log(p / (1 - p)))


def _groups() -> Array:
    """(classes, 4): defects that are spots, dust, noise with pieces of lines, everything else."""
    groups = np.zeros((len(CLASSES), 4))
    for i, name in enumerate(CLASSES):
        if name in ("bubble", "stone"):
            groups[i, 0] = 1
        elif name == "dust":
            groups[i, 1] = 1
        elif name in (NOISE, "scratch"):
            groups[i, 2] = 1
        else:
            groups[i, 3] = 1
    return groups
