"""JIS R 3202:2011, float and polished plate glass.

Source of the numbers: the table of point faults as printed in the scratch guide of the Flat Glass
Manufacturers Association of Japan on JIS R 3202:2011. The source does not say how density times area is
rounded; the grade compares the product as it is.
"""

import pytest

from models.grades import DefectToJudge, SheetToJudge, judge, load_sets

GRADE = load_sets().grade("jis-r-3202-2011")
# per m2 in [0.5, 1), [1, 2), [2, 3); from 3 none
TABLE = {"bubble": (2.2, 0.88, 0.44), "stone": (1.1, 0.44, 0.22)}


def outcome(width: float, length: float, *faults: tuple[str, float], times: int = 1) -> str:
    defects = tuple(DefectToJudge(kind, 10 + i, 10, size) for i, (kind, size) in enumerate(faults * times))
    return judge(SheetToJudge(width, length, 4, defects=defects), GRADE).outcome


@pytest.mark.parametrize(("count", "expected"), [(6, "accept"), (7, "reject")])
def test_six_small_bubbles_on_three_square_metres_pass_and_seven_do_not(count: int, expected: str) -> None:
    assert outcome(2000, 1500, ("bubble", 0.7), times=count) == expected


def test_a_bubble_of_exactly_two_is_in_the_class_from_two() -> None:
    assert outcome(1200, 900, ("bubble", 2.0)) == "reject"  # 0.44 x 1.08 = 0.4752


def test_a_bubble_just_under_two_is_judged_unrounded() -> None:
    assert outcome(1200, 900, ("bubble", 1.99)) == "reject"  # 0.88 x 1.08 = 0.9504


@pytest.mark.parametrize("kind", ["bubble", "stone", "knot", "tin speck"])
def test_exactly_three_is_never_allowed_and_just_under_is_on_a_large_pane(kind: str) -> None:
    assert outcome(6000, 3210, (kind, 3.0)) == "reject"
    assert outcome(6000, 3210, (kind, 2.999)) == "accept"


def test_below_half_a_millimetre_nothing_is_counted() -> None:
    assert outcome(1000, 1000, ("bubble", 0.49), ("stone", 0.49), times=50) == "accept"
    assert outcome(1000, 1000, ("bubble", 0.5), times=3) == "reject"


@pytest.mark.parametrize("kind", TABLE)
@pytest.mark.parametrize("row", [0, 1, 2])
def test_each_row_allows_the_whole_number_below_density_times_area(kind: str, row: int) -> None:
    allowed = int(TABLE[kind][row] * 10)  # a pane of 10 m2
    low, high = ((0.5, 0.99), (1.0, 1.99), (2.0, 2.99))[row]
    for size in (low, high):
        assert outcome(4000, 2500, (kind, size), times=allowed) == "accept"
        assert outcome(4000, 2500, (kind, size), times=allowed + 1) == "reject"


def test_a_scratch_is_not_judged_until_its_detection_distance_is_known() -> None:
    near = DefectToJudge("scratch", 10, 10, 100, detection_distance_mm=3900)
    far = DefectToJudge("scratch", 10, 10, 100, detection_distance_mm=4100)
    assert judge(SheetToJudge(1000, 1000, 4, defects=(near,)), GRADE).outcome == "accept"
    # the allowance for lines is from memory: it warns, it does not reject
    assert judge(SheetToJudge(1000, 1000, 4, defects=(far,)), GRADE).outcome == "not_judged"
    assert outcome(1000, 1000, ("scratch", 100)) == "not_judged"
