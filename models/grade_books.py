"""The grades in force at this plant: those that come with the program, what the plant confirmed, and its own.

Grade files that come with the program are never changed. A plant adds grades of its own as texts, each
change a new version; and it confirms remembered tables by name, each for the very text confirmed.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NotAllowedNow
from models.grades import Grade, GradeBook, grades_from_text
from models.records import GradeConfirmation, PlantGrade, User


def plant_book(session: Session, book: GradeBook) -> GradeBook:
    """The program's grades with the plant's own, and with what was confirmed by name."""
    texts = session.scalars(select(PlantGrade).where(PlantGrade.current).order_by(PlantGrade.id))
    own = [
        grade
        for row in texts
        for grade in grades_from_text(row.toml, where=f"plant grade {row.grade_id}", plant=True)
    ]
    if own:
        book = book.with_grades(own)
    rows = session.execute(
        select(GradeConfirmation.grade_id, GradeConfirmation.rule_set_sha256, User.full_name)
        .join(User, User.id == GradeConfirmation.confirmed_by)
        .order_by(GradeConfirmation.id)
    )
    names = {
        grade_id: name
        for grade_id, sha256, name in rows
        if grade_id in book.ids() and book.grade(grade_id).sha256 == sha256
    }
    return book.with_confirmations(names) if names else book


def confirm_grade(
    session: Session, book: GradeBook, grade_id: str, user_id: int, note: str | None = None
) -> GradeConfirmation:
    """Record that this person compared a remembered grade with the printed standard and stands by it.

    Raises NoSuchGrade; NotAllowedNow for a grade that was not remembered or is confirmed already.
    """
    grade = book.grade(grade_id)
    if not grade.remembered:
        raise NotAllowedNow(
            f"grade {grade_id}: its numbers were read in the source; there is nothing to confirm"
        )
    known = select(GradeConfirmation).where(
        GradeConfirmation.grade_id == grade_id, GradeConfirmation.rule_set_sha256 == grade.sha256
    )
    if session.scalars(known).one_or_none() is not None:
        raise NotAllowedNow(f"grade {grade_id}: is confirmed already")
    row = GradeConfirmation(
        grade_id=grade_id,
        rule_set_sha256=grade.sha256,
        confirmed_by=user_id,
        confirmed_at=utc_now(),
        note=(note or "").strip()[:4000] or None,
    )
    session.add(row)
    session.flush()
    audit.append(
        session, "grade.confirm", "grade_confirmation", row.id, user_id=user_id,
        details={"grade": grade_id, "rule_set_sha256": grade.sha256, "note": row.note},
    )  # fmt: skip
    return row


def save_plant_grade(session: Session, book: GradeBook, toml: str, user_id: int | None) -> PlantGrade:
    """Keep a grade file of the plant's own, or a new version of one; earlier versions stay.

    book : the program's grades, whose ids cannot be taken. The file goes by the id of its first grade.
    Raises BadGrade for a text that is no grade file, BadValue for an id or version that is taken.
    """
    grades = grades_from_text(toml, where="plant grade", plant=True)
    first = grades[0]
    _refuse_taken_ids(session, book, first.id, grades)
    before = session.scalars(
        select(PlantGrade)
        .where(PlantGrade.grade_id == first.id, PlantGrade.current)
        .with_for_update(key_share=True)
    ).one_or_none()
    versions = set(session.scalars(select(PlantGrade.version).where(PlantGrade.grade_id == first.id)))
    if first.version in versions:
        raise BadValue(
            f"plant grade {first.id}: version {first.version} is kept already; give the change its own"
        )
    if before is not None:
        before.current = False
    row = PlantGrade(
        grade_id=first.id,
        version=first.version,
        toml=toml,
        sha256=first.sha256,
        written_by=user_id,
        written_at=utc_now(),
        current=True,
    )
    session.add(row)
    session.flush()
    audit.append(
        session, "grade.save", "plant_grade", row.id, user_id=user_id,
        details={"grade": first.id, "version": first.version, "rule_set_sha256": first.sha256},
    )  # fmt: skip
    return row


def retire_plant_grade(session: Session, grade_id: str, user_id: int | None) -> PlantGrade:
    """Take a plant's own grade file out of use for new verdicts; it stays for the old ones."""
    query = (
        select(PlantGrade)
        .where(PlantGrade.grade_id == grade_id, PlantGrade.current)
        .with_for_update(key_share=True)
    )
    row = session.scalars(query).one_or_none()
    if row is None:
        raise NotAllowedNow(f"plant grade {grade_id}: no such grade of the plant's own is in use")
    row.current = False
    audit.append(session, "grade.retire", "plant_grade", row.id, user_id=user_id, details={"grade": grade_id})
    return row


def text_of(session: Session, sha256: str) -> str | None:
    """The text of a plant's own grade file as a verdict used it, by its hash."""
    return session.scalars(select(PlantGrade.toml).where(PlantGrade.sha256 == sha256).limit(1)).one_or_none()


def _refuse_taken_ids(session: Session, book: GradeBook, first_id: str, grades: tuple[Grade, ...]) -> None:
    others = select(PlantGrade).where(PlantGrade.current, PlantGrade.grade_id != first_id)
    taken = {grade_id: "the program" for grade_id in book.ids() if not book.grade(grade_id).plant}
    for row in session.scalars(others):
        for grade in grades_from_text(row.toml, where=f"plant grade {row.grade_id}", plant=True):
            taken[grade.id] = f"plant grade {row.grade_id}"
    for grade in grades:
        if grade.id in taken:
            raise BadValue(f"plant grade {grade.id}: the id belongs to {taken[grade.id]}; choose another")
