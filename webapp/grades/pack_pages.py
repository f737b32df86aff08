"""What the list of packs and the page of one pack show."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from models.grades import GradeBook
from models.grades.pack import PackVerdict
from models.packs import PackStanding, SheetInPack, pack_standing
from models.records import Customer, Pack, Sheet
from models.sheet.looked_words import count_words

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
    """One sheet of a pack: its verdict by the pack's grade, its faults (over what was looked at), and those
    in each averaged class.
    """

    id: int
    label: str
    outcome: str
    why: str
    faults: str
    counts: tuple[int, ...]
    hold_back: bool


@dataclass(frozen=True, slots=True)
class PackPage:
    """Everything the page of a pack shows. `rows` are those of the sheets that are judged."""

    pack: Pack
    customer: str
    grades: tuple[tuple[str, str], ...]
    standing: PackStanding
    rows: tuple[SheetRow, ...]
    ordered_title: str


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
    standing = pack_standing(session, program, pack_id, grade_id)
    pack = session.get_one(Pack, pack_id)
    titles = tuple((name, book.grade(name).title) for name in book.ids())
    return PackPage(
        pack=pack,
        customer="" if pack.customer is None else pack.customer.name,
        grades=titles,
        standing=standing,
        rows=() if standing.verdict is None else _rows(standing, standing.verdict),
        ordered_title=dict(titles).get(pack.grade_id or "", pack.grade_id or ""),
    )


def _rows(standing: PackStanding, verdict: PackVerdict) -> tuple[SheetRow, ...]:
    out = set(standing.hold_back)
    rows = []
    for i, (sheet, one) in enumerate(zip(standing.judged, verdict.sheets, strict=True)):
        against = [
            r.says for r in one.reasons if r.outcome in ("reject", "not_judged") and r.rule != "confirmation"
        ]
        rows.append(
            SheetRow(
                sheet.id, sheet.label, one.outcome, against[0] if against else "",
                _faults(sheet),
                tuple(average.by_sheet[i] for average in verdict.averages), sheet.label in out,
            )
        )  # fmt: skip
    return tuple(rows)


def _faults(sheet: SheetInPack) -> str:
    faults = 0 if sheet.judged is None else len(sheet.judged.defects)
    return f"{faults} so far" if sheet.state == "in_work" else count_words(faults, sheet.looked_fraction)
