"""Scan statistics, change points and rhythm against published values and reference libraries."""

import astropy.stats
import numpy as np
import pytest
from scipy import stats

from models.trace.repeats import rayleigh
from models.trace.scan import poisson_llr, scan

# British coal-mining disasters by year 1851-1962, 191 events (R. G. Jarrett, A note on the intervals between
# coal-mining disasters, Biometrika 66 (1979) 191-193; data set coal of the R package boot)
COAL = [
    4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5,
    3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1,
    0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1,
    2, 1, 1, 1, 1, 2, 3, 3, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
]  # fmt: skip


@pytest.mark.parametrize(
    ("count", "expected", "total", "value"),
    [
        # New York leukaemia, example of R package smerc, scan.stat(106, 62.13, 552 - 62.13, 552)
        (106, 62.13, 552, 14.78206),
        # by hand from Kulldorff's formula
        (10, 4, 40, 3.693261),
        (12, 3, 30, 9.337160),
        (20, 10, 100, 4.440301),
        (4, 4, 40, 0.0),
        (2, 4, 40, 0.0),
        (0, 4, 40, 0.0),
    ],
)
def test_likelihood_ratio(count, expected, total, value):
    assert float(poisson_llr(count, expected, total)) == pytest.approx(value, abs=5e-6)


def test_all_cases_in_one_box_is_a_number():
    assert float(poisson_llr(40, 4, 40)) == pytest.approx(40 * np.log(10))


def test_change_point_of_the_coal_mining_disasters():
    """LR 69.9883 after 1891; 1886 to 1893 within 3.84 of the best (computed from that list)."""
    years = np.arange(1, len(COAL))
    before = np.cumsum(COAL)[:-1]
    ratio = 2 * poisson_llr(before, 191 * years / 112, np.full(years.size, 191))
    best = int(np.argmax(ratio))
    assert sum(COAL) == 191
    assert 1851 + best == 1891
    assert ratio[best] == pytest.approx(69.9883, abs=5e-5)
    close = 1851 + np.flatnonzero(ratio > ratio[best] - 3.84)
    assert (close.min(), close.max()) == (1886, 1893)


# S. Wallenstein and N. Neff, An approximation for the distribution of the scan statistic, Statistics in
# Medicine 6 (1987) 197-207: formula from memory. The last column is our own simulation of 200,000 draws.
WALLENSTEIN_NEFF = [
    (5, 8, 0.10, 0.017601, 0.01720),
    (8, 20, 0.10, 0.021822, 0.02165),
    (16, 35, 1 / 6, 0.002818, 0.00283),
]


@pytest.mark.parametrize(("k", "total", "window", "formula", "simulated"), WALLENSTEIN_NEFF)
def test_our_chance_of_a_burst_is_never_below_the_published_one(k, total, window, formula, simulated):
    """The scan's p over all boxes must not promise more than the exact one-window chance."""
    share = stats.binom.pmf(k, total, window)
    value = (k / window - total - 1) * share + 2 * stats.binom.sf(k - 1, total, window)
    assert value == pytest.approx(formula, abs=5e-7)
    assert formula == pytest.approx(simulated, rel=0.05)
    cells = 60
    counts = np.zeros((cells, 12))
    inside = round(window * cells)
    counts[20, 6] = k
    rest = total - k
    spots = np.linspace(0, cells - 1, rest).astype(int)
    counts[spots, np.arange(rest) % 6] += 1
    boxes, _ = scan(counts, np.ones_like(counts), limit_log_p=50.0)
    covering = [b for b in boxes if b.t_lo <= 20 < b.t_hi and b.t_hi - b.t_lo >= inside]
    assert all(np.exp(min(b.log_p, 0)) >= formula for b in covering)


@pytest.mark.parametrize(
    ("angles", "mean_length", "zar"),
    [
        # documentation of a circular statistics library (pingouin circ_rayleigh)
        ([0.785, 1.570, 3.141, 0.839, 5.934], 0.49723, 0.3048435876500138),
        # documentation of astropy.stats.rayleightest, degrees
        (np.deg2rad([130, 90, 0, 145]), 0.59620, 0.254678),
        # pigeons: two opposite groups, which this test cannot see (J. S. Rao, Some tests based on arc-lengths
        # for the circle, Sankhya B 38 (1976) 329-338; reference and angles from memory)
        (np.deg2rad([20, 135, 145, 165, 170, 200, 300, 325, 335, 350]), 0.04187, 0.98344),
    ],
)
def test_rayleigh(angles, mean_length, zar):
    length, p = rayleigh(np.asarray(angles), 2 * np.pi)
    assert length == pytest.approx(mean_length, abs=5e-6)
    assert p == pytest.approx(zar, abs=5e-6)
    # the series form of the reference library agrees to its next order
    assert p == pytest.approx(float(astropy.stats.rayleightest(np.asarray(angles))), abs=3e-3)
