"""Groups of which every two lie close together, and pairs too close, against the slow obvious ways."""

import itertools
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, SheetToJudge, load_sets
from models.grades.case import Sized, make_case
from models.grades.crowds import largest_crowd
from models.grades.neighbours import close_pairs

GRADE = load_sets().grade("jis-r-3202-2011")
points = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=9)
many_points = st.lists(st.tuples(st.integers(0, 300), st.integers(0, 300)), min_size=50, max_size=120)


def faults_at(places: list[tuple[int, int]], size: float = 1.0) -> list[Sized]:
    defects = tuple(DefectToJudge("bubble", x, y, size) for x, y in places)
    return list(make_case(SheetToJudge(1000, 1000, 4, defects=defects), GRADE).defects)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(points, st.integers(1, 50), st.booleans())
def test_the_largest_crowd_agrees_with_trying_all_groups(
    places: list[tuple[int, int]], within: int, exactly_in: bool
) -> None:
    def close(a: tuple[int, int], b: tuple[int, int]) -> bool:
        square = (a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2
        return square <= within**2 if exactly_in else square < within**2

    best = max(
        count
        for count in range(1, len(places) + 1)
        for group in itertools.combinations(places, count)
        if all(close(a, b) for a, b in itertools.combinations(group, 2))
    )
    found = largest_crowd(faults_at(places), Decimal(within), exactly_in=exactly_in)
    assert len(found) == best
    assert all(close(places[i], places[j]) for i, j in itertools.combinations(found, 2))


@settings(max_examples=30, deadline=None, derandomize=True)
@given(many_points, st.integers(5, 60), st.booleans(), st.booleans(), st.sampled_from([0, 3, 20]))
def test_pairs_found_by_neighbourhood_are_those_found_one_by_one(
    places: list[tuple[int, int]], apart: int, allowed: bool, rims: bool, times: int
) -> None:
    faults = faults_at(places)
    asked = max(apart, times) + (1 if rims else 0)
    expected = [
        (i, j)
        for i, j in itertools.combinations(range(len(places)), 2)
        if (d := (places[i][0] - places[j][0]) ** 2 + (places[i][1] - places[j][1]) ** 2) < asked**2
        or (d == asked**2 and not allowed)
    ]
    found = close_pairs(
        faults, Decimal(apart), exactly_allowed=allowed, edge_to_edge=rims, times_smaller=Decimal(times)
    )
    assert found == expected


@pytest.mark.parametrize(("gap", "close"), [(0.3, True), (0.30000000000000004, False)])
def test_a_tenth_thrice_is_three_tenths(gap: float, close: bool) -> None:
    """0.1 + 0.2 in binary is more than 0.3; sizes and places are read as a person reads them."""
    defects = (DefectToJudge("bubble", 0.0, 0.0, 1), DefectToJudge("bubble", gap, 0.0, 1))
    faults = list(make_case(SheetToJudge(10, 10, 4, defects=defects), GRADE).defects)
    assert bool(close_pairs(faults, Decimal("0.3"), exactly_allowed=False)) == close
