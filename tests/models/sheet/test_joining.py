"""Finds of several photos as the defects they show: repeats count once, pieces of a line are one line."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from models.sheet.joining import Joined, join, pooled
from models.sheet.seen import finds_of_result, photo_of_result
from tests.models.sheet.shown import DUST, cut, find, line, result, scratch

SHEET = (2000.0, 3000.0)


def joined(*results: dict[str, Any], sheet_mm: tuple[float, float] | None = SHEET, **more: Any) -> Joined:
    photos = [photo for n, one in enumerate(results) if (photo := photo_of_result(one, n)) is not None]
    finds = [found for n, one in enumerate(results) if one["scale"] for found in finds_of_result(one, n)]
    return join(photos, finds, sheet_mm=sheet_mm, **more)


def members(of: Joined) -> list[tuple[tuple[int, int], ...]]:
    return [tuple(seen.members) for seen in of.defects]


# ---- spots


def test_one_bubble_in_two_overlapping_photos_is_one():
    a = result((0, 0, 300, 200), [find(1, 280, 100), find(2, 50, 50)])
    b = result((250, 0, 550, 200), [find(1, 280.3, 99.8, length_mm=1.05)])
    assert members(joined(a, b)) == [((0, 2),), ((0, 1), (1, 1))]


def test_the_finer_photo_gives_the_size():
    a = result((0, 0, 300, 200), [find(1, 100, 100, length_mm=1.3)], mm_per_px=0.4)
    b = result((80, 80, 130, 130), [find(1, 100.1, 100, length_mm=1.1)], mm_per_px=0.08)
    (seen,) = joined(a, b).defects
    assert seen.members[0] == (1, 1)
    assert seen.length_mm == 1.1


def test_a_spot_cut_off_by_the_border_gives_no_size_and_is_open_until_another_shows_it():
    cut_off = find(1, 299.5, 100, length_mm=0.9, flags=["touches_edge"])
    a = result((0, 0, 300, 200), [cut_off])
    (alone,) = joined(a).defects
    assert alone.open_at_mm == ((299.5, 100.0),)
    b = result((250, 0, 550, 200), [find(1, 299.9, 100, length_mm=2.0)], mm_per_px=0.25)
    (seen,) = joined(a, b).defects
    assert (seen.length_mm, seen.open_at_mm) == (2.0, ())


def test_a_spot_on_the_glass_edge_is_whole():
    at_edge = find(1, 0.6, 100, flags=["touches_edge"])
    assert joined(result((0, 0, 300, 200), [at_edge])).defects[0].open_at_mm == ()


def test_two_near_bubbles_stay_two_where_each_photo_shows_both():
    a = result((0, 0, 300, 200), [find(1, 100, 100), find(2, 100.8, 100)])
    b = result((0, 0, 300, 200), [find(1, 100.1, 100), find(2, 100.9, 100)])
    assert members(joined(a, b)) == [((0, 1), (1, 1)), ((0, 2), (1, 2))]


def test_one_or_two_is_asked_where_places_do_not_tell():
    """0.5 mm of registration each: one up to 1.8 mm, two from 2.8 mm on, between them nobody knows."""
    for gap, groups, doubts in ((1.5, 1, 0), (2.4, 2, 1), (3.2, 2, 0)):
        small = {"length_mm": 0.6}
        a = result((0, 0, 300, 200), [find(1, 100, 100, **small)])
        b = result((0, 0, 300, 200), [find(1, 100 + gap, 100, **small)])
        of = joined(a, b)
        assert (len(of.defects), len(of.doubts)) == (groups, doubts), gap


def test_a_person_settles_a_doubt():
    a = result((0, 0, 300, 200), [find(1, 100, 100)])
    b = result((0, 0, 300, 200), [find(1, 102.4, 100)])
    pair = [((0, 1), (1, 1))]
    assert len(joined(a, b, same=pair).defects) == 1
    apart = joined(a, b, apart=pair)
    assert (len(apart.defects), apart.doubts) == (2, ())
    near = result((0, 0, 300, 200), [find(1, 100.1, 100)])
    assert len(joined(a, near, apart=pair).defects) == 2


def test_order_of_photos_does_not_matter():
    rng = np.random.default_rng(3)
    true = rng.uniform(10, 290, (30, 2))
    photos = [
        result((0, 0, 300, 300), [find(k + 1, *(p + rng.normal(0, 0.1, 2))) for k, p in enumerate(true)])
        for _ in range(3)
    ]
    forth, back = joined(*photos), joined(*photos[::-1])
    assert len(forth.defects) == len(back.defects) == 30
    assert {frozenset(seen.members) for seen in forth.defects} == {
        frozenset((2 - photo, number) for photo, number in seen.members) for seen in back.defects
    }


def test_large_stones_are_allowed_more():
    a = result((0, 0, 300, 200), [find(1, 100, 100, length_mm=5.0)])
    b = result((0, 0, 300, 200), [find(1, 102.3, 100, length_mm=4.0)])
    assert len(joined(a, b).defects) == 1


def test_a_photo_that_should_show_it_and_does_not_is_named():
    """Before and after wiping: what is gone was on the glass, not in it."""
    a = result((0, 0, 300, 200), [find(1, 100, 100)])
    coarse = result((0, 0, 300, 200), [], mm_per_px=1.0)
    assert joined(a, result((0, 0, 300, 200), []), coarse).defects[0].missed_in == (1,)
    hiding = result((0, 0, 300, 200), [], hidden=[{"by": "blown_out", "box_mm": [80, 80, 120, 120]}])
    assert joined(a, hiding).defects[0].missed_in == ()


def test_photos_without_scale_take_no_part():
    assert joined({**result((0, 0, 300, 200), [find(1, 1, 1)]), "scale": None}).defects == ()


# ---- opinions


def test_opinions_multiply():
    both = pooled([{"bubble": 0.8, "stone": 0.2}, {"bubble": 0.6, "stone": 0.4}])
    assert both["bubble"] == pytest.approx(0.48 / (0.48 + 0.08))
    assert sum(both.values()) == pytest.approx(1.0)


def test_doubtful_in_one_light_and_sure_dust_in_the_other_is_dust():
    doubtful = {"bubble": 0.4, "stone": 0.2, "scratch": 0.0, "not_glass": 0.4}
    a = result((0, 0, 300, 200), [find(1, 100, 100, kind_scores=doubtful)])
    b = result((0, 0, 300, 200), [find(1, 100, 100, kind_scores=DUST, not_glass="dust")])
    assert joined(a, b).defects[0].not_glass == "dust"


def test_a_bubble_in_one_light_is_not_hidden_by_likely_dust_in_the_other():
    likely = {"bubble": 0.3, "stone": 0.0, "scratch": 0.0, "not_glass": 0.7}
    fair = {"bubble": 0.55, "stone": 0.0, "scratch": 0.0, "not_glass": 0.45}
    a = result((0, 0, 300, 200), [find(1, 100, 100, kind_scores=fair)])
    b = result((0, 0, 300, 200), [find(1, 100, 100, kind_scores=likely, not_glass="dust")])
    assert joined(a, b).defects[0].not_glass is None


# ---- lines


@pytest.mark.parametrize("share", [200.0, 100.0, 20.0, 4.0, 0.0, -1.0])
def test_a_scratch_over_two_photos_is_as_long_as_the_union(share: float):
    """Two pieces of 300 mm that share so much of it; below 0 they leave a gap."""
    whole = 600.0 - share
    pieces = line(500, 200, 500, 500), line(500.4, 200 + whole - 300, 500.4, 200 + whole)
    middle = (pieces[0][-1][1] + pieces[1][0][1]) / 2
    a = result((0, 0, 1000, middle + share / 2), [scratch(1, pieces[0])])
    b = result((0, middle - share / 2, 1000, 2000), [scratch(1, pieces[1][::-1])])
    (seen,) = joined(a, b).defects
    assert seen.length_mm == pytest.approx(whole, abs=1.5)
    assert seen.open_at_mm == ()
    assert len(seen.members) == 2


def test_its_length_is_no_surer_than_the_places_of_both_photos():
    a = result((0, 0, 1000, 500), [scratch(1, line(500, 200, 500, 500), length_sd_mm=0.4)])
    b = result((0, 400, 1000, 900), [scratch(1, line(500, 400, 500, 700), length_sd_mm=0.4)])
    (seen,) = joined(a, b).defects
    assert seen.length_sd_mm == pytest.approx(math.hypot(0.4, 2**0.5 * 0.504), abs=0.03)


def test_an_end_on_a_photos_border_is_open_until_another_photo_shows_it():
    first = result((0, 0, 1000, 500), [scratch(1, line(500, 200, 500, 499))])
    (alone,) = joined(first).defects
    assert alone.open_at_mm == ((500.0, 499.0),)
    blind = result((0, 400, 1000, 900), [])  # shows the place and not the scratch: it closes nothing
    assert joined(first, blind).defects[0].open_at_mm == ((500.0, 499.0),)
    closing = result((0, 400, 1000, 900), [scratch(1, line(500, 401, 500, 498))])
    assert joined(first, closing).defects[0].open_at_mm == ()


def test_a_line_that_runs_under_a_tag_is_open_there():
    tag = [{"by": "tag", "box_mm": [480, 300, 560, 380]}]
    photo = result((0, 0, 1000, 900), [scratch(1, line(500, 100, 500, 299))], hidden=tag)
    assert joined(photo).defects[0].open_at_mm == ((500.0, 299.0),)


def test_an_end_on_the_edge_of_the_glass_is_closed():
    photo = result((0, 0, 2000, 900), [scratch(1, line(1, 300, 300, 300))])
    assert joined(photo).defects[0].open_at_mm == ()
    assert joined(photo, sheet_mm=None).defects[0].open_at_mm == ((1.0, 300.0),)


def test_scratches_side_by_side_or_crossing_stay_apart():
    straight = line(0, 50, 100, 50)
    a = result((0, 0, 300, 200), [scratch(1, straight)])
    for other in (straight + np.array([0, 3.0]), line(50, 0, 50, 100)):
        b = result((0, 0, 300, 200), [scratch(1, other)])
        of = joined(a, b)
        assert (len(of.defects), of.doubts) == (2, ())


def test_parallel_scratches_are_one_or_two_where_places_are_poor():
    """3 mm apart: two where places are good to 1 mm; where they are good to 3 mm nobody can tell."""
    a = [scratch(1, line(100, 100, 100, 500))]
    b = [scratch(1, line(103, 400, 103, 800))]
    fine = joined(result((0, 0, 300, 500), a), result((0, 400, 300, 900), b))
    assert (len(fine.defects), fine.doubts) == (2, ())
    poor = {"mm_per_px": 1.0, "residual_mm": 1.0}
    of = joined(result((0, 0, 300, 500), a, **poor), result((0, 400, 300, 900), b, **poor))
    assert (len(of.defects), len(of.doubts)) == (2, 1)
    ((taken, as_one),) = of.readings()
    assert taken == of.doubts
    assert [seen.length_mm for _, seen in as_one] == [pytest.approx(700, abs=5)]
    both = [scratch(1, line(100, 100, 100, 500)), scratch(2, line(103, 100, 103, 500))]
    more = [scratch(1, line(100, 400, 100, 800)), scratch(2, line(103, 400, 103, 800))]
    of = joined(result((0, 0, 300, 500), both), result((0, 400, 300, 900), more))
    assert [round(seen.length_mm or 0) for seen in of.defects] == [700, 700]


def test_a_broken_line_of_one_photo_is_one_where_another_shows_it_whole():
    a = result((0, 0, 300, 600), [scratch(1, line(100, 100, 100, 250)), scratch(2, line(100, 260, 100, 400))])
    b = result((0, 0, 300, 600), [scratch(1, line(100.3, 100, 100.3, 400))])
    assert len(joined(a).defects) == 2
    (seen,) = joined(a, b).defects
    assert seen.length_mm == pytest.approx(300, abs=1)


def _few(piece: np.ndarray) -> np.ndarray:
    """Some sixty points of a piece, both ends among them."""
    return np.unique(np.linspace(0, len(piece) - 1, 60).astype(int))


@settings(deadline=None, max_examples=60)
@given(
    length=st.floats(30, 700),
    turn=st.floats(-1.2, 1.2),
    course=st.floats(0, 2 * math.pi),
    photos=st.integers(1, 4),
    share=st.floats(0, 0.9),
    along=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_pieces_are_the_whole(length, turn, course, photos, share, along, seed):
    """A curved scratch cut by one to four photos that share 0 to 90 %, each a little off its place."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1, 3000)
    angle = course + turn * (t - 0.5)
    path = np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]) * length / 3000, axis=0)
    path += np.array([1000.0, 1500.0]) - path.mean(axis=0)
    axis = 1 if along else 0
    assume(np.ptp(path[:, axis]) > 10)  # one that runs along the border of both photos is open: not here
    low, high = path[:, axis].min() - 30, path[:, axis].max() + 30
    wide = (high - low) / (1 + (photos - 1) * (1 - share))
    borders = [low + n * wide * (1 - share) + k for n in range(photos) for k in (0.0, wide)]
    ends = path[[0, -1], axis]
    # an end on a border that no other photo shows past is open, rightly: not here
    assume(min(abs(end - border) for end in ends for border in borders) > 3)
    results = []
    for n in range(photos):
        box = [0.0, 0.0, *SHEET]
        box[axis], box[axis + 2] = low + n * wide * (1 - share), low + n * wide * (1 - share) + wide
        if n == photos - 1:
            box[axis + 2] = max(box[axis + 2], high)
        pieces = [piece for piece in cut(path, tuple(box)) if len(piece) * length / 3000 > 4]
        assume(len(pieces) <= 1)  # a line that leaves a photo and comes back is told by the parts between
        offset = rng.normal(0, 0.3, 2)
        results.append(result(tuple(box), [scratch(1, piece[_few(piece)] + offset) for piece in pieces]))
    (seen,) = joined(*results).defects
    true = float(np.hypot(*np.diff(path, axis=0).T).sum())
    assert seen.length_mm == pytest.approx(true, abs=6.0)
    assert seen.open_at_mm == ()
