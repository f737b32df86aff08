"""Control charts against handbook data."""

import numpy as np
import pytest
from scipy.stats import norm

from models.errors import BadValue
from models.trace.charts import ewma, ewma_chart, overdispersion, u_chart
from models.trace.sums import count_cusum, count_cusum_reference, cusum, mean_run_length, poisson_limit

WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
# fabric rolls: defects and square metres (a general statistics package's sample library, file SHWUEX3)
FABRIC = [7, 11, 15, 6, 11, 15, 5, 10, 8, 3, 3, 14, 3, 9, 7, 6, 7, 5, 14, 13, 11, 6, 6, 9, 11]
FABRIC_M2 = [
    30.0, 27.6, 30.4, 34.8, 26.0, 28.6, 28.0, 30.2, 28.2, 31.4, 30.3, 27.8, 27.0,
    30.0, 32.1, 34.8, 26.5, 30.0, 31.3, 31.6, 29.4, 28.6, 27.5, 32.6, 31.7,
]  # fmt: skip
# circuit boards (Montgomery, Introduction to Statistical Quality Control; R package qcc)
BOARDS = [
    21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15,
]  # fmt: skip
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip


def test_c_chart_of_wafers():
    """NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 28 and 4; wafer 24 signals, wafer 3 lies on 28."""
    chart = u_chart(WAFERS, np.ones(25))
    assert chart.centre == 16
    assert chart.upper[0] == pytest.approx(28)
    assert chart.lower[0] == pytest.approx(4)
    assert list(np.flatnonzero(chart.beyond) + 1) == [24]


def test_c_chart_without_the_signal_finds_the_next():
    """Same data without wafer 24: centre 15.375, limits 27.138 and 3.612; wafer 3 signals (computed)."""
    rest = WAFERS[:23] + WAFERS[24:]
    chart = u_chart(rest, np.ones(24))
    assert chart.centre == pytest.approx(15.375)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((27.138, 3.612), abs=5e-4)
    assert list(np.flatnonzero(chart.beyond) + 1) == [3]


def test_u_chart_of_unequal_areas():
    """Sample library file SHWUEX3 (data); limits computed: roll 1, 4 and 10, no point beyond."""
    chart = u_chart(FABRIC, FABRIC_M2)
    assert chart.centre == pytest.approx(0.288049, abs=5e-7)
    assert (chart.value[0], chart.upper[0], chart.lower[0]) == pytest.approx((0.23333, 0.582013, 0), abs=5e-6)
    assert (chart.value[3], chart.upper[3], chart.lower[3]) == pytest.approx(
        (0.172414, 0.560988, 0.015111), abs=5e-6
    )
    assert (chart.value[9], chart.lower[9]) == pytest.approx((0.095541, 0.000713), abs=5e-6)
    assert not chart.beyond.any()


def test_fabric_is_overdispersed_though_no_point_signals():
    """Pearson chi-squared 41.740 on 24 degrees of freedom, p 0.0138 (computed)."""
    ratio, p = overdispersion((FABRIC, FABRIC_M2))
    assert ratio * 24 == pytest.approx(41.740, abs=5e-3)
    assert p == pytest.approx(0.0138, abs=5e-5)
    # two series of one spread, each about its own mean: twice the chi-squared, twice the freedom
    both, p_both = overdispersion((FABRIC, FABRIC_M2), (3 * np.array(FABRIC), 9 * np.array(FABRIC_M2)))
    assert both == pytest.approx((1 + 3) * ratio / 2)
    assert p_both < p
    assert overdispersion(([5], [1.0]), ([0, 0], [1.0, 1.0])) == (1.0, 1.0)


def test_c_chart_of_circuit_boards():
    """R package qcc, circuit data: centre 19.84615, limits 33.21086 and 6.481447, signals 6 and 20."""
    chart = u_chart(BOARDS, np.ones(26))
    assert chart.centre == pytest.approx(19.84615, abs=5e-6)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((33.21086, 6.481447), abs=5e-5)
    assert list(np.flatnonzero(chart.beyond) + 1) == [6, 20]


def test_u_chart_of_dyed_cloth():
    """R package qcc, dyedcloth: centre 1.40367; limits of a roll of 8 m2 2.6603 and 0.1470."""
    chart = u_chart([14, 12, 20, 11, 7, 10, 21, 16, 19, 23], [10, 8, 13, 10, 10, 10, 12, 11, 12, 13])
    assert chart.centre == pytest.approx(1.40367, abs=5e-6)
    assert (chart.upper[1], chart.lower[1]) == pytest.approx((2.6603, 0.1470), abs=5e-5)


def test_cusum_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.3 (data from memory): target 325, k 0.3175, h 4.1959, signal at 14."""
    data = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    high, low = cusum(np.array(data), 325, 0.3175)
    assert high[4] == pytest.approx(0.0325)
    assert high[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035])
    assert int(np.argmax(high > 4.1959)) + 1 == 14
    assert low.max() == pytest.approx(0.715)
    assert int(low.argmax()) + 1 == 8


def test_cusum_of_montgomery():
    """Montgomery, Introduction to Statistical Quality Control: target 10, k 0.5, h 5, signal at 29."""
    high, low = cusum(np.array(MONTGOMERY), 10, 0.5)
    assert high[27:] == pytest.approx([4.47, 5.28, 5.30])
    assert int(np.argmax(high > 5)) + 1 == 29
    assert low.max() == pytest.approx(1.77)


def test_ewma_of_montgomery():
    """Same data, lambda 0.1, L 2.7, sigma 1 (a numerical library's help page citing Montgomery p. 428)."""
    chart = ewma(np.array(MONTGOMERY), np.ones(30), 10, weight=0.1, width=2.7)
    assert chart.value[[0, 1, 28, 29]] == pytest.approx([9.945, 9.7495, 10.64682, 10.63414], abs=5e-6)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((9.73, 10.27), abs=5e-4)
    assert (chart.lower[1], chart.upper[1]) == pytest.approx((9.6368, 10.3632), abs=5e-5)
    assert list(np.flatnonzero(chart.beyond) + 1) == [29, 30]


def test_ewma_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.4 (data from memory): z0 50, s 2.0539, lambda 0.3, no signal."""
    data = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
        49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
    ]  # fmt: skip
    chart = ewma(np.array(data), np.full(20, 2.0539**2), 50, weight=0.3, width=3)
    assert chart.value[[0, 1, 2]] == pytest.approx([50.60, 49.52, 50.564])
    assert chart.value[[18, 19]] == pytest.approx([51.9403, 51.9882], abs=5e-5)
    assert (chart.upper[-1], chart.lower[-1]) == pytest.approx((52.5884, 47.4115), abs=3e-4)
    assert not chart.beyond.any()


def test_reference_value_between_two_means():
    """Lucas (1985): between 2 and 4 the reference is 2.8854 (computed)."""
    assert count_cusum_reference(2, 4) == pytest.approx(2.8854, abs=5e-5)
    with pytest.raises(BadValue, match="usual < shifted"):
        count_cusum_reference(4, 2)


@pytest.mark.parametrize(
    ("shift", "by_limit"),
    [(0.0, (168, 465)), (0.25, (74.2, 139)), (0.5, (26.6, 38.0)), (1.0, (8.38, 10.4)), (2.0, (3.34, 4.01))],
)
def test_run_lengths_of_a_two_sided_cusum(shift, by_limit):
    """Montgomery, Introduction to Statistical Quality Control, run lengths for k 0.5 (from memory)."""
    for limit, expected in zip((4.0, 5.0), by_limit, strict=True):
        up, down = (mean_run_length(lambda x, m=m: norm.cdf(x + 0.5 - m), limit) for m in (shift, -shift))
        assert 1 / (1 / up + 1 / down) == pytest.approx(expected, rel=4e-3)


@pytest.mark.parametrize(("mean", "dispersion"), [(1.0, 1.0), (4.0, 1.0), (6.0, 2.0)])
def test_counts_on_varying_glass_signal_as_seldom_as_set(mean, dispersion):
    """Without a change, about once in 370 points; counts are negative binomial where they spread more."""
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


def test_hours_without_inspection_neither_signal_nor_move_the_average():
    chart = ewma_chart([10, 0, 12], [100, 0, 100], centre=0.1)
    assert np.isnan(chart.value[1])
    assert chart.value[2] == pytest.approx(0.2 * 0.12 + 0.8 * 0.1)
    assert not u_chart([10, 0, 12], [100, 0, 100]).beyond[1]
    with pytest.raises(BadValue, match="as many of either"):
        u_chart([1, 2], [1])
    with pytest.raises(BadValue, match="0 or more"):
        u_chart([1], [-1])
    with pytest.raises(BadValue, match="EWMA weight"):
        ewma_chart([1], [1], weight=0)
