"""What was looked at, by tiles: exact for any overlap, what is missing said by name, unknown never clean."""

import numpy as np
import pytest

from models.sheet.looked import LookedPart, LookStatement, looked_at, looked_fraction, parts_of_looks
from models.sheet.looked_words import count_words, looked_words
from models.sheet.tiles import letter

Box = tuple[float, float, float, float]


def cover(rectangle: Box, smallest_mm: float | None, **more) -> LookedPart:
    return LookedPart(rectangle_mm=rectangle, smallest_mm=smallest_mm, **more)


def test_one_fine_photo_of_everything_is_complete():
    summary = looked_at(3210.0, 6000.0, [cover((0.0, 0.0, 3210.0, 6000.0), 0.4)], 0.5)
    assert summary.complete
    assert (summary.covered_fraction, summary.seen_fraction, summary.smallest_sized_mm) == (1.0, 1.0, 0.4)
    assert [tile.name for tile in summary.tiles][:4] == ["A1", "B1", "C1", "A2"]
    assert len(summary.tiles) == 18


def test_tiles_that_need_a_close_up_are_named_with_both_sizes():
    coarse = cover((0.0, 0.0, 3000.0, 3000.0), 1.6)
    fine = [
        cover((x, y, x + 1000.0, y + 1000.0), 0.4)
        for x in (0.0, 1000.0, 2000.0)
        for y in (0.0, 1000.0, 2000.0)
    ]
    left_out = {(1000.0, 1000.0), (1000.0, 2000.0)}
    covers = [coarse] + [c for c in fine if c.rectangle_mm[:2] not in left_out]
    summary = looked_at(3000.0, 3000.0, covers, 0.5)
    assert summary.missing == (
        "tiles B2 and B3 need a close-up; smallest class 0.5 mm, the photo there sizes from 1.6 mm",
    )
    assert summary.covered_fraction == pytest.approx(7 / 9)
    assert summary.seen_fraction == 1.0
    assert summary.smallest_sized_mm == 1.6


def test_what_was_not_photographed_is_named():
    summary = looked_at(2000.0, 2000.0, [cover((0.0, 0.0, 2000.0, 1000.0), 0.4)], 0.5)
    assert summary.missing == ("tiles A2 and B2 are not photographed",)
    part = looked_at(2000.0, 1000.0, [cover((0.0, 0.0, 1500.0, 1000.0), 0.4)], 0.5)
    assert part.missing == ("tile B1 is not wholly photographed",)


def test_nothing_at_all():
    summary = looked_at(2000.0, 2000.0, [], 0.5)
    assert (summary.covered_fraction, summary.smallest_sized_mm) == (0.0, None)
    assert summary.missing[0].startswith("no photo of this sheet has a scale")


def test_many_missing_tiles_are_counted_not_listed():
    summary = looked_at(3210.0, 6000.0, [cover((0.0, 0.0, 900.0, 900.0), 0.4)], 0.5)
    assert summary.missing[0].startswith("18 tiles (A1, B1, C1, A2, B2, C2, A3, B3, ...) are not wholly")


def test_a_field_that_ends_at_the_cut_edge_reaches_it():
    summary = looked_at(2000.0, 1000.0, [cover((4.0, -30.0, 1993.0, 995.0), 0.4)], 0.5)
    assert summary.complete
    gap = looked_at(2000.0, 1000.0, [cover((30.0, 0.0, 2000.0, 1000.0), 0.4)], 0.5)
    assert not gap.complete


def test_without_a_smallest_class_any_scale_will_do():
    assert looked_at(1000.0, 1000.0, [cover((0.0, 0.0, 1000.0, 1000.0), 40.0)], None).complete


def test_the_fraction_equals_a_count_on_a_fine_raster():
    """Random overlapping rectangles against the slow obvious way: asking each of 90,000 points."""
    rng = np.random.default_rng(7)
    width, length = 3000.0, 2000.0
    corners = rng.uniform([-200, -200], [3000, 2000], (12, 2))
    sizes = rng.uniform(150, 1400, (12, 2))
    smallest = rng.choice([0.3, 0.8, 1.5], 12)
    covers = [
        cover((x, y, x + w, y + h), s) for (x, y), (w, h), s in zip(corners, sizes, smallest, strict=True)
    ]
    gx, gy = np.meshgrid((np.arange(300) + 0.5) * 10.0, (np.arange(300) + 0.5) * length / 300)
    fine = np.zeros(gx.shape, bool)
    for one in covers:
        x0, y0, x1, y1 = one.rectangle_mm
        if one.smallest_mm <= 0.8:
            fine |= (gx >= x0) & (gx < x1) & (gy >= y0) & (gy < y1)
    summary = looked_at(width, length, covers, 0.8)
    assert summary.covered_fraction == pytest.approx(fine.mean(), abs=0.01)
    weights = [
        (t.rectangle_mm[2] - t.rectangle_mm[0]) * (t.rectangle_mm[3] - t.rectangle_mm[1])
        for t in summary.tiles
    ]
    assert np.average([t.covered_fraction for t in summary.tiles], weights=weights) == pytest.approx(
        summary.covered_fraction
    )


def test_what_a_photo_hides_is_not_covered_until_another_shows_it():
    whole = (0.0, 0.0, 2000.0, 1000.0)
    glare = (1200.0, 300.0, 1500.0, 500.0)
    blown_out = cover(whole, 0.4, holes_mm=(glare,))
    summary = looked_at(2000.0, 1000.0, [blown_out], 0.5)
    assert summary.missing == ("tile B1 is not wholly photographed",)
    assert summary.covered_fraction == pytest.approx(1 - 300 * 200 / 2e6)
    assert summary.holes_mm == (glare,)
    other = cover((1150.0, 250.0, 1600.0, 600.0), 0.4)
    assert looked_at(2000.0, 1000.0, [blown_out, other], 0.5).complete
    half = cover((1150.0, 250.0, 1350.0, 600.0), 0.4)
    both = looked_at(2000.0, 1000.0, [half, blown_out], 0.5)
    assert both.covered_fraction == pytest.approx(1 - 150 * 200 / 2e6)


def test_glass_under_a_tag_is_told_and_keeps_nobody_from_a_verdict():
    paper = (50.0, 50.0, 150.0, 150.0)
    tagged = cover((0.0, 0.0, 1000.0, 1000.0), 0.4, under_tags_mm=(paper,))
    summary = looked_at(1000.0, 1000.0, [tagged], 0.5)
    assert summary.complete
    assert summary.covered_fraction == 1.0
    assert summary.under_tags_mm == (paper,)
    assert summary.notes == (
        "0.01 m² lay under reference tags in every photo: look there by eye, or move the tags off the glass",
    )
    # the other lighting of the same field hides the same glass, not as much again
    assert looked_at(1000.0, 1000.0, [tagged, tagged], 0.5).notes == summary.notes
    assert looked_at(1000.0, 1000.0, [tagged, tagged], 0.5).under_tags_mm == (paper,)
    bare = cover((0.0, 0.0, 300.0, 300.0), 0.4)
    assert looked_at(1000.0, 1000.0, [tagged, bare], 0.5).notes == ()


def test_a_hole_at_the_border_of_a_photo_goes_with_it_to_the_edge_of_the_sheet():
    shown = cover((8.0, 0.0, 1000.0, 1000.0), 0.4, holes_mm=((8.0, 0.0, 100.0, 100.0),))
    assert looked_at(1000.0, 1000.0, [shown], 0.5).covered_fraction == pytest.approx(0.99)


def test_a_photo_that_hangs_over_the_sheet_counts_on_the_sheet_alone():
    shown = cover((500.0, 0.0, 1500.0, 1000.0), 0.4, holes_mm=((900.0, 0.0, 1400.0, 100.0),))
    summary = looked_at(1000.0, 1000.0, [shown], None)
    assert summary.covered_fraction == pytest.approx(0.5 - 0.1 * 0.1)
    beside = cover((1200.0, 0.0, 1500.0, 1000.0), 0.4)
    assert looked_at(1000.0, 1000.0, [beside], None).covered_fraction == 0.0


def test_what_was_looked_at_by_eye_counts_for_as_fine_as_it_shows():
    whole = LookStatement(way="eye", smallest_mm=0.4)
    parts = parts_of_looks([whole], 2000.0, 1000.0)
    summary = looked_at(2000.0, 1000.0, parts, 0.5)
    assert (summary.complete, summary.eye_fraction, summary.photo_fraction) == (True, 1.0, 0.0)
    assert looked_at(2000.0, 1000.0, parts, 0.3).missing == (
        "tiles A1 and B1 need a close-up; smallest class 0.3 mm, what was looked at there shows from 0.4 mm",
    )
    unsaid = parts_of_looks([LookStatement(way="eye")], 2000.0, 1000.0)
    summary = looked_at(2000.0, 1000.0, unsaid, 0.5)
    assert (summary.seen_fraction, summary.covered_fraction, summary.complete) == (1.0, 0.0, False)
    assert "how small a fault would have been seen there is not known" in summary.missing[0]


def test_eye_and_photo_add_up():
    left = cover((0.0, 0.0, 1200.0, 1000.0), 0.4)
    right = parts_of_looks(
        [LookStatement(way="eye", parts_mm=((800.0, 0.0, 2000.0, 1000.0),), smallest_mm=0.5)], 2000.0, 1000.0
    )
    summary = looked_at(2000.0, 1000.0, [left, *right], 0.5)
    assert summary.complete
    assert (summary.photo_fraction, summary.eye_fraction) == (0.6, 0.6)


@pytest.mark.parametrize(
    ("state", "seen", "looks", "expected"),
    [
        ("waiting", None, (), 0.0),
        ("in_work", 0.7, (), 0.0),
        ("finished", 0.7, (), 0.7),
        ("finished", None, (), None),  # nobody knows: never 0, never 1
        ("recorded", None, (), None),
        ("recorded", None, (LookStatement(looked=False),), 0.0),
        ("recorded", 1.0, (LookStatement(),), 1.0),
        ("passed_by", None, (), 0.0),
    ],
)
def test_the_part_looked_at_is_unknown_where_nobody_told(state, seen, looks, expected):
    parts = [] if seen is None else [cover((0.0, 0.0, 1000.0, 1000.0), 0.4)]
    assert looked_fraction(state, parts, looks, seen or 0.0) == expected


def test_none_found_is_said_only_of_glass_that_somebody_looked_at():
    assert [looked_words(f) for f in (None, 0.0, 0.004, 0.4, 0.997, 1.0)] == [
        "not known whether looked at", "not looked at", "less than 1 % looked at", "40 % looked at",
        "looked at", "looked at",
    ]  # fmt: skip
    assert [count_words(0, f) for f in (None, 0.0, 0.4, 1.0)] == [
        "unknown", "not looked at", "0 on the 40 % looked at", "0",
    ]  # fmt: skip
    assert [count_words(3, f) for f in (None, 0.0, 0.4, 1.0)] == ["3", "3", "3 on the 40 % looked at", "3"]


def test_tiles_are_lettered_like_columns_of_a_table():
    assert [letter(k) for k in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]
