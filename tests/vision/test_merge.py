"""Several photos of one sheet: one mark counts once, coverage adds up."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from vision import Frame, StageError
from vision.merge import merge_results, pooled
from vision.sheet_map import map_of_results, tile_letter

BUBBLE = {"bubble": 0.9, "stone": 0.05, "scratch": 0.0, "not_glass": 0.05}
DUST = {"bubble": 0.1, "stone": 0.1, "scratch": 0.0, "not_glass": 0.8}


def find(number: int, x: float, y: float, **more: Any) -> dict[str, Any]:
    base = {
        "number": number, "kind": "bubble", "not_glass": None, "x_mm": x, "y_mm": y, "length_mm": 1.0,
        "width_mm": 0.8, "halo_mm": None, "length_sd_mm": 0.05, "path_mm": None, "kind_scores": BUBBLE,
        "flags": [],
    }  # fmt: skip
    return {**base, **more}


def result(
    x0: float, y0: float, x1: float, y1: float, finds: list[dict[str, Any]], mm_per_px: float = 0.25
) -> dict[str, Any]:
    return {
        "scale": {"mm_per_px": mm_per_px},
        "finds": finds,
        "covered_mm": [x0, y0, x1, y1],
        "covered_fraction": 1.0,
        "smallest_sized_mm": 3 * mm_per_px,
        "frame": Frame.square_on(mm_per_px, x0, y0).to_dict(),
        "width_px": round((x1 - x0) / mm_per_px),
        "height_px": round((y1 - y0) / mm_per_px),
    }


def test_one_bubble_in_two_overlapping_photos_is_one() -> None:
    a = result(0, 0, 300, 200, [find(1, 280, 100), find(2, 50, 50)])
    b = result(250, 0, 550, 200, [find(1, 280.3, 99.8, length_mm=1.05)])
    merged = merge_results([a, b])
    assert [mark.members for mark in merged] == [((0, 2),), ((0, 1), (1, 1))]


def test_the_finer_photo_gives_the_size() -> None:
    a = result(0, 0, 300, 200, [find(1, 100, 100, length_mm=1.3)], mm_per_px=0.4)
    b = result(80, 80, 130, 130, [find(1, 100.1, 100, length_mm=1.1)], mm_per_px=0.08)
    (mark,) = merge_results([a, b])
    assert mark.members[0] == (1, 1)
    assert mark.length_mm == 1.1


def test_a_mark_cut_off_by_the_border_does_not_give_the_size() -> None:
    a = result(0, 0, 300, 200, [find(1, 299.5, 100, length_mm=0.9, flags=["touches_edge"])], mm_per_px=0.1)
    b = result(250, 0, 550, 200, [find(1, 299.9, 100, length_mm=2.0)])
    (mark,) = merge_results([a, b])
    assert mark.length_mm == 2.0


def test_two_near_bubbles_stay_two() -> None:
    """Each photo shows both; the nearest pairs belong together."""
    a = result(0, 0, 300, 200, [find(1, 100, 100), find(2, 100.8, 100)])
    b = result(0, 0, 300, 200, [find(1, 100.1, 100), find(2, 100.9, 100)])
    merged = merge_results([a, b])
    assert [mark.members for mark in merged] == [((0, 1), (1, 1)), ((0, 2), (1, 2))]


def test_order_of_photos_does_not_matter() -> None:
    rng = np.random.default_rng(3)
    true = rng.uniform(0, 300, (30, 2))
    photos = [
        result(0, 0, 300, 300, [find(k + 1, *(p + rng.normal(0, 0.1, 2))) for k, p in enumerate(true)])
        for _ in range(3)
    ]
    forth = merge_results(photos)
    back = merge_results(photos[::-1])
    assert len(forth) == len(back) == 30
    assert {frozenset(m.members) for m in forth} == {
        frozenset((2 - photo, number) for photo, number in m.members) for m in back
    }


def test_a_scratch_over_two_photos_is_one_of_full_length() -> None:
    whole = np.column_stack([np.linspace(200, 350, 151), np.full(151, 80.0)])
    left, right = whole[whole[:, 0] <= 300], whole[whole[:, 0] >= 250]
    a = result(0, 0, 300, 200, [find(1, 250, 80, kind="scratch", path_mm=left.tolist(), length_mm=100.0)])
    b = result(
        250, 0, 550, 200, [find(1, 300, 80, kind="scratch", path_mm=right[::-1].tolist(), length_mm=100.0)]
    )
    (mark,) = merge_results([a, b])
    assert len(mark.members) == 2
    assert mark.length_mm == pytest.approx(150.0, rel=0.01)


def test_scratches_side_by_side_or_crossing_stay_apart() -> None:
    line = np.column_stack([np.linspace(0, 100, 101), np.full(101, 50.0)])
    beside = line + np.array([0, 6.0])
    across = np.column_stack([np.full(101, 50.0), np.linspace(0, 100, 101)])
    a = result(0, 0, 300, 200, [find(1, 50, 50, kind="scratch", path_mm=line.tolist(), length_mm=100.0)])
    for other in (beside, across):
        b = result(
            0, 0, 300, 200, [find(1, *other[50], kind="scratch", path_mm=other.tolist(), length_mm=100.0)]
        )
        assert len(merge_results([a, b])) == 2


def test_opinions_multiply() -> None:
    both = pooled([{"bubble": 0.8, "stone": 0.2}, {"bubble": 0.6, "stone": 0.4}])
    assert both["bubble"] == pytest.approx(0.48 / (0.48 + 0.08))
    assert sum(both.values()) == pytest.approx(1.0)


def test_dust_in_one_light_and_sure_dust_in_the_other_is_dust() -> None:
    doubtful = {"bubble": 0.4, "stone": 0.2, "scratch": 0.0, "not_glass": 0.4}
    a = result(0, 0, 300, 200, [find(1, 100, 100, kind_scores=doubtful)])
    b = result(0, 0, 300, 200, [find(1, 100, 100, kind_scores=DUST, not_glass="dust")])
    (mark,) = merge_results([a, b])
    assert mark.not_glass == "dust"


def test_a_photo_that_should_show_the_mark_and_does_not_is_named() -> None:
    """Before and after wiping: what is gone was on the glass, not in it."""
    a = result(0, 0, 300, 200, [find(1, 100, 100, length_mm=1.0)])
    b = result(0, 0, 300, 200, [])
    coarse = result(0, 0, 300, 200, [], mm_per_px=1.0)
    (mark,) = merge_results([a, b, coarse])
    assert mark.missed_in == (1,)


def test_photos_without_scale_take_no_part() -> None:
    unsized = {**result(0, 0, 300, 200, [find(1, 1, 1)]), "scale": None}
    assert merge_results([unsized]) == []


def test_coverage_adds_up_and_knows_its_fineness() -> None:
    left = result(0, 0, 500, 1000, [], mm_per_px=0.5)
    right = result(500, 0, 1000, 1000, [], mm_per_px=0.1)
    chart = map_of_results([left, right], 1000, 1000)
    assert chart.covered_fraction() == 1.0
    assert chart.covered_fraction(0.5) == pytest.approx(0.5, abs=0.01)
    assert chart.holes(0.5) == [pytest.approx((0, 0, 500, 1000), abs=5)]
    assert chart.missing_tiles(0.5) == ["A1", "A2"]
    assert chart.missing_tiles() == []


def test_a_close_up_on_a_coarse_photo_counts_where_it_is() -> None:
    whole = result(0, 0, 1000, 1000, [], mm_per_px=1.0)
    close = result(200, 200, 400, 400, [], mm_per_px=0.1)
    chart = map_of_results([whole, close], 1000, 1000)
    assert chart.covered_fraction(0.5) == pytest.approx(0.04, abs=0.003)
    assert map_of_results([close, whole], 1000, 1000).covered_fraction(0.5) == chart.covered_fraction(0.5)


def test_nothing_photographed() -> None:
    chart = map_of_results([], 3210, 6000)
    assert chart.covered_fraction() == 0.0
    assert chart.holes() == [pytest.approx((0, 0, 3210, 6000))]
    with pytest.raises(StageError, match="expected a width and a length above 0"):
        map_of_results([], 0, 10)


def test_tiles_are_lettered_like_columns_of_a_table() -> None:
    assert [tile_letter(k) for k in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]


def test_the_map_has_holes_where_a_photo_hides_the_glass() -> None:
    glare = {"by": "blown_out", "box_mm": [200, 300, 400, 600]}
    photo = {**result(0, 0, 1000, 1000, []), "hidden": [glare]}
    chart = map_of_results([photo], 1000, 1000)
    assert chart.covered_fraction() == pytest.approx(0.94, abs=0.005)
    assert chart.holes() == [pytest.approx((200, 300, 400, 600), abs=9)]
    bare = result(150, 250, 500, 700, [])
    assert map_of_results([photo, bare], 1000, 1000).covered_fraction() == 1.0


def test_glass_under_tags_is_covered_and_told_once() -> None:
    tag = {"by": "tag", "box_mm": [100, 100, 200, 300]}
    photo = {**result(0, 0, 1000, 1000, []), "hidden": [tag]}
    for photos in ([photo], [photo, photo]):
        chart = map_of_results(photos, 1000, 1000)
        assert chart.covered_fraction() == 1.0
        assert chart.under_tags_m2 == pytest.approx(0.02, abs=0.002)
    assert map_of_results([photo, result(50, 50, 400, 400, [])], 1000, 1000).under_tags_m2 == 0.0


def test_a_mark_under_a_glare_was_not_missed_by_the_photo_with_the_glare() -> None:
    one = result(0, 0, 300, 200, [find(1, 100, 100)])
    other = result(0, 0, 300, 200, [])
    assert merge_results([one, other])[0].missed_in == (1,)
    hiding = {**other, "hidden": [{"by": "blown_out", "box_mm": [80, 80, 120, 120]}]}
    assert merge_results([one, hiding])[0].missed_in == ()
