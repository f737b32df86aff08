"""What would make a sheet pass."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, SheetToJudge, judge, load_sets
from models.grades.advice import MOST_BLOCKING, advice, blocking_faults, other_sides

BOOK = load_sets()
JIS, MIRROR = BOOK.grade("jis-r-3202-2011"), BOOK.grade("eschenfurt-mirror")

faults = st.builds(
    lambda kind, x, y, size: DefectToJudge(kind, x, y, size, 0.1, detection_distance_mm=1500),
    st.sampled_from(["bubble", "stone", "scratch"]), st.integers(0, 2000), st.integers(0, 1500),
    st.sampled_from([0.2, 0.4, 0.6, 0.9, 1.2, 2.5, 4.0, 25.0, 90.0]),
)  # fmt: skip


def sheet_of(*defects: DefectToJudge) -> SheetToJudge:
    return SheetToJudge(2000, 1500, 4, defects=defects)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(faults, max_size=15), st.sampled_from(["jis-r-3202-2011", "eschenfurt-mirror", "en-1096-1"]))
def test_without_the_blocking_faults_the_sheet_passes_and_each_of_them_blocks(
    defects: list[DefectToJudge], name: str
) -> None:
    sheet, grade = sheet_of(*defects), BOOK.grade(name)
    blocking = blocking_faults(sheet, grade)
    assert blocking is not None

    def outcome(gone: set[int]) -> str:
        rest = tuple(d for i, d in enumerate(defects) if i not in gone)
        return judge(replace(sheet, defects=rest), grade).outcome

    assert outcome(set(blocking)) == "accept"
    for fault in blocking:
        assert outcome(set(blocking) - {fault}) != "accept"


def test_a_stone_too_large_is_named_with_the_piece_beside_it() -> None:
    what = advice(sheet_of(DefectToJudge("stone", 500, 700, 4.0), DefectToJudge("bubble", 50, 50, 0.6)), JIS)
    assert what.without == (0,)
    assert what.piece is not None
    assert what.piece.left_out == (0, 1)
    assert what.says[0] == "without defect 1 the whole sheet would meet the grade"
    assert "74 % of the sheet" in what.says[1]


def test_names_given_by_the_caller_are_used() -> None:
    what = advice(sheet_of(DefectToJudge("stone", 500, 700, 4.0, name="S4")), JIS)
    assert "without defect S4" in what.says[0]


def test_a_sheet_strewn_with_stones_is_not_listed_stone_by_stone() -> None:
    strewn = [DefectToJudge("stone", 20 + 45 * i, 700, 4.0) for i in range(MOST_BLOCKING + 1)]
    assert blocking_faults(sheet_of(*strewn[:-1]), JIS) == tuple(range(MOST_BLOCKING))
    assert blocking_faults(sheet_of(*strewn), JIS) is None
    assert advice(sheet_of(*strewn), JIS).piece is not None


def test_two_pairs_too_close_share_one_fault() -> None:
    row = [DefectToJudge("bubble", x, 700, 2.0) for x in (300, 700, 1100)]
    assert blocking_faults(sheet_of(*row), BOOK.grade("astm-c1036-q3")) == (1,)


@pytest.mark.parametrize(
    ("kind", "length", "width", "sd", "outcomes"),
    [
        ("bubble", 2.98, None, 0.05, ("reject",)),  # 3.0 is not allowed
        ("bubble", 3.02, None, 0.05, ("accept",)),
        ("bubble", 1.02, None, 0.05, ()),  # one class or the next: one is allowed in both
    ],
)
def test_a_close_call_says_what_hangs_on_it(
    kind: str, length: float, width: float | None, sd: float, outcomes: tuple[str, ...]
) -> None:
    sheet = SheetToJudge(
        3210, 6000, 4, defects=(DefectToJudge(kind, 500, 500, length, width, length_sd_mm=sd),)
    )
    verdict = judge(sheet, JIS)
    (side,) = other_sides(sheet, JIS, verdict)
    assert side.outcomes == outcomes
    assert ("same on the other side" in side.words()) == (not outcomes)


def test_a_close_call_over_a_mean_size_moves_the_mean() -> None:
    spot = DefectToJudge("bubble", 500, 500, 3.0, 1.75, length_sd_mm=0.05, width_sd_mm=0.05)  # mean 2.375
    sheet, grade = sheet_of(spot), BOOK.grade("astm-c1036-q3")
    verdict = judge(sheet, grade)
    assert verdict.outcome == "accept"
    assert [side.outcomes for side in other_sides(sheet, grade, verdict)] == [("reject",)]


def test_a_sheet_that_passes_needs_no_advice() -> None:
    assert advice(sheet_of(), JIS).says == ()


def test_a_distortion_found_is_not_cut_away() -> None:
    sheet = SheetToJudge(1000, 1000, 3, optical_angle_deg=30)
    what = advice(sheet, BOOK.grade("gb-11614-1999-mirror"))
    assert what.without is None
    assert what.piece is None
    assert what.says == ("no piece of useful size meets the grade",)


def test_a_question_left_open_is_named() -> None:
    spots = (DefectToJudge("pinhole", 1000, 700, 1.0), DefectToJudge("pinhole", 1100, 700, 1.0))
    what = advice(sheet_of(*spots), BOOK.grade("en-1096-1"))
    assert what.open_questions == ("clusters",)
    assert "answers are missing: clusters" in what.says
