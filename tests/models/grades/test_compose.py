"""Grade files made from plain answers."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import BadGrade, DefectToJudge, SheetToJudge, grades_from_text, judge
from models.grades.check import check_grade
from models.grades.compose import ClassAnswer, GradeAnswers, TableAnswer, compose

D = Decimal
POINTS = TableAnswer(
    "points",
    ("point",),
    (
        ClassAnswer(D("0.5"), False, "not counted"),
        ClassAnswer(D("1.0"), True, "per_m2", D("0.5")),
        ClassAnswer(D("2.0"), True, "count", D(1)),
        ClassAnswer(None, False, "none"),
    ),
)
PLAIN = GradeAnswers("own", 'Own "best" grade', "2026-11-25", "agreed", D(1000), "floor", (POINTS,))
FULL = replace(
    PLAIN,
    crowd=(3, D("0.5"), D(200)),
    spacing=(D(1), D(300)),
    lines=(D(30), D("0.1"), 2),
    edge_strip_mm=D(20),
)


def outcome(answers: GradeAnswers, *defects: DefectToJudge) -> str:
    (grade,) = grades_from_text(compose(answers), where="composed", plant=True)
    return judge(SheetToJudge(2000, 1000, 4, defects=defects), grade).outcome


@pytest.mark.parametrize("answers", [FULL, replace(FULL, edge_strip_mm=None)])
def test_what_is_composed_has_no_gaps(answers: GradeAnswers) -> None:
    assert check_grade(compose(answers)) == []


@pytest.mark.parametrize(
    ("size", "expected"),
    [(0.49, "accept"), (0.5, "accept"), (1.0, "accept"), (1.01, "accept"), (2.0, "accept"), (2.01, "reject")],
)
def test_the_ends_fall_where_the_answers_put_them(size: float, expected: str) -> None:
    assert outcome(PLAIN, DefectToJudge("bubble", 500, 500, size)) == expected


def test_ends_decide_between_two_classes() -> None:
    one, two = DefectToJudge("stone", 100, 100, 1.0), DefectToJudge("stone", 900, 900, 1.01)
    assert outcome(PLAIN, one, two) == "accept"  # one of each class
    assert outcome(PLAIN, two, replace(two, x_mm=1500)) == "reject"  # one in a pane of the second
    assert outcome(PLAIN, one, replace(one, x_mm=1500)) == "reject"  # 0.5 x 2 m2 is one of the first


def test_the_other_rules_count_too() -> None:
    assert outcome(FULL, DefectToJudge("scratch", 500, 500, 30, 0.1)) == "accept"
    assert outcome(FULL, DefectToJudge("scratch", 500, 500, 31, 0.1)) == "reject"
    assert outcome(FULL, DefectToJudge("scratch", 5, 500, 31, 0.1)) == "accept"  # in the strip
    assert outcome(FULL, DefectToJudge("crack", 500, 500, 10)) == "reject"
    crowd = [DefectToJudge("bubble", 500 + 10 * i, 500, 0.6) for i in range(4)]
    assert outcome(replace(FULL, spacing=None), *crowd) == "reject"


@pytest.mark.parametrize(
    ("classes", "message"),
    [
        (
            (ClassAnswer(None, False, "none"), ClassAnswer(None, False, "none")),
            "class 1: expected a size up to",
        ),
        ((ClassAnswer(D(1), True, "none"),), "class 1: expected a size up to which it reaches"),
        (
            (
                ClassAnswer(D(2), True, "none"),
                ClassAnswer(D(1), True, "none"),
                ClassAnswer(None, False, "none"),
            ),
            "class 2: expected a size above 2 mm, got 1 mm",
        ),
        ((ClassAnswer(None, False, "count"),), "class 1: expected a number above 0"),
        ((ClassAnswer(None, False, "count", D("1.5")),), "class 1: expected a whole number"),
        ((ClassAnswer(None, False, "some"),), "class 1: expected one of not counted"),
    ],
)
def test_answers_that_make_no_class_are_named(classes: tuple[ClassAnswer, ...], message: str) -> None:
    with pytest.raises(BadGrade, match=message):
        compose(replace(PLAIN, tables=(replace(POINTS, classes=classes),)))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(1, 500), min_size=0, max_size=5, unique=True),
    st.lists(st.booleans(), min_size=6, max_size=6),
    st.text(min_size=1, max_size=40),
)
def test_any_rising_sizes_make_a_sound_table(ends: list[int], takes: list[bool], title: str) -> None:
    classes = [
        ClassAnswer(D(end) / 100, take, "count", D(2)) for end, take in zip(sorted(ends), takes, strict=False)
    ]
    table = replace(POINTS, classes=(*classes, ClassAnswer(None, False, "none")))
    answers = replace(PLAIN, title="t" + title.encode("utf-8", "ignore").decode(), tables=(table,))
    assert check_grade(compose(answers)) == [
        "no rule is about a scratch: a sheet with one will not be judged"
    ]
