"""The grades in force: the program's, the plant's own, and what was confirmed by name."""

from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import grade_books
from models.errors import BadValue, NotAllowedNow
from models.grades import BadGrade, GradeBook, NoSuchGrade, load_sets
from models.grades.load import SETS
from models.records import AuditEntry, PlantGrade
from tests.factories import make_user

OWN = Path(SETS / "eschenfurt.toml").read_text(encoding="utf-8").replace("eschenfurt-", "own-")


@pytest.fixture(scope="module")
def book() -> GradeBook:
    return load_sets()


@pytest.fixture
def user(session: Session) -> int:
    return make_user(session, full_name="Ilse Varnhagen", role="quality_lead").id


def remembered(book: GradeBook) -> str:
    return next(grade_id for grade_id in book.ids() if book.grade(grade_id).remembered)


def test_a_confirmed_table_decides_and_says_who_confirmed_it(session: Session, book: GradeBook, user: int):
    grade_id = remembered(book)
    assert not grade_books.plant_book(session, book).grade(grade_id).may_decide
    grade_books.confirm_grade(session, book, grade_id, user, "bought copy, page 12")
    grade = grade_books.plant_book(session, book).grade(grade_id)
    assert (grade.may_decide, grade.confirmed_by) == (True, "Ilse Varnhagen")
    with pytest.raises(NotAllowedNow, match="is confirmed already"):
        grade_books.confirm_grade(session, book, grade_id, user)


def test_a_confirmation_holds_for_that_very_text_only(session: Session, book: GradeBook, user: int):
    from dataclasses import replace

    grade_id = remembered(book)
    grade_books.confirm_grade(session, book, grade_id, user)
    changed = book.with_grades([replace(book.grade(grade_id), sha256="0" * 64)])
    assert not grade_books.plant_book(session, changed).grade(grade_id).may_decide


def test_what_was_read_in_print_needs_no_confirmation(session: Session, book: GradeBook, user: int):
    with pytest.raises(NotAllowedNow, match="there is nothing to confirm"):
        grade_books.confirm_grade(session, book, "eschenfurt-window", user)
    with pytest.raises(NoSuchGrade, match="no grade is called 'nothing'"):
        grade_books.confirm_grade(session, book, "nothing", user)


def test_a_plants_own_grades_join_the_book_and_keep_their_versions(
    session: Session, book: GradeBook, user: int
):
    first = grade_books.save_plant_grade(session, book, OWN, user)
    assert grade_books.plant_book(session, book).grade("own-window").plant
    with pytest.raises(BadValue, match=f"version {first.version} is kept already"):
        grade_books.save_plant_grade(session, book, OWN, user)
    newer = OWN.replace(f'version = "{first.version}"', 'version = "2099-01-01"')
    grade_books.save_plant_grade(session, book, newer, user)
    assert grade_books.plant_book(session, book).grade("own-window").version == "2099-01-01"
    assert session.scalar(select(func.count()).select_from(PlantGrade)) == 2
    assert grade_books.text_of(session, first.sha256) == OWN
    grade_books.retire_plant_grade(session, first.grade_id, user)
    assert "own-window" not in grade_books.plant_book(session, book).ids()
    with pytest.raises(NotAllowedNow, match="no such grade of the plant's own is in use"):
        grade_books.retire_plant_grade(session, first.grade_id, user)
    actions = list(session.scalars(select(AuditEntry.action).order_by(AuditEntry.id)))
    assert actions[1:] == ["grade.save", "grade.save", "grade.retire"]


def test_ids_of_the_program_and_of_other_files_cannot_be_taken(session: Session, book: GradeBook, user: int):
    text = Path(SETS / "eschenfurt.toml").read_text(encoding="utf-8")
    with pytest.raises(BadValue, match=r"the id belongs to the program; choose another"):
        grade_books.save_plant_grade(session, book, text, user)
    grade_books.save_plant_grade(session, book, OWN, user)
    other = OWN.replace("own-mirror", "other-mirror", 2)
    with pytest.raises(
        BadValue, match=r"plant grade own-(window|mirror|garden): the id belongs to plant grade"
    ):
        grade_books.save_plant_grade(session, book, other, user)


def test_a_text_that_is_no_grade_is_refused_and_not_kept(session: Session, book: GradeBook, user: int):
    for text in ("", "not toml at all [", "standard = 3", OWN[:500]):
        with pytest.raises(BadGrade, match="plant grade"):
            grade_books.save_plant_grade(session, book, text, user)
    assert session.scalar(select(func.count()).select_from(PlantGrade)) == 0
