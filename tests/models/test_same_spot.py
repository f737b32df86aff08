"""The same thing in overlapping photos is one; neighbours stay two."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from models.inspections.same_spot import REACH_MM, Spot, same_spots


def test_a_spot_within_reach_is_the_same_and_beyond_it_is_not():
    known = [Spot(10, 100.0, 100.0, 0.5)]
    assert same_spots([Spot(1, 101.5, 100.0, 0.5)], known) == {1: 10}
    assert same_spots([Spot(1, 102.5, 100.0, 0.5)], known) == {}


def test_the_nearest_pair_wins_and_each_known_spot_is_met_once():
    known = [Spot(10, 100.0, 100.0), Spot(11, 103.0, 100.0)]
    new = [Spot(1, 101.6, 100.0), Spot(2, 100.1, 100.0)]
    assert same_spots(new, known) == {2: 10, 1: 11}


def test_two_close_seeds_in_both_photos_stay_two():
    known = [Spot(10, 100.0, 100.0), Spot(11, 101.0, 100.0)]
    new = [Spot(1, 100.4, 100.2), Spot(2, 101.4, 100.2)]
    assert same_spots(new, known) == {1: 10, 2: 11}


def test_large_stones_are_allowed_more():
    assert same_spots([Spot(1, 103.0, 100.0, 4.0)], [Spot(10, 100.0, 100.0, 5.0)]) == {1: 10}


def line(x0, y0, x1, y1, count=20):
    return tuple(zip(np.linspace(x0, x1, count).tolist(), np.linspace(y0, y1, count).tolist(), strict=True))


def test_a_scratch_cut_by_a_tiles_edge_is_the_same_scratch():
    whole = Spot(10, 150.0, 100.0, 100.0, line(100, 100, 200, 100))
    part = Spot(1, 190.0, 101.0, 30.0, line(160, 101, 215, 101))
    assert same_spots([part], [whole]) == {1: 10}


def test_scratches_side_by_side_or_crossing_are_two():
    known = Spot(10, 150.0, 100.0, 100.0, line(100, 100, 200, 100))
    beside = Spot(1, 150.0, 105.0, 100.0, line(100, 105, 200, 105))
    crossing = Spot(2, 150.0, 100.0, 100.0, line(150, 50, 150, 150))
    assert same_spots([beside, crossing], [known]) == {}


def test_a_scratch_is_never_a_spot():
    assert (
        same_spots([Spot(1, 150.0, 100.0)], [Spot(10, 150.0, 100.0, 100.0, line(100, 100, 200, 100))]) == {}
    )


@given(
    st.lists(st.tuples(st.floats(0, 3000), st.floats(0, 6000)), max_size=30),
    st.lists(st.tuples(st.floats(0, 3000), st.floats(0, 6000)), max_size=30),
)
def test_each_is_met_at_most_once_and_only_within_reach(new, known):
    met = same_spots([Spot(i, *p) for i, p in enumerate(new)], [Spot(i, *p) for i, p in enumerate(known)])
    assert len(set(met.values())) == len(met)
    for i, j in met.items():
        assert np.hypot(new[i][0] - known[j][0], new[i][1] - known[j][1]) <= REACH_MM
