"""Control charts where glass or counts are missing; the published examples stand in tests/published."""

import numpy as np
import pytest

from models.errors import BadValue
from models.trace.charts import ewma_chart, u_chart


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


def test_a_lower_limit_below_zero_is_cut_at_zero():
    """1 on 1 m2: 1 - 3 sqrt(1) is below 0."""
    chart = u_chart([1, 1], [1.0, 1.0])
    assert list(chart.lower) == [0.0, 0.0]
    assert list(chart.upper) == [4.0, 4.0]
