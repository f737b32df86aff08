"""Exact Poisson limits against a textbook table and a reference library."""

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson

from models.rates import poisson_limits, rate, usual_rate, usual_spread

# Two-sided 95 % limits for small counts, as in the table of Garwood, Biometrika 28 (1936) 437-442,
# from memory, recomputed with scipy 1.17; tolerance is the table's rounding.
GARWOOD_95 = [
    (0, 0.0, 3.6889, 5e-5),
    (1, 0.0253, 5.5716, 5e-5),
    (2, 0.2422, 7.2247, 5e-5),
    (3, 0.6187, 8.7673, 5e-5),
    (5, 1.6235, 11.6683, 5e-5),
    (10, 4.7954, 18.3904, 5e-5),
    (20, 12.2165, 30.8884, 5e-5),
    (100, 81.364, 121.627, 5e-4),
]


@pytest.mark.parametrize(("count", "low", "high", "rounding"), GARWOOD_95)
def test_limits_are_those_of_the_table(count: int, low: float, high: float, rounding: float) -> None:
    assert (low, high) == pytest.approx(poisson_limits(count), abs=rounding)


@pytest.mark.parametrize("count", [1, 4, 17, 256])
@pytest.mark.parametrize("coverage", [0.8, 0.9, 0.99])
def test_limits_agree_with_a_reference_library(count: int, coverage: float) -> None:
    """statsmodels.stats.rates.confint_poisson, method "exact-c"."""
    expected = confint_poisson(count, 1.0, method="exact-c", alpha=1.0 - coverage)
    assert tuple(float(v) for v in expected) == pytest.approx(poisson_limits(count, coverage), rel=1e-9)


def test_a_rate_is_count_over_area_with_the_limits_scaled_alike() -> None:
    found = rate(7, 350.0)
    low, high = poisson_limits(7)
    assert found.per_m2 == pytest.approx(0.02)
    assert (found.low_per_m2, found.high_per_m2) == pytest.approx((low / 350.0, high / 350.0))


def test_no_inspected_area_gives_no_rate_rather_than_zero() -> None:
    found = rate(0, 0.0)
    assert (found.per_m2, found.low_per_m2, found.high_per_m2) == (None, None, None)


def test_bad_numbers_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="count: expected 0 or more"):
        poisson_limits(-1)
    with pytest.raises(ValueError, match="coverage: expected a probability"):
        poisson_limits(3, 1.0)
    with pytest.raises(ValueError, match="area_m2: expected 0 or more"):
        rate(3, -1.0)


def test_counts_of_chance_alone_show_no_more_spread_than_chance() -> None:
    rng = np.random.default_rng(4)
    area = rng.uniform(500.0, 1500.0, 400)
    spread = usual_spread(rng.poisson(0.03 * area).astype(float), area)
    assert spread == pytest.approx(1.0, abs=0.3)


def test_a_wider_background_is_seen_and_an_episode_is_not() -> None:
    """Gamma-mixed counts of mean 30, variance 30 + 10 x 3 x 3 = 120; then a fifth of the points threefold."""
    rng = np.random.default_rng(5)
    area = np.full(600, 1000.0)
    counts = rng.poisson(rng.gamma(10.0, 3.0, 600)).astype(float)
    assert usual_spread(counts, area) == pytest.approx(4.0, rel=0.3)
    chance = rng.poisson(30.0, 600).astype(float)
    chance[:120] *= 3.0
    assert usual_spread(chance, area) < 2.0


def test_the_usual_rate_is_not_lifted_by_an_episode_and_falls_back_to_the_mean() -> None:
    area = np.full(10, 100.0)
    assert usual_rate(np.array([2.0] * 8 + [50.0] * 2), area) == pytest.approx(0.02)
    assert usual_rate(np.array([0.0] * 9 + [5.0]), area) == pytest.approx(0.005)
    assert usual_rate(np.zeros(3), np.zeros(3)) is None


def test_too_few_or_empty_points_show_the_spread_of_chance() -> None:
    assert usual_spread(np.array([1.0, 90.0]), np.array([10.0, 10.0])) == 1.0
    assert usual_spread(np.zeros(50), np.full(50, 10.0)) == 1.0
