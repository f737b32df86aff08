"""Points in a circle of fixed diameter, and smallest enclosing circles as a cross-check.

The radii and centres of the first table follow from plane geometry and are re-computed here by shapely's
minimum_bounding_circle (GEOS), an independent implementation. The problem of most points in a circle of given
diameter is a different one: the checks say so.
"""

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades.circles import fullest_circle, overfull_circles

SMALLEST = [
    ([(0, 0), (2, 0), (1, 1)], 1.0),  # right angle: three points on the circle
    ([(0, 0), (4, 0), (2, 3)], 2.166667),
    ([(0, 0), (1, 0), (1, 1), (0, 1)], 0.707107),
    ([(0, 0), (3, 4)], 2.5),
    ([(0, 0), (10, 0), (5, 1)], 5.0),  # obtuse: two points decide
    ([(0, 0), (1, 0), (0.5, math.sqrt(3) / 2)], 0.577350),
]


def most_in(points: list[tuple[float, float]], diameter: float) -> int:
    found = fullest_circle(np.array(points, dtype=float), diameter)
    assert found is not None
    return len(found.members)


@pytest.mark.parametrize(("points", "radius"), SMALLEST)
def test_all_points_fit_from_the_smallest_circle_on(points: list[tuple[float, float]], radius: float) -> None:
    assert shapely.minimum_bounding_radius(shapely.MultiPoint(points)) == pytest.approx(radius, abs=1e-6)
    assert most_in(points, 2 * radius + 2e-6) == len(points)
    assert most_in(points, 2 * radius - 1e-3) < len(points)


def test_a_circle_slightly_too_small_for_a_square_holds_two_corners_only() -> None:
    square = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]
    assert most_in(square, 1.41422) == 4
    assert most_in(square, 1.41) == 2  # any three corners hold a diagonal


def test_the_best_circle_need_not_have_a_point_at_its_centre() -> None:
    ring = [(50 * math.cos(a), 50 * math.sin(a)) for a in np.linspace(0, 2 * math.pi, 12, endpoint=False)]
    assert most_in(ring, 100.0001) == 12
    assert max(sum(math.dist(p, q) <= 50 for q in ring) for p in ring) < 12


def test_coincident_and_collinear_points() -> None:
    assert most_in([(5.0, 5.0)] * 7, 1.0) == 7
    assert most_in([(float(i), 0.0) for i in range(10)], 4.0) == 5
    assert most_in([(5.0, 5.0)] * 3 + [(7.0, 5.0)], 2.0) == 4
    assert fullest_circle(np.empty((0, 2)), 1.0) is None


def by_all_subsets(points: list[tuple[int, int]], diameter: float) -> int:
    """The largest subset whose smallest enclosing circle, by shapely, is not larger than the diameter."""
    for count in range(len(points), 1, -1):
        for subset in itertools.combinations(points, count):
            if 2 * shapely.minimum_bounding_radius(shapely.MultiPoint(subset)) <= diameter + 1e-7:
                return count
    return 1


@settings(max_examples=120, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=7),
    st.floats(1, 40).map(lambda d: round(d, 1) + 0.0137),
)
def test_the_sweep_agrees_with_trying_all_subsets(points: list[tuple[int, int]], diameter: float) -> None:
    found = fullest_circle(np.array(points, dtype=float), diameter)
    assert found is not None
    assert len(found.members) == by_all_subsets(points, diameter)
    centre = np.array(found.centre)
    assert all(np.hypot(*(np.array(points[i]) - centre)) <= diameter / 2 + 1e-5 for i in found.members)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=2, max_size=40), st.integers(1, 4)
)
def test_overfull_circles_are_listed_if_and_only_if_there_is_one(
    points: list[tuple[int, int]], most: int
) -> None:
    array = np.array(points, dtype=float)
    groups = overfull_circles(array, 13.01, most)
    fullest = fullest_circle(array, 13.01)
    assert fullest is not None
    assert bool(groups) == (len(fullest.members) > most)
    for group in groups:
        radius = shapely.minimum_bounding_radius(shapely.MultiPoint([points[i] for i in group]))
        assert 2 * radius <= 13.01 + 1e-5


def test_a_dense_crowd_is_reported_without_counting_every_pair() -> None:
    rng = np.random.default_rng(3)
    found = fullest_circle(rng.uniform(0, 60, (2000, 2)), 100.0, enough=3)
    assert found is not None
    assert len(found.members) > 3
    assert found.at_least
