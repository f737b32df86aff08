"""From features to class probabilities: the one way, at work and in training.

Spots are scored twice: first each by itself, then again in the context of the photo (its own dust, its own
class priors), and calibrated. Lines are scored once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.classification.calibration import platt_calibrated
from vision.classification.classes import spread_out, without_scratch
from vision.classification.context import context_features
from vision.classification.networks import Head
from vision.classification.priors import with_photo_priors

Array = NDArray[np.floating]


def class_scores(head: Head, table: Array, names: list[str]) -> Array:
    """Probabilities of one head over all classes, float32 (N, classes), from features (N, F)."""
    return spread_out(head.probabilities(table, names), head.outputs)


def context_scores(context: Head, table: Array, names: list[str], first: Array) -> Array:
    """Probabilities (N, classes) of one photo's spots beside the photo's own dust.

    first : probabilities (N, classes) that each spot has by itself
    """
    return class_scores(context, *context_features(table, names, first, general_dust(context)))


def spot_scores(heads: tuple[Head, Head], table: Array, names: list[str]) -> Array:
    """Probabilities (N, classes) of all spots of one photo, rows sum to 1.

    heads : of each spot by itself, and of the same spots in the context of the photo
    """
    first, context = heads
    rows = context_scores(context, table, names, class_scores(first, table, names))
    return calibrated_scores(context, rows)


def calibrated_scores(context: Head, rows: Array) -> Array:
    """What `context_scores` gave, with the photo's class priors, calibrated; same shape."""
    rows = with_photo_priors(without_scratch(rows), context.more["class_priors"])
    slope, shift = context.more["platt"]
    return platt_calibrated(rows, float(slope), float(shift))


def general_dust(context: Head) -> tuple[Array, Array]:
    """Mean and variance (19,) of the compared columns over dust in general."""
    return context.more["dust_mean"], context.more["dust_variance"]
