"""The time of glass at each station, through changes of speed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import BadValue
from models.ribbon import Layout, LineLog, ribbon_place, times_of

LAYOUT = Layout({"cutter": -20.0, "lehr_inlet": 150.0, "bath_outlet": 160.0, "bath_inlet": 220.0})


def test_glass_born_before_a_speed_change_is_seen_when_the_integral_says():
    """100 m at 10 then (after 5 min) 20 m/min: 10*5 + 20*2.5 = 100 m, seen at 7.5 min (by hand)."""
    log = LineLog(np.array([0.0, 300.0]), np.array([10.0, 20.0]))
    assert log.seen(0.0, 100.0) / 60 == pytest.approx(7.5)
    assert log.passed(log.metre_at(450.0), 100.0) == pytest.approx(0.0)


def test_stations_lie_in_the_order_of_travel():
    log = LineLog(np.array([0.0, 7200.0, 9000.0]), np.array([12.0, 8.0, 10.0]))
    times = times_of(log, 1500.0, LAYOUT)
    order = ["bath_entry", "bath_exit", "lehr_entry", "inspection", "cutting"]
    assert sorted(order, key=times.__getitem__) == order
    assert "lehr_exit" not in times
    # 1500 m: 1440 m in the first two hours, then 60 m at 8 m/min
    assert times["inspection"] == pytest.approx(7200 + 60 / 8 * 60)
    assert times["bath_entry"] == pytest.approx((1500 - 220) / 12 * 60)


def test_a_standing_ribbon_gives_the_moment_of_arrival():
    log = LineLog(np.array([0.0, 60.0, 120.0]), np.array([10.0, 0.0, 10.0]))
    assert log.time_at(10.0) == pytest.approx(60.0)
    assert log.time_at(10.001) > 120.0
    assert log.metre_at(90.0) == pytest.approx(10.0)


def test_metres_outside_the_log_use_the_nearest_speed():
    log = LineLog(np.array([0.0, 60.0]), np.array([10.0, 20.0]), start_m=1000.0)
    assert log.time_at(990.0) == pytest.approx(-60.0)
    assert log.metre_at(-60.0) == pytest.approx(990.0)
    assert log.time_at(1050.0) == pytest.approx(60 + 40 / 20 * 60)
    assert list(log.covers(np.array([-1.0, 30.0, 61.0]))) == [False, True, False]


@given(st.lists(st.floats(0.5, 25.0), min_size=1, max_size=30), st.floats(-50, 2000), st.floats(-30, 300))
@settings(max_examples=60, deadline=None)
def test_metre_and_time_are_inverse(speeds, metre, upstream):
    log = LineLog(np.arange(len(speeds)) * 600.0, np.array(speeds), start_m=100.0)
    assert log.metre_at(log.time_at(metre)) == pytest.approx(metre, abs=1e-6)
    assert log.seen(log.passed(metre, upstream), upstream) == pytest.approx(
        float(log.time_at(metre)), abs=1e-5
    )


@pytest.mark.parametrize(
    ("times", "speeds", "says"),
    [
        ([], [], "at least one row"),
        ([0, 0], [1, 1], "increase"),
        ([0, 60], [1, -1], "0 m/min or more"),
        ([0, 60], [0, 0], "never moves"),
        ([0, 60], [1], "as many speeds"),
    ],
)
def test_a_log_that_cannot_be_right_is_refused(times, speeds, says):
    with pytest.raises(BadValue, match=says):
        LineLog(np.array(times, dtype=float), np.array(speeds, dtype=float))


def test_a_defect_takes_its_sheets_place():
    assert ribbon_place(145.0, 2400.0, 310.0, 1500.0) == (455.0, 2401.5)
    x, m = ribbon_place(
        np.array([0.0, 10.0]), np.array([6.0, 12.0]), np.array([5.0, 5.0]), np.array([0.0, 500.0])
    )
    assert list(x) == [5.0, 15.0]
    assert list(m) == [6.0, 12.5]
