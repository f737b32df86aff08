"""The usual rate of a kind over the whole width."""

import numpy as np
import pytest

from models.trace.wide import Series


def series(counts: np.ndarray) -> Series:
    nothing = np.zeros(counts.size)
    return Series(counts, np.ones(counts.size), nothing, nothing.astype(int), np.zeros(1), 2.0)


def test_usual_rate_is_the_median_of_six_hour_cells():
    """Three cells of 2 h make one of 6 h; a burst in one of seven does not move the median."""
    counts = np.tile([1.0, 2.0, 3.0], 7)
    counts[:3] = 50.0
    assert series(counts).level() == pytest.approx(2.0)


def test_a_kind_hardly_ever_seen_has_a_rate_and_no_warning():
    counts = np.zeros(60)
    counts[5] = 4.0
    assert 0 < series(counts).level() < 1e-6
