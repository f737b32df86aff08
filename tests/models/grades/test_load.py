"""Grade files: what is wrong is said in one line with file and key."""

from pathlib import Path

import pytest

from models.grades import BadGrade, NoSuchGrade, SheetToJudge, grades_from_text, judge, load_sets

GOOD = """
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
classes = [{ size = "[0, 1)", allow = "unlimited" }, { size = "[1, inf)", per_m2 = 0.5 }]
"""

WRONG = [
    ('standard = "plant"', "", "own.toml: standard: expected a text, got nothing"),
    ('id = "own"', 'id = "Own One"', "own.toml: grade[0].id: expected small letters"),
    ('title = "own"', "", "own.toml: grade[0].title: expected a text, got nothing"),
    ('clause = "1"', "", "own.toml: grade[0].rule[0].clause: expected a text"),
    ('shape = "classes"', 'shape = "circle"', "own.toml: grade[0].rule[0].shape: expected one of classes"),
    ('["point"]', '["blob"]', "own.toml: grade[0].rule[0].kinds: expected kinds such as"),
    ('["point"]', '"point"', "own.toml: grade[0].rule[0].kinds: expected a list of texts"),
    ('"[0, 1)"', '"0 to 1"', "classes[0].size: expected an interval such as"),
    ('"[0, 1)"', '"[1, 0)"', "classes[0].size: the interval '[1, 0)' holds no number"),
    ("per_m2 = 0.5", "per_m2 = -0.5", "classes[1].per_m2: expected a number that is not negative"),
    ("per_m2 = 0.5", 'per_m2 = "0.5"', "classes[1].per_m2: expected a number"),
    ("per_m2 = 0.5", "per_m2 = 0.5, count = 2", "expected exactly one of allow, count"),
    ("per_m2 = 0.5", "per_square = 0.5", "expected exactly one of allow, count"),
    ("per_m2 = 0.5", "count = 1.5", "classes[1].count: expected a whole number"),
    ('allow = "unlimited"', 'allow = "some"', "classes[0].allow: expected one of unlimited"),
    (
        'kinds = ["point"]',
        'kinds = ["point"]\nzones = ["middle"]',
        "rule[0].zones: expected zones of this grade",
    ),
    ('kinds = ["point"]', 'kinds = ["point"]\nkindz = 1', "rule[0].kindz: no such key"),
    ('kinds = ["point"]', 'kinds = ["point"]\nproduct = "down"', "rule[0].product: expected one of none"),
    ('title = "own"', 'title = "own"\nuses = ["loan"]', "grade[0].uses: expected stock, cut_size or both"),
    ('version = "2026-11-25"', 'version = "2026-11-25"\nladder = ["x"]', "ladder: expected ids of grades"),
    (
        'version = "2026-11-25"',
        'version = "2026-11-25"\nremembered = 1',
        "remembered: expected true or false",
    ),
    ("[[grade]]", "[grade]", "own.toml: grade: expected a list of tables"),
    ("[[grade.rule]]", "[[grade.rulez]]", "grade[0].rule: expected at least one rule"),
    ('edition = "1"', 'edition = "1', "own.toml: not a TOML file"),
]


def test_a_good_file_is_a_grade() -> None:
    (grade,) = grades_from_text(GOOD, where="own.toml", plant=True)
    assert (grade.id, grade.version, grade.plant, grade.smallest_class_mm) == ("own", "2026-11-25", True, 1.0)
    assert len(grade.sha256) == 64


@pytest.mark.parametrize(("old", "new", "message"), WRONG)
def test_what_is_wrong_is_said_in_one_line_with_file_and_key(old: str, new: str, message: str) -> None:
    assert old in GOOD
    with pytest.raises(BadGrade) as caught:
        grades_from_text(GOOD.replace(old, new, 1), where="own.toml")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_same_id_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(GOOD)
    (tmp_path / "b.toml").write_text(GOOD)
    with pytest.raises(BadGrade, match=r"b\.toml: grade 'own' is already in another file"):
        load_sets(tmp_path)


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadGrade, match=r"a\.toml: cannot be read as text"):
        load_sets(tmp_path)


def test_a_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadGrade, match="expected a folder of grade files"):
        load_sets(tmp_path / "nowhere")


def test_a_grade_that_is_not_there_is_answered_with_those_that_are() -> None:
    with pytest.raises(NoSuchGrade, match=r"no grade is called 'x'; there are .*jis-r-3202-2011"):
        load_sets().grade("x")


def test_every_set_names_source_edition_and_clauses() -> None:
    book = load_sets()
    for name in book.ids():
        grade = book.grade(name)
        assert grade.source
        assert grade.edition
        assert grade.version
        assert all(rule.origin.clause and rule.origin.source for rule in grade.rules)
        names = [rule.origin.name for rule in grade.rules]
        assert len(names) == len(set(names))
        assert all(rule.words() for rule in grade.rules)
        assert "memory" in grade.source or not grade.remembered
        assert grade.remembered or grade.places_read or grade.standard == "Eschenfurt plant grades"
        if grade.places_read == 1:
            notes = judge(SheetToJudge(1000, 1000, 3, grade.uses[0]), grade).notes
            assert any("read in one place only" in note for note in notes)


def test_a_confirmed_book_lets_a_remembered_grade_decide() -> None:
    book = load_sets()
    assert not book.grade("iso-12543-6").may_decide
    confirmed = book.with_confirmations({"iso-12543-6": "Ilse Varnhagen"})
    assert confirmed.grade("iso-12543-6").may_decide
    assert not book.grade("iso-12543-6").may_decide


def test_a_plant_grade_takes_the_place_of_one_of_the_same_id() -> None:
    book = load_sets()
    own = grades_from_text(GOOD.replace('"own"', '"eschenfurt-window"'), where="own.toml", plant=True)
    assert book.with_grades(own).grade("eschenfurt-window").plant
