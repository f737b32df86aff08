"""Marks that repeat: worked by hand, and own simulations; published values stand in tests/published."""

import numpy as np
import pytest

from models.trace.repeats import find_pitch, fit_turns, rayleigh

MARKS_M = np.array([1.20, 1.88, 2.56, 3.23, 3.91, 4.59, 5.27, 5.95])  # a roll of 216 mm, rounded by hand


def test_rayleigh_stays_above_zero_for_a_strong_rhythm():
    """The series form turns negative here (-5.5e-05); ours gives 1.3e-05 (computed)."""
    length, p = rayleigh(MARKS_M, np.pi * 0.216)
    assert length == pytest.approx(0.99968, abs=5e-6)
    assert p == pytest.approx(1.3e-5, rel=0.1)


def test_pitch_of_a_roll_by_least_squares():
    """Marks of a 216 mm roll: 0.678214 m, standard error 0.000461 m, diameter 215.88 mm (computed)."""
    pitch, _, se, _, kept = fit_turns(MARKS_M, 0.68, 3.5)
    assert kept.size == 8
    assert pitch == pytest.approx(0.678214, abs=5e-7)
    assert se == pytest.approx(0.000461, abs=5e-7)
    assert pitch / np.pi * 1000 == pytest.approx(215.88, abs=5e-3)


def test_harmonics_do_not_win():
    """Own simulation. Half and third of a pitch fold as well: the largest that fits is the roll's."""
    rng = np.random.default_rng(5)
    marks = np.arange(0, 240, np.pi * 0.216)
    marks = marks[rng.random(marks.size) < 0.4]
    marks = marks + rng.normal(0, 0.004, marks.size)
    found = find_pitch(marks)
    assert found is not None
    assert found.pitch_mm == pytest.approx(678.58, abs=4 * max(found.se_mm, 0.02))
    assert rayleigh(marks, np.pi * 0.216 / 2)[0] > 0.9
    assert rayleigh(marks, np.pi * 0.216 * 2)[0] < 0.3


def test_two_uneven_marks_on_one_roll_still_give_the_whole_circumference():
    """Own simulation."""
    rng = np.random.default_rng(6)
    turn = 0.942
    first = np.arange(3.0, 400.0, turn)
    both = np.concatenate([first, first + 0.31 * turn])
    marks = both[rng.random(both.size) < 0.5]
    marks = marks + rng.normal(0, 0.005, marks.size)
    found = find_pitch(marks)
    assert found is not None
    assert found.pitch_mm == pytest.approx(942.0, abs=1.0)


def test_no_rhythm_in_chance():
    """Own simulation."""
    rng = np.random.default_rng(7)
    assert all(find_pitch(rng.uniform(0, 400, 120)) is None for _ in range(25))
