"""Unknown sizes, open ends and readings, case by case, in grades made up for the test."""

import math
from dataclasses import replace

import pytest

from models.grades import (
    DefectToJudge,
    Grade,
    Reading,
    SheetToJudge,
    Verdict,
    grades_from_text,
    judge,
    judge_ladder,
    load_sets,
)
from models.grades.advice import advice
from models.grades.cutout import largest_piece
from models.grades.pack import judge_pack

HEAD = """
standard = "made up"
edition = "1"
version = "2026-11-27"
source = "made up for this test"
[[grade]]
id = "own"
title = "own"
"""
TWO_AND_TWO = """
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [
    { size = "[0, 0.3)", count = 2 },
    { size = "[0.3, 0.6)", count = 2 },
    { size = "[0.6, inf)", allow = "none" },
]
"""
LINES = """
[[grade.rule]]
name = "lines"
shape = "lengths"
clause = "2"
kinds = ["linear"]
single_mm = 60
total_mm = 100
"""
BOOK = load_sets()


def grade_of(rules: str) -> Grade:
    (grade,) = grades_from_text(HEAD + rules, where="own.toml")
    return replace(grade, smallest_class_mm=None)


def said(rules: str, *defects: DefectToJudge, smallest: float | None = None) -> Verdict:
    sheet = SheetToJudge(3000, 1500, 4, defects=defects, smallest_sized_mm=smallest)
    return judge(sheet, grade_of(rules))


def spot(x: float = 700, *, most: float | None = None, size: float | None = None) -> DefectToJudge:
    return DefectToJudge("bubble", x, 700, size, length_at_most_mm=most)


def line(length: float | None, y: float = 700, **more: object) -> DefectToJudge:
    return DefectToJudge("scratch", 700, y, length, 0.1, **more)  # type: ignore[arg-type]


def open_texts(verdict: Verdict) -> list[str]:
    return [r.says for r in verdict.reasons if r.outcome == "not_judged"]


@pytest.mark.parametrize(
    ("count", "most", "outcome"),
    [
        (2, 0.5, "accept"),  # both small, both larger, or one of each
        (3, 0.5, "not_judged"),  # two and one pass, though three of either size do not
        (4, 0.5, "not_judged"),
        (5, 0.5, "reject"),  # one class has three, whichever they are of
        (5, 0.3, "reject"),
        (1, 0.7, "not_judged"),  # 0.6 mm and more is too large
        (1, 0.6, "accept"),  # a photo that sizes from 0.6 mm would have sized one of 0.6 mm
    ],
)
def test_spots_of_unknown_size_may_share_themselves_between_two_classes(
    count: int, most: float, outcome: str
) -> None:
    assert said(TWO_AND_TWO, *[spot(100 * i, most=most) for i in range(count)]).outcome == outcome


def test_the_fault_s_own_bound_goes_before_the_sheet_s_and_without_either_it_has_none() -> None:
    assert said(TWO_AND_TWO, spot(most=0.5), smallest=2.0).outcome == "accept"
    assert said(TWO_AND_TWO, spot(), smallest=0.5).outcome == "accept"
    assert said(TWO_AND_TWO, spot(), smallest=2.0).outcome == "not_judged"
    assert said(TWO_AND_TWO, spot(most=math.inf), smallest=0.5).outcome == "not_judged"
    verdict = said(TWO_AND_TWO, spot())
    assert verdict.outcome == "not_judged"
    (text,) = open_texts(verdict)
    assert text.startswith(
        "defect 1 has no size; the answer changes at 0.6 mm: take a close-up that sizes from 0.6 mm, "
        "or measure by hand"
    )


def test_two_rules_that_reject_in_turn_reject() -> None:
    """Up to 0.3 mm none may lie within 100 mm of another, from 0.3 mm on there may be none at all."""
    rules = """
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [{ size = "[0, 0.3)", allow = "unlimited" }, { size = "[0.3, inf)", allow = "none" }]
[[grade.rule]]
name = "small ones apart"
shape = "separation"
clause = "2"
kinds = ["point"]
size = "[0, 0.3)"
apart_mm = 100
"""
    near = (spot(700, size=0.2), spot(750, most=0.5))
    verdict = said(rules, *near)
    assert verdict.outcome == "reject"
    (reason,) = [r for r in verdict.reasons if r.outcome == "reject"]
    assert reason.says.startswith("whatever the size of defect 2, a rule rejects: ")
    assert "or else: points, from 0.3 mm: 1 counted, none allowed" in reason.says
    assert said(rules, spot(700, size=0.2), spot(900, most=0.5)).outcome == "not_judged"


def test_one_of_two_rules_is_enough_whatever_the_size() -> None:
    """Either all are under 0.3 mm, or there is at most one from 0.3 mm on: one keeps one of them."""
    rules = """
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [{ allow = "unlimited" }]
[[grade.rule]]
name = "either"
shape = "any of"
clause = "2"
[[grade.rule.rules]]
name = "small"
shape = "classes"
clause = "2a"
kinds = ["point"]
classes = [{ size = "[0, 0.3)", allow = "unlimited" }, { size = "[0.3, inf)", allow = "none" }]
[[grade.rule.rules]]
name = "large"
shape = "classes"
clause = "2b"
kinds = ["point"]
classes = [{ size = "[0, 0.3)", allow = "none" }, { size = "[0.3, inf)", count = 1 }]
"""
    assert said(rules, spot(most=0.5)).outcome == "accept"
    assert said(rules, spot(most=0.5), spot(900, most=0.5)).outcome == "not_judged"
    assert said(rules, spot(most=0.5), spot(900, size=0.2), spot(950, size=0.4)).outcome == "reject"


@pytest.mark.parametrize(
    ("known", "seen", "outcome", "changes_at"),
    [
        (50.0, 20.0, "not_judged", "50 mm"),  # 100 mm together
        (30.0, 20.0, "not_judged", "60 mm"),  # 60 mm by itself
        (50.0, 50.1, "reject", None),
        (50.0, 60.1, "reject", None),
    ],
)
def test_the_length_of_an_open_line_counts_by_itself_and_in_the_sum(
    known: float, seen: float, outcome: str, changes_at: str | None
) -> None:
    verdict = said(LINES, line(known, 300), line(seen, open_at_mm=((720.0, 700.0),)))
    assert verdict.outcome == outcome
    if changes_at:
        (text,) = open_texts(verdict)
        assert "its end lies outside the photos: photograph there" in text
        assert f"the answer changes at a length of {changes_at}" in text


def test_lines_too_small_to_size_count_in_the_sum_with_all_that_they_can_be() -> None:
    almost = line(60.0, 300), line(39.0, 400)
    assert said(LINES, *almost, line(None, length_at_most_mm=1.0)).outcome == "accept"
    assert said(LINES, *almost, line(None, length_at_most_mm=1.5)).outcome == "not_judged"
    many = [line(None, 500 + i, length_at_most_mm=0.5) for i in range(3)]
    assert said(LINES, *almost, *many).outcome == "not_judged"
    assert said(LINES, *almost, *many[:2]).outcome == "accept"


@pytest.mark.parametrize(("gap", "outcome"), [(10.2, "reject"), (10.6, "not_judged"), (11.3, "accept")])
def test_a_distance_between_rims_is_judged_with_every_rim(gap: float, outcome: str) -> None:
    """10 mm between the rims of a fault of 0.5 mm and one of up to 0.8 mm: 10.25 to 10.65 mm from centre to
    centre."""
    rules = """
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [{ apart_mm = 10, measured = "rims" }]
"""
    assert said(rules, spot(700, size=0.5), spot(700 + gap, most=0.8)).outcome == outcome


def test_a_shorter_fault_in_a_halo_may_be_the_larger_one() -> None:
    """Sized as three times its nucleus within a halo of 1 mm: up to 3 mm, though no longer than 1.5 mm.

    4 mm from a fault of 5 mm, of which the rim is at 2.5 mm: with a radius of 1.5 mm it lies less than 0.4 mm
    away, with one of 0.75 mm it lies more.
    """
    rules = """
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [{ apart_mm = 0.4, measured = "rims" }]
"""
    text = HEAD.replace(
        "[[grade]]", '[size]\nmeasure = "largest"\nhalo = "factor"\nhalo_factor = 3\n[[grade]]'
    )
    (grade,) = grades_from_text(text + rules, where="own.toml")
    known, in_halo = spot(700, size=5.0), replace(spot(704, most=1.5), halo_mm=1.0)
    sheet = SheetToJudge(3000, 1500, 4, defects=(known, in_halo))
    assert judge(sheet, grade).outcome == "not_judged"
    bare = replace(sheet, defects=(known, replace(in_halo, halo_mm=None)))
    assert judge(bare, grade).outcome == "accept"


def test_what_is_not_all_at_its_maximum_is_kept_whatever_the_size() -> None:
    rules = (
        TWO_AND_TWO
        + """
[[grade.rule]]
name = "scratches"
shape = "classes"
clause = "3"
kinds = ["scratch"]
classes = [{ length = "[0, 10]", count = 1 }, { length = "(10, inf)", allow = "none" }]
[[grade.rule]]
name = "not all"
shape = "not together"
clause = "4"
"""
    )
    assert said(rules, spot(most=0.5), spot(900, most=0.5)).outcome == "accept"
    with_line = (spot(most=0.5), spot(900, most=0.5), line(5.0, 300))
    assert said(rules, *with_line).outcome == "not_judged"  # two small and a scratch are all at their maximum
    assert said(rules, spot(size=0.2), spot(900, size=0.4), line(5.0, 300)).outcome == "accept"


def test_a_sheet_that_is_rejected_anyway_is_not_asked_for_close_ups() -> None:
    verdict = said(TWO_AND_TWO, spot(most=0.7), spot(900, size=0.9))
    assert verdict.outcome == "reject"
    assert not [text for text in open_texts(verdict) if "close-up" in text]


def test_sizes_in_the_verdict_are_the_measured_ones() -> None:
    border = replace(spot(900, size=0.4), open_at_mm=((900, 700),))
    verdict = said(TWO_AND_TWO, spot(most=0.5), border, spot(1000, size=0.2))
    assert verdict.sizes == ((None, None), (0.4, 0.4), (0.2, 0.2))


ONE = line(300.0, path_mm=((700, 700), (1000, 700)))
TWO = (line(160.0, path_mm=((700, 700), (860, 700))), line(160.0, path_mm=((840, 700), (1000, 700))))


def test_one_scratch_or_two_is_judged_both_ways() -> None:
    rules = LINES.replace("60", "200").replace("100", "1000")
    says = "the places are good to 3 mm only"
    sheet = SheetToJudge(3000, 1500, 4, defects=TWO, readings=(Reading((ONE,), says, (0, 1)),))
    verdict = judge(sheet, grade_of(rules))
    assert verdict.outcome == "not_judged"
    reason = verdict.reasons[0]
    assert reason.says.startswith(
        f"{says}; as the finds are put together here the sheet would be accepted, the other way rejected"
    )
    assert reason.finds == (0, 1)
    lenient = grade_of(rules.replace("200", "400"))
    assert judge(sheet, lenient) == judge(replace(sheet, readings=()), lenient)
    swapped = SheetToJudge(3000, 1500, 4, defects=(ONE,), readings=(Reading(TWO, says, (0,)),))
    verdict = judge(swapped, grade_of(rules))
    assert verdict.outcome == "not_judged"
    assert any("not so in another reading of the finds" in r.says for r in verdict.reasons)


def test_a_reading_counts_in_pieces_and_in_what_would_help() -> None:
    grade = grade_of(LINES.replace("60", "200").replace("100", "1000"))
    sheet = SheetToJudge(3000, 1500, 4, defects=TWO, readings=(Reading((ONE,), "good to 3 mm only", (0, 1)),))
    what = advice(sheet, grade)
    assert what.without == (0, 1)
    piece = largest_piece(sheet, grade)
    assert piece is not None
    assert set(piece.kept).isdisjoint({0, 1})


def test_the_largest_piece_counts_an_unknown_size_at_its_worst_and_says_so() -> None:
    defects = tuple(spot(500 + 500 * i, most=0.5) for i in range(4))
    sheet = SheetToJudge(3000, 1500, 4, defects=defects)
    grade = grade_of(TWO_AND_TWO)
    piece = largest_piece(sheet, grade)
    assert piece is not None
    assert piece.proved
    assert len(piece.kept) == 2
    assert piece.words().endswith(
        "the sizes of defects 1, 2, 3 and 4 are not known: they count at their worst"
    )
    large = largest_piece(replace(sheet, defects=tuple(replace(d, length_mm=0.2) for d in defects)), grade)
    assert large is not None
    assert large.area_m2 == pytest.approx(piece.area_m2, rel=0.001)


def test_no_piece_is_cut_through_where_an_open_line_may_run() -> None:
    course = ((1400.0, 700.0), (1450.0, 700.0))
    scratch = DefectToJudge("scratch", 1400, 700, 50.0, 0.1, path_mm=course, open_at_mm=(course[1],))
    sheet = SheetToJudge(3000, 1500, 4, defects=(scratch,))
    piece = largest_piece(sheet, grade_of(LINES))
    assert piece is not None
    assert piece.area_m2 == pytest.approx(
        2.4, rel=0.01
    )  # above it; left of it would be 2.1, right of it 2.325


def test_advice_says_that_photos_may_be_enough() -> None:
    what = advice(SheetToJudge(3000, 1500, 4, defects=(spot(most=0.7),)), grade_of(TWO_AND_TWO))
    assert what.says[0] == "photos that show how large defect 1 is may be enough"
    assert what.without == (0,)


def test_a_lower_grade_takes_a_sheet_only_whatever_the_size() -> None:
    """Eschenfurt, mirror: a stone of 1 mm rejects. Window: below 0.5 mm not counted, 0.5 to 1 mm one for each
    m2; garden: under 1 mm in any number."""
    ladder = BOOK.ladder("eschenfurt-mirror")
    stone = DefectToJudge("stone", 2000, 300, 1.2)

    def decided(most: float, count: int) -> str:
        heap = [DefectToJudge("stone", 300 + 20 * i, 900, None, length_at_most_mm=most) for i in range(count)]
        sheet = SheetToJudge(3000, 1500, 4, defects=(stone, *heap))
        decision = judge_ladder(sheet, ladder[0], ladder)
        return decision.downgrade_to or decision.outcome

    assert decided(0.45, 9) == "eschenfurt-window"
    assert decided(0.55, 9) == "eschenfurt-garden"
    assert decided(7.0, 9) == "not_judged"


def test_pack_averages_count_from_least_to_most() -> None:
    """Eschenfurt window: 0.5 mm and more, one for each 20 m2 on average; here 27 m2 allow one."""
    grade = replace(BOOK.grade("eschenfurt-window"), smallest_class_mm=None)

    def pack(*defects: DefectToJudge) -> tuple[str, int, int, str]:
        sheets = [SheetToJudge(6000, 3000, 4, defects=defects), SheetToJudge(3000, 3000, 4)]
        verdict = judge_pack(sheets, grade)
        average = verdict.averages[0]
        return average.outcome, average.surely, average.counted, average.counted_words

    small = [spot(100 + 900 * i, most=0.62) for i in range(3)]
    assert pack(small[0]) == ("accept", 0, 1, "0 to 1")
    assert pack(*small[:2]) == ("not_judged", 0, 2, "0 to 2")
    assert pack(*[replace(d, length_at_most_mm=0.5) for d in small]) == ("accept", 0, 0, "0")
    assert pack(*[replace(d, length_mm=0.6) for d in small[:2]], small[2]) == ("reject", 2, 3, "2 to 3")
