"""The check of a grade that somebody writes."""

import pytest

from models.grades import load_sets
from models.grades.check import check_grade, oddities

HEAD = """
standard = "plant"
edition = "1"
version = "2026-11-25"
source = "made up for this test"
[[grade]]
id = "own"
title = "own"
[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
classes = [CLASSES]
[[grade.rule]]
name = "lines"
shape = "classes"
clause = "2"
kinds = ["linear"]
classes = [{ allow = "none" }]
"""


def check(*classes: str) -> list[str]:
    return check_grade(HEAD.replace("CLASSES", ", ".join(f"{{ {one} }}" for one in classes)))


def sized(*sizes: str) -> list[str]:
    return check(*(f'size = "{size}", count = 1' for size in sizes))


def test_classes_that_fill_the_line_are_fine() -> None:
    assert sized("[0, 0.5)", "[0.5, 1]", "(1, inf)") == []


@pytest.mark.parametrize(
    ("sizes", "says"),
    [
        (["[0, 1)", "(1, inf)"], "size exactly 1 mm is in no class"),
        (["[0, 1]", "[1, inf)"], "size exactly 1 mm is in two classes"),
        (["[0, 1)", "[2, inf)"], "size from 1 to under 2 mm is in no class"),
        (["[0, 1]", "(2, inf)"], "size over 1 up to 2 mm is in no class"),
        (["[0, 2]", "[1, inf)"], "size from 1 to 2 mm is in two classes"),
        (["[0, 1]", "(1, 3]"], "size over 3 mm is in no class"),
        (["[0, 1]", "(1, 3)"], "size from 3 mm is in no class"),
        (["[0.5, inf)"], "size from 0 to under 0.5 mm is in no class"),
    ],
)
def test_gaps_and_overlaps_are_said_in_sentences(sizes: list[str], says: str) -> None:
    (problem,) = sized(*sizes)
    assert problem.startswith("points: ")
    assert says in problem


def test_gaps_between_pane_areas_are_found_too() -> None:
    (problem,) = check(
        'size = "[0, inf)", by_area = [{ pane = "(0, 1]", count = 1 }, { pane = "[2, inf)", count = 2 }]'
    )
    assert "pane over 1 to under 2 m² is in no class" in problem


def test_classes_by_length_and_width_need_one_for_the_rest() -> None:
    assert any(
        "left over" in text
        for text in check('length = "[0, 30]", width = "[0, 1]", count = 2', 'size = "(0, inf)", count = 1')
    )
    assert check('length = "[0, 30]", width = "[0, 1]", count = 2', 'allow = "none"') == []


def test_a_kind_without_a_rule_is_named() -> None:
    text = HEAD.replace("CLASSES", '{ allow = "none" }').replace('kinds = ["point"]', 'kinds = ["bubble"]')
    assert check_grade(text) == ["no rule is about a stone: a sheet with one will not be judged"]


def test_a_text_that_is_no_grade_gives_one_sentence() -> None:
    (problem,) = check_grade("standard = 1", where="own.toml")
    assert problem == "own.toml: standard: expected a text, got 1"


def test_the_holes_of_the_published_tables_are_found() -> None:
    book = load_sets()
    assert oddities(book.grade("jis-r-3202-2011")) == []
    assert any("exactly 2 mm" in text for text in oddities(book.grade("en-1096-1")))
    assert any("length exactly 76.2 mm" in text for text in oddities(book.grade("astm-c1036-q3")))
    assert any("0.5 to under 0.8" in text for text in oddities(book.grade("mirror-glazing-quality")))
    for name in ("eschenfurt-mirror", "eschenfurt-window", "eschenfurt-garden"):
        assert oddities(book.grade(name)) == []
