"""What the list of grades and the page of one grade show."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.grades import Grade, GradeBook
from models.grades.check import oddities
from models.records import GradeConfirmation, Line, Pack, PlantGrade, User


@dataclass(frozen=True, slots=True)
class GradeRow:
    """One grade in the list."""

    id: str
    title: str
    edition: str
    version: str
    viewing: str
    smallest: str
    state: str
    may_decide: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Some grades under one heading, those of one standard best first."""

    name: str
    rows: tuple[GradeRow, ...]


@dataclass(frozen=True, slots=True)
class RuleText:
    """One rule in words. `source` only where it is not the grade's; `doubt` where it may not reject."""

    name: str
    clause: str
    when: str
    says: tuple[str, ...]
    source: str
    doubt: str


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Who confirmed a remembered table, and when."""

    name: str
    at: object
    note: str


@dataclass(frozen=True, slots=True)
class GradePage:
    """Everything the page of one grade shows."""

    grade: Grade
    facts: tuple[tuple[str, str], ...]
    rules: tuple[RuleText, ...]
    averages: tuple[RuleText, ...]
    build: tuple[str, ...]
    oddities: tuple[str, ...]
    ladder: tuple[tuple[str, str, bool], ...]
    confirmation: Confirmation | None
    versions: tuple[PlantGrade, ...]


_USE_WORDS = {"stock": "stock sizes", "cut_size": "cut sizes"}


def index_page(session: Session, book: GradeBook) -> tuple[Group, ...]:
    """All grades: those that this plant makes or wrote first, then the standards in order of name."""
    made = set(session.scalars(select(Line.grade_id).where(Line.grade_id.is_not(None)).distinct()))
    made |= set(session.scalars(select(Pack.grade_id).where(Pack.grade_id.is_not(None)).distinct()))
    grades = [book.grade(name) for name in book.ids()]
    at_home = {step for grade in grades if grade.id in made for step in (grade.id, *grade.ladder)}
    here = [grade for grade in grades if grade.plant or grade.id in at_home]
    others = [grade for grade in grades if grade not in here]
    groups = (("Made at this plant", here), ("Other grades at hand", others))
    return tuple(Group(name, tuple(_row(grade) for grade in _best_first(some))) for name, some in groups)


def grade_page(session: Session, book: GradeBook, program: GradeBook, grade_id: str) -> GradePage:
    """One grade in words. Raises NoSuchGrade."""
    grade = book.grade(grade_id)
    rules = tuple(
        RuleText(
            rule.origin.name, rule.origin.clause, rule.when.words(), tuple(rule.words()),
            "" if rule.origin.source == grade.source else rule.origin.source,
            rule.origin.doubt if rule.origin.remembered and not grade.remembered else "",
        )
        for rule in grade.rules
    )  # fmt: skip
    averages = tuple(
        RuleText(one.name, one.clause, "over the pack", (one.words(),), "", "") for one in grade.averages
    )
    ladder = tuple((step, book.grade(step).title, step == grade_id) for step in grade.ladder)
    versions = session.scalars(
        select(PlantGrade).where(PlantGrade.grade_id == grade_id).order_by(PlantGrade.id.desc())
    ).all()
    return GradePage(
        grade, _facts(grade), rules, averages, tuple(grade.modifiers.words()), tuple(oddities(grade)), ladder,
        _confirmation(session, grade), () if grade_id in program.ids() else tuple(versions),
    )  # fmt: skip


def _best_first(grades: list[Grade]) -> list[Grade]:
    return sorted(
        grades,
        key=lambda g: (g.standard.lower(), g.edition, g.ladder.index(g.id) if g.id in g.ladder else 0, g.id),
    )


def _row(grade: Grade) -> GradeRow:
    if not grade.remembered:
        state = "may decide"
    elif grade.confirmed_by:
        state = f"from memory, confirmed by {grade.confirmed_by}"
    else:
        state = "from memory, not confirmed: decides nothing"
    return GradeRow(
        grade.id,
        grade.title,
        grade.edition,
        grade.version,
        grade.viewing.words(),
        _smallest(grade),
        state,
        grade.may_decide,
    )


def _smallest(grade: Grade) -> str:
    """The size that photos must reach, in two figures: what inches come out at is no finer than that."""
    size = grade.smallest_class_mm
    return "" if size is None else f"{size:.2g} mm"


def _facts(grade: Grade) -> tuple[tuple[str, str], ...]:
    thickness = ""
    if grade.thickness is not None:
        thickness = grade.thickness.words()
    elif grade.thicknesses:
        thickness = ", ".join(str(t) for t in grade.thicknesses) + " mm"
    view = grade.viewing
    facts = (
        ("Standard", grade.standard),
        ("Edition", grade.edition),
        ("Rule set of", grade.version),
        ("Source", grade.source),
        ("Read in", {0: "", 1: "one place only"}.get(grade.places_read, f"{grade.places_read} places")),
        ("Look from", "" if view.distance_mm is None else f"{view.distance_mm / 1000:g} m"),
        ("Angle to the normal", "" if view.angle_deg is None else f"{view.angle_deg:g}° at most"),
        ("Light", view.light),
        ("Background", view.background),
        ("Time", view.time),
        ("How", view.text),
        ("Size of a fault", grade.sizing.words()),
        ("Area", "" if grade.area_decimals is None else
         f"kept to {grade.area_decimals} decimals, rounded {grade.area_rounding.replace('_', ' ')}"),
        ("Zones", grade.zones_words),
        ("Thickness", thickness),
        ("For", " and ".join(_USE_WORDS[use] for use in grade.uses)),
        ("Photos must size from", _smallest(grade)),
    )  # fmt: skip
    return tuple((name, text) for name, text in facts if text)


def _confirmation(session: Session, grade: Grade) -> Confirmation | None:
    if not grade.remembered:
        return None
    found = session.execute(
        select(User.full_name, GradeConfirmation.confirmed_at, GradeConfirmation.note)
        .join(User, User.id == GradeConfirmation.confirmed_by)
        .where(GradeConfirmation.grade_id == grade.id, GradeConfirmation.rule_set_sha256 == grade.sha256)
        .order_by(GradeConfirmation.id)
    ).first()
    return None if found is None else Confirmation(found[0], found[1], found[2] or "")
