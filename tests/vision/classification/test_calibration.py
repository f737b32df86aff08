"""Platt calibration: the odds of being a defect change, everything else keeps its share."""

import numpy as np
import pytest

from vision.classification.calibration import log_odds, platt_calibrated
from vision.classification.classes import CLASSES, SPOT_DEFECTS

BUBBLE = CLASSES.index("bubble")


def test_calibrated_odds_are_a_power_and_a_factor_of_what_they_were() -> None:
    rng = np.random.default_rng(9)
    rows = rng.dirichlet(np.full(len(CLASSES), 0.4), 300)
    after = platt_calibrated(rows, 0.7, -0.2)
    assert after.sum(1) == pytest.approx(1.0, abs=1e-5)
    before, now = (log_odds(r[:, SPOT_DEFECTS].sum(1)) for r in (rows, after))
    clear = np.abs(before) < 8
    assert now[clear] == pytest.approx(0.7 * before[clear] - 0.2, abs=0.01)
    # what kind of defect it is, and what kind of dirt, is left as it was
    both = rows[:, SPOT_DEFECTS].sum(1) > 1e-3
    share = rows[both, BUBBLE] / rows[both][:, SPOT_DEFECTS].sum(1)
    assert after[both, BUBBLE] / after[both][:, SPOT_DEFECTS].sum(1) == pytest.approx(share, abs=1e-4)
    assert platt_calibrated(rows, 1.0, 0.0) == pytest.approx(rows, abs=1e-5)
    assert platt_calibrated(rows[:0], 0.7, -0.2).shape == (0, len(CLASSES))
