"""Control charts against handbook data.

Sources:
- NIST/SEMATECH e-Handbook of Statistical Methods, free to read at the National Institute of Standards and
  Technology; sections 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA), 6.3.3.1 (counts).
- D. C. Montgomery, Introduction to Statistical Quality Control, Wiley. Circuit boards: 2nd edition (1991),
  pages 173 to 175; dyed cloth: the same, pages 183 and 184; both as the R package qcc prints them with these
  references (data sets circuit and dyedcloth). The 30 observations of the CUSUM and EWMA examples stand in
  the chapter on these charts; its page differs by edition.
- J. M. Lucas, Counted Data CUSUM's, Technometrics 27 (1985) 129 to 144.
"Computed" says that the figure follows from the data by the formula named and was worked out apart from the
program.
"""

import numpy as np
import pytest
from scipy.stats import norm

from models.errors import BadValue
from models.trace.charts import ewma, overdispersion, u_chart
from models.trace.sums import count_cusum_reference, cusum, mean_run_length

WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
# circuit boards, 26 samples of 100 (Montgomery, 2nd edition, pages 173 to 175)
BOARDS = [
    21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15,
]  # fmt: skip
# dyed cloth: faults, and how many times 50 m2 the roll has (Montgomery, 2nd edition, pages 183 and 184)
CLOTH = [14, 12, 20, 11, 7, 10, 21, 16, 19, 23]
CLOTH_SIZE = [10, 8, 13, 10, 10, 10, 12, 11, 12, 13]
# 30 observations around 10, moved up by 1 after the 20th (Montgomery, chapter on CUSUM and EWMA charts)
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


def test_c_chart_of_circuit_boards():
    """R package qcc: centre 19.84615, limits 33.21086 and 6.481447, signals 6 and 20."""
    chart = u_chart(BOARDS, np.ones(26))
    assert chart.centre == pytest.approx(19.84615, abs=5e-6)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((33.21086, 6.481447), abs=5e-5)
    assert list(np.flatnonzero(chart.beyond) + 1) == [6, 20]


def test_u_chart_of_dyed_cloth():
    """R package qcc: centre 1.40367. Limits centre +- 3 sqrt(centre / size) of each roll, computed."""
    chart = u_chart(CLOTH, CLOTH_SIZE)
    assert chart.centre == pytest.approx(153 / 109, abs=5e-6)
    assert chart.centre == pytest.approx(1.40367, abs=5e-6)
    assert (chart.value[0], chart.upper[0], chart.lower[0]) == pytest.approx(
        (1.4, 2.52764, 0.27970), abs=5e-6
    )
    assert (chart.upper[1], chart.lower[1]) == pytest.approx((2.6603, 0.1470), abs=5e-5)
    assert (chart.value[3], chart.upper[3], chart.lower[3]) == pytest.approx(
        (1.1, 2.52764, 0.27970), abs=5e-6
    )
    assert (chart.value[9], chart.upper[9], chart.lower[9]) == pytest.approx(
        (1.769231, 2.389454, 0.417885), abs=5e-6
    )
    assert not chart.beyond.any()


def test_boards_are_overdispersed_and_cloth_is_not():
    """Pearson chi-squared, computed: 64.6667 on 25 degrees of freedom, p 2.309e-5; 8.1259 on 9, p 0.5215."""
    ratio, p = overdispersion((BOARDS, np.ones(26)))
    assert ratio * 25 == pytest.approx(64.6667, abs=5e-4)
    assert p == pytest.approx(2.309e-5, abs=5e-9)
    calm, calm_p = overdispersion((CLOTH, CLOTH_SIZE))
    assert calm * 9 == pytest.approx(8.1259, abs=5e-5)
    assert calm_p == pytest.approx(0.5215, abs=5e-5)
    # two series of one spread, each about its own mean: chi-squared of the second is three times the first's
    both, p_both = overdispersion((BOARDS, np.ones(26)), (3 * np.array(BOARDS), 9 * np.ones(26)))
    assert both == pytest.approx((1 + 3) * ratio / 2)
    assert p_both < p
    assert overdispersion(([5], [1.0]), ([0, 0], [1.0, 1.0])) == (1.0, 1.0)


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
    """Montgomery, chapter on CUSUM charts: target 10, k 0.5, h 5, signal at 29."""
    high, low = cusum(np.array(MONTGOMERY), 10, 0.5)
    assert high[27:] == pytest.approx([4.47, 5.28, 5.30])
    assert int(np.argmax(high > 5)) + 1 == 29
    assert low.max() == pytest.approx(1.77)


def test_ewma_of_montgomery():
    """Same data, lambda 0.1, L 2.7, sigma 1: figures of a numerical library's help page, which cites
    Montgomery, page 428, without the edition."""
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
    """Montgomery, chapter on CUSUM charts: run lengths for k 0.5 (from memory)."""
    for limit, expected in zip((4.0, 5.0), by_limit, strict=True):
        up, down = (mean_run_length(lambda x, m=m: norm.cdf(x + 0.5 - m), limit) for m in (shift, -shift))
        assert 1 / (1 / up + 1 / down) == pytest.approx(expected, rel=4e-3)
