"""Charts and sums of any counts: none, one shift, a million a shift, all alike."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from models.errors import BadValue
from models.rates import usual_rate, usual_spread
from models.trace.charts import ewma_chart, overdispersion, u_chart
from models.trace.sums import (
    count_cusum,
    count_cusum_reference,
    mean_run_length,
    poisson_limit,
)

SHIFTS = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 5), st.integers(0, 10_000_000)),
        st.one_of(st.just(0.0), st.floats(0.01, 1e6)),
    ),
    max_size=30,
)


@settings(max_examples=200, deadline=None)
@given(SHIFTS)
@example([])
@example([(0, 100.0)])
@example([(1_000_000, 5000.0)])
@example([(1_000_000, 5000.0)] * 20)
@example([(0, 5000.0)] * 19 + [(1_000_000, 5000.0)])
@example([(10**12, 1.0)] * 3)
def test_any_counts_can_be_charted(shifts):
    counts = np.array([count for count, _ in shifts], dtype=float)
    glass = np.array([area for _, area in shifts], dtype=float)
    usual, spread = usual_rate(counts, glass), usual_spread(counts, glass)
    for chart in (u_chart, ewma_chart):
        drawn = chart(counts, glass, dispersion=spread, centre=usual or 0.0)
        assert np.isfinite(drawn.value[glass > 0]).all()
    assert all(np.isfinite(overdispersion((counts, glass))))
    for dispersion in (1.0, spread):
        if usual:
            sums = count_cusum(counts, glass, usual=usual, dispersion=dispersion)
            assert np.isfinite(sums.limit)
            assert sums.limit > 0
            assert np.isfinite(sums.value[glass > 0]).all()
            assert (sums.signal == (np.nan_to_num(sums.value) > sums.limit)).all()


@settings(max_examples=150, deadline=None)
@given(st.floats(-12, 15), st.floats(0.01, 3.0))
@example(4.0, 0.5)  # ten thousand a shift: the equations of the chain were singular
@example(-12.0, 0.5)
def test_a_limit_never_signals_more_often_than_set(exponent, rise):
    """The run is checked where the chain can tell it, and by its lower bound 1 / P(count > reference)."""
    mean = 10.0**exponent
    reference = count_cusum_reference(mean, (1.0 + rise) * mean)
    limit = poisson_limit(mean, reference, 370.0)
    assert np.isfinite(limit)
    chain = mean_run_length(lambda x: poisson.cdf(np.floor(x + reference + 1e-9), mean), limit)
    bound = 1.0 / max(poisson.sf(np.floor(reference), mean), 1e-300)
    assert max(chain, bound) >= 370.0 * (1 - 1e-9)


@pytest.mark.parametrize(("mean", "most"), [(20.0, 100), (200.0, 100), (1e4, 0), (1e6, 0)])
def test_counts_without_a_change_signal_no_more_often_than_set(mean, most):
    """By simulation of 30 000 shifts, in which a run of 370 gives about 81 signals."""
    rng = np.random.default_rng(11)
    sums = count_cusum(rng.poisson(mean, 30_000), np.ones(30_000), usual=mean)
    assert sums.signal.sum() <= most


@pytest.mark.parametrize("mean", [300.0, 1e4, 1e6])
def test_a_rise_of_large_counts_signals_at_once(mean):
    rng = np.random.default_rng(12)
    counts = rng.poisson(np.where(np.arange(40) < 30, mean, 1.5 * mean))
    assert list(np.flatnonzero(count_cusum(counts, np.ones(40), usual=mean).signal)) == list(range(30, 40))


def test_a_limit_that_is_never_passed_has_an_endless_run():
    assert mean_run_length(lambda x: np.where(x >= -5.0, 1.0, 0.0), 2.0) == np.inf


@pytest.mark.parametrize(("mean", "dispersion"), [(1.0, 1.0), (4.0, 1.0), (6.0, 2.0)])
def test_counts_on_varying_glass_signal_as_seldom_as_set(mean, dispersion):
    """Own simulation. Without a change, about once in 370 points; counts are negative binomial where they
    spread more.
    """
    rng = np.random.default_rng(7)
    waits = []
    for _ in range(60):
        glass = rng.uniform(0.6, 1.4, 1501)
        glass[-1] = 1.0
        glass = glass / np.median(glass)
        mu = mean * glass
        counts = (
            rng.poisson(mu)
            if dispersion == 1
            else rng.negative_binomial(mu / (dispersion - 1), 1 / dispersion)
        )
        first = np.flatnonzero(count_cusum(counts, glass, usual=mean, dispersion=dispersion).signal)
        waits.append(first[0] + 1 if first.size else 1501)
    assert 230 < np.mean(waits) < 540


def test_a_small_rise_is_found_by_the_sum_before_any_single_point():
    """Own simulation."""
    rng = np.random.default_rng(3)
    glass = np.full(250, 100.0)
    glass[20] = 0.0
    delays, points, begun = [], [], []
    for _ in range(30):
        counts = rng.poisson(np.where(np.arange(250) < 50, 0.08, 0.105) * glass)
        sums = count_cusum(counts, glass, usual=0.08)
        assert np.isnan(sums.value[20])
        late = np.flatnonzero(sums.signal & (np.arange(250) >= 50))
        single = np.flatnonzero(u_chart(counts, glass, centre=0.08).beyond & (np.arange(250) >= 50))
        delays.append(late[0] - 50)
        points.append(single[0] - 50 if single.size else 200)
        begun.append(sums.begun[late[0]] - 50)
        # the sum starts anew after its signal
        assert sums.value[late[0] + 1] < sums.limit
    assert np.median(delays) < 0.7 * np.median(points)
    # the rise is told to have begun where it did, or later: a small one does not show at once
    assert -2 <= np.median(begun) <= np.median(delays)
    assert sums.reference == pytest.approx(0.04 / np.log(1.5))
    with pytest.raises(BadValue, match="usual < shifted"):
        count_cusum(counts, glass, usual=0.0)


def test_a_wider_spread_gives_a_wider_limit():
    glass = np.full(40, 100.0)
    counts = np.full(40, 8.0)
    plain, wide = (count_cusum(counts, glass, usual=0.08, dispersion=d).limit for d in (1.0, 4.0))
    assert wide > 1.8 * plain
    assert poisson_limit(8.0, count_cusum_reference(8.0, 12.0), 370.0) == pytest.approx(plain)
