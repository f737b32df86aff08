"""Pull, speed, width, thickness and density hang together (common practice, no source)."""

import pytest

from models.errors import BadValue
from models.ribbon import glass_area_m2, pull_t_per_day, speed_m_per_min


def test_the_trades_example():
    """500 t a day, 3.3 m, 4 mm, 2.5 t/m3 gives 10.5 m/min."""
    assert speed_m_per_min(500, 3300, 4, 2.5) == pytest.approx(10.5, abs=0.05)


@pytest.mark.parametrize(
    ("pull", "thickness", "speed"),
    [
        (450, 2, 17.857), (450, 19, 1.880), (500, 3, 13.228), (500, 12, 3.307), (600, 4, 11.905),
        (600, 8, 5.952), (700, 5, 11.111), (700, 15, 3.704), (900, 2, 35.714), (900, 10, 7.143),
    ],
)  # fmt: skip
def test_speed_table_for_3500_mm(pull, thickness, speed):
    """Computed by hand from the mass balance, density 2.5 t/m3 (nominal density of EN 572-1)."""
    assert speed_m_per_min(pull, 3500, thickness, 2.5) == pytest.approx(speed, abs=5e-4)


def test_other_widths_and_the_way_back():
    assert speed_m_per_min(600, 3660, 4, 2.5) == pytest.approx(11.384, abs=5e-4)
    assert pull_t_per_day(speed_m_per_min(620, 3450, 6, 2.53), 3450, 6, 2.53) == pytest.approx(620)
    assert pull_t_per_day(0, 3450, 6, 2.5) == 0
    assert glass_area_m2(1, 4, 2.5) == pytest.approx(100)


def test_impossible_values_are_refused_by_name():
    with pytest.raises(BadValue, match="thickness_mm is 0"):
        speed_m_per_min(500, 3300, 0, 2.5)
    with pytest.raises(BadValue, match="speed_m_per_min is -1"):
        pull_t_per_day(-1, 3300, 4, 2.5)
