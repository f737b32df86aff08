"""What the list of packs and the page of one pack show."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from models import inspections
from models.errors import NoSuchRecord
from models.grade_trial import sheet_as_judged
from models.grades import Grade, GradeBook, SheetToJudge
from models.grades.pack import PackVerdict, judge_pack
from models.records import Customer, Pack, Sheet

MOST_LISTED = 60


@dataclass(frozen=True, slots=True)
class PackRow:
    """One pack in the list."""

    id: int
    label: str
    customer: str
    grade_id: str
    sheets: int
    shipped: object


@dataclass(frozen=True, slots=True)
class PacksPage:
    """The packs found; `more` says that there are others."""

    text: str
    rows: tuple[PackRow, ...]
    more: bool


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One sheet of a pack: its verdict by the pack's grade, its faults in each averaged class."""

    id: int
    label: str
    outcome: str
    why: str
    faults: int
    counts: tuple[int, ...]
    hold_back: bool


@dataclass(frozen=True, slots=True)
class PackPage:
    """Everything the page of a pack shows. `unseen` are labels of sheets that nobody inspected.

    `grade` is None where none is named (or the one ordered is out of use), `verdict` also where no sheet
    has been looked at.
    """

    pack: Pack
    customer: str
    grade: Grade | None
    grades: tuple[tuple[str, str], ...]
    verdict: PackVerdict | None
    sheets: tuple[tuple[int, str], ...]
    rows: tuple[SheetRow, ...]
    unseen: tuple[str, ...]
    hold_back: tuple[str, ...]


def packs_page(session: Session, text: str) -> PacksPage:
    """Packs whose label or customer holds the text, those still in the yard first."""
    query = (
        select(Pack, Customer.name, func.count(Sheet.id))
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Sheet, Sheet.pack_id == Pack.id)
        .group_by(Pack.id, Customer.name)
        .order_by(Pack.shipped_at.is_not(None), Pack.id.desc())
        .limit(MOST_LISTED + 1)
    )
    wanted = text.strip()[:80]
    if wanted:
        query = query.where(
            or_(
                Pack.label.icontains(wanted, autoescape=True),
                Customer.name.icontains(wanted, autoescape=True),
            )
        )
    found = session.execute(query).all()
    rows = tuple(
        PackRow(pack.id, pack.label, customer or "", pack.grade_id or "", count, pack.shipped_at)
        for pack, customer, count in found[:MOST_LISTED]
    )
    return PacksPage(wanted, rows, len(found) > MOST_LISTED)


def pack_page(
    session: Session, program: GradeBook, book: GradeBook, pack_id: int, grade_id: str | None
) -> PackPage:
    """A pack judged by its grade or by another. Raises NoSuchRecord, and NoSuchGrade for the other."""
    pack = session.get(Pack, pack_id)
    if pack is None:
        raise NoSuchRecord(f"pack number {pack_id}: there is no such pack")
    wanted = grade_id or (pack.grade_id if pack.grade_id in book.ids() else None)
    grade = None if wanted is None else book.grade(wanted)
    sheets = session.scalars(
        select(Sheet).where(Sheet.pack_id == pack_id).order_by(Sheet.ribbon_start_m, Sheet.id)
    ).all()
    judged: list[tuple[Sheet, SheetToJudge]] = []
    unseen = []
    for sheet in sheets:
        known = None if grade is None else _as_known(session, program, sheet, grade.id)
        if known is None:
            unseen.append(sheet.label)
        else:
            judged.append((sheet, known))
    verdict = judge_pack([known for _, known in judged], grade) if judged and grade is not None else None
    out = () if verdict is None else verdict.hold_back or ()
    return PackPage(
        pack=pack,
        customer="" if pack.customer is None else pack.customer.name,
        grade=grade,
        grades=tuple((name, book.grade(name).title) for name in book.ids()),
        verdict=verdict,
        sheets=tuple((sheet.id, sheet.label) for sheet in sheets),
        rows=() if verdict is None else _rows(judged, verdict),
        unseen=tuple(unseen),
        hold_back=tuple(judged[i][0].label for i in out),
    )


def _rows(judged: list[tuple[Sheet, SheetToJudge]], verdict: PackVerdict) -> tuple[SheetRow, ...]:
    out = set(verdict.hold_back or ())
    rows = []
    for i, ((sheet, known), one) in enumerate(zip(judged, verdict.sheets, strict=True)):
        against = [
            r.says for r in one.reasons if r.outcome in ("reject", "not_judged") and r.rule != "confirmation"
        ]
        rows.append(
            SheetRow(
                sheet.id, sheet.label, one.outcome, against[0] if against else "", len(known.defects),
                tuple(average.by_sheet[i] for average in verdict.averages), i in out,
            )
        )  # fmt: skip
    return tuple(rows)


def _as_known(session: Session, program: GradeBook, sheet: Sheet, grade_id: str) -> SheetToJudge | None:
    """The sheet as its verdict saw it, as it stands while it is being inspected, None where nobody looked."""
    kept = inspections.current_verdict(session, sheet.id)
    if kept is not None:
        return sheet_as_judged(kept.sheet_as_judged, kept.defects, kept.coverage)
    if sheet.state != "in_work":
        return None
    return inspections.judge_sheet(session, program, sheet.id, grade_id).sheet
