"""What stands in the field when somebody begins to write a plant grade."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.grades import Grade, GradeBook
from models.grades.load import source_text
from models.records import PlantGrade

EXAMPLE = """\
# A grade of this plant. Lines that begin with # are remarks.
standard = "{standard}"
edition = "1"
version = "{today}"
source = "agreed with the customer, see contract"

[viewing]
distance_mm = 1000
light = "booth lamps"
background = "matt black"

[area]
decimals = 2
rounding = "half_even"

[[grade]]
id = "own-grade"
title = "Own grade"

[[grade.rule]]
name = "points"
shape = "classes"
clause = "1"
kinds = ["point"]
product = "floor"
classes = [
    {{ size = "[0, 0.5)", allow = "not counted" }},
    {{ size = "[0.5, 1.0)", per_m2 = 1.0 }},
    {{ size = "[1.0, 2.0)", count = 1 }},
    {{ size = "[2.0, inf)", allow = "none" }},
]

[[grade.rule]]
name = "crowding of points"
shape = "cluster"
clause = "2"
kinds = ["point"]
size = "[0.5, inf)"
most = 3
circle_mm = 200

[[grade.rule]]
name = "scratches"
shape = "classes"
clause = "3"
kinds = ["linear"]
classes = [
    {{ length = "[0, 30]", width = "[0, 0.1]", count = 2 }},
    {{ allow = "none" }},
]
"""


@dataclass(frozen=True, slots=True)
class Checked:
    """A text that was looked at: `problem` where it is no grade, else what is odd about it."""

    problem: str
    odd: tuple[str, ...]
    grades: tuple[Grade, ...]


def draft_of(session: Session, book: GradeBook, grade_id: str | None) -> str:
    """The text to begin with: an example, the last version of a plant grade, or a copy of another grade's
    file.

    A copy keeps its ids, which the program does not let go: they must be changed before it can be kept.
    Raises NoSuchGrade.
    """
    today = f"{utc_now():%Y-%m-%d}"
    if grade_id is None:
        return EXAMPLE.format(today=today, standard="plant grades")
    last = session.scalars(
        select(PlantGrade).where(PlantGrade.grade_id == grade_id).order_by(PlantGrade.id.desc()).limit(1)
    ).one_or_none()
    if last is not None:
        return last.toml
    return source_text(book.grade(grade_id)) or EXAMPLE.format(today=today, standard="plant grades")
