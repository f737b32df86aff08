"""Class priors of the photo itself instead of those that the networks were fitted for.

How often each thing was met in the photo so far says how likely one more is: a sheet full of stones has
another stone sooner than a clean one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.classification.classes import CLASSES, NOISE

Array = NDArray[np.floating]
PRIOR_SPOTS = 20.0
"""Spots that the general class priors weigh as much as, against those of the photo (by hand)."""
SMALLEST_SHARE = 1e-3
"""No class prior is taken to be smaller, so that nothing is ever ruled out."""
ROUNDS = 40
"""Steps of expectation maximisation (by hand)."""
CLEAN_PHOTOS, CLEAN_PHOTO_SHARE = 0.5, 0.003
"""Share of a good line's photos that show no defect (common practice, no source), and the prior of a defect
that is left on such a photo (by hand)."""
LEAST_SHARE, MOST_SHARE, SHARES_TRIED = 0.005, 0.9, 90
"""Shares of defects among a photo's spots that are summed over: from, to, how many."""


def with_photo_priors(rows: Array, general: Array) -> Array:
    """Probabilities with the photo's own priors of defects, dust, noise and the rest in place of the general
    ones; float32, same shape, rows still sum to 1. No rows give no rows.

    rows : (N, classes), all spots of one photo; general : priors (classes,) that the probabilities hold
    The share of defects is not guessed but summed over: nearly none, as on many photos, or anything about the
    general prior, each weighed by how well it explains all spots together (Bayes). So three spots that may be
    defects are so more likely beside ten that are than on a photo that shows nothing else.
    """
    if not len(rows):
        return rows
    groups = _groups()
    each = rows @ groups
    before = np.maximum(general @ groups, SMALLEST_SHARE)
    before = before / before.sum()
    after = _by_expectation(each, before)
    share = (PRIOR_SPOTS * before + after.sum(0))[1:]
    likelihood = each / before
    defect, other = likelihood[:, :1], likelihood[:, 1:] @ (share / share.sum())[:, None]
    tried, prior = _defect_shares(float(before[0]))
    both = tried * defect + (1.0 - tried) * other
    log_posterior = np.log(prior) + np.log(np.maximum(both, 1e-300)).sum(0)
    weight = np.exp(log_posterior - log_posterior.max())
    chance = (tried * defect / np.maximum(both, 1e-300) * (weight / weight.sum())).sum(1)
    rest = after[:, 1:] / np.maximum(after[:, 1:].sum(1, keepdims=True), 1e-12)
    after = np.column_stack((chance, (1.0 - chance)[:, None] * rest))
    result = rows * ((after / np.maximum(each, 1e-12)) @ groups.T)
    return np.asarray(result / np.maximum(result.sum(1, keepdims=True), 1e-12), np.float32)


def _by_expectation(each: Array, before: Array) -> Array:
    """Probabilities of the groups of `_groups`, (N, 4), with the photo's own priors.

    Expectation maximisation of M. Saerens, P. Latinne and C. Decaestecker, "Adjusting the outputs of a
    classifier to new a priori probabilities", Neural Computation 14 (2002), eq. 2.8 to 2.10, with the general
    priors `before` as if met on `PRIOR_SPOTS` spots before.
    """
    share, after = before, each
    for _ in range(ROUNDS):
        after = each * (share / before)
        after = after / np.maximum(after.sum(1, keepdims=True), 1e-12)
        share = (PRIOR_SPOTS * before + after.sum(0)) / (PRIOR_SPOTS + len(each))
    return after


def _defect_shares(general: float) -> tuple[Array, Array]:
    """Shares of defects among a photo's spots, and how likely each is before its spots are looked at.

    The first stands for a photo without defects; the others follow a beta distribution about the general
    prior.
    """
    some = np.linspace(LEAST_SHARE, MOST_SHARE, SHARES_TRIED)
    one, other = max(PRIOR_SPOTS * general, 0.2), PRIOR_SPOTS * (1.0 - general)
    beta = some ** (one - 1.0) * (1.0 - some) ** (other - 1.0)
    tried = np.concatenate(([CLEAN_PHOTO_SHARE], some))
    return tried, np.concatenate(([CLEAN_PHOTOS], (1.0 - CLEAN_PHOTOS) * beta / beta.sum()))


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
