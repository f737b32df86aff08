"""Scores turned into probabilities that come true as often as they say (Platt calibration).

A sigmoid of the score, fitted on photos that the networks were not fitted on: J. Platt, "Probabilistic
outputs for support vector machines and comparisons to regularized likelihood methods", 1999.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.classification.classes import SPOT_DEFECTS

Array = NDArray[np.floating]


def platt_calibrated(rows: Array, slope: float, shift: float) -> Array:
    """Probabilities whose odds of a spot being a defect are taken to the power `slope` and times
    exp(`shift`); float32, same shape (N, classes), rows still sum to 1. No rows give no rows.

    Priors estimated from the very spots that they then weigh make sure scores too sure; the two numbers make
    up for that.
    """
    if not len(rows):
        return rows
    defect = rows[:, SPOT_DEFECTS].sum(1)
    after = 1.0 / (1.0 + np.exp(-(slope * log_odds(defect) + shift)))
    factor = np.tile((1.0 - after) / np.maximum(1.0 - defect, 1e-9), (rows.shape[1], 1)).T
    factor[:, SPOT_DEFECTS] = (after / np.maximum(defect, 1e-9))[:, None]
    result = rows * factor
    return np.asarray(result / np.maximum(result.sum(1, keepdims=True), 1e-12), np.float32)


def log_odds(probability: Array) -> Array:
    """Logarithm of p / (1 - p), p kept off 0 and 1 by 1e-7; same shape."""
    p = np.clip(np.asarray(probability, np.float64), 1e-7, 1 - 1e-7)
    return np.asarray(np.log(p / (1 - p)))
