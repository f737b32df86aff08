"""What a sheet lived through: looks, photos, finds, decisions, defects, verdicts, neighbours, claims, acts.

All is read and nothing is judged anew, but for the pack: a history shows what was known and decided then. How
the pack stands is worked out by the rules of today, because its sheets came one after the other.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.errors import NoSuchSheet
from models.glass_times import glass_times
from models.grade_books import plant_book
from models.grades import GradeBook
from models.history_records import (
    ActHistory,
    ClaimHistory,
    SheetFacts,
    SheetHistory,
    VerdictHistory,
)
from models.history_seen import seen_history
from models.neighbours import neighbours
from models.packs import pack_standing
from models.records import AuditEntry, Claim, Customer, Line, Pack, Sheet, Shift, User, Verdict

__all__ = ["sheet_history", "sheet_id_of"]


def sheet_id_of(session: Session, label: str) -> int:
    """The id of the sheet with this label, letter case and outer blanks aside.

    Raises
    ------
    NoSuchSheet
        if no sheet carries the label.
    """
    wanted = label.strip()
    found = session.scalar(select(Sheet.id).where(Sheet.label == wanted))
    if found is None:
        found = session.scalar(select(Sheet.id).where(Sheet.label == wanted.upper()))
    if found is None:
        raise NoSuchSheet(f"sheet {wanted!r}: no sheet carries this label; expected a label as on the sheet")
    return found


def sheet_history(session: Session, sheet_id: int, book: GradeBook | None = None) -> SheetHistory:
    """Everything on record about one sheet.

    book : the program's grades, by which its pack is judged and grades are named; without it the pack is left
    out

    Raises
    ------
    NoSuchSheet
        if there is no sheet of this id.
    """
    names = _Names(session)
    facts = _facts(session, sheet_id, names)
    acts = _acts(session, facts)
    seen = seen_history(session, sheet_id, names, acts)
    return SheetHistory(
        sheet=facts,
        photos=seen.photos,
        looks=seen.looks,
        decisions=seen.decisions,
        defects=seen.defects,
        verdicts=_verdicts(session, sheet_id, names, _titles(session, book)),
        neighbours=neighbours(session, facts),
        times=glass_times(
            session, facts.line_id, facts.middle_m, tied_m=facts.ribbon_start_m, tied_at=facts.cut_at
        ),
        claims=_claims(session, facts, names),
        acts=acts,
        pack=None if book is None or facts.pack_id is None else pack_standing(session, book, facts.pack_id),
    )


class _Names:
    """Full names of people, each looked up once."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[int, str] = {}

    def __call__(self, user_id: int | None) -> str | None:
        if user_id is None:
            return None
        if user_id not in self._known:
            name = self._session.scalar(select(User.full_name).where(User.id == user_id))
            self._known[user_id] = name or f"person {user_id}"
        return self._known[user_id]


def _facts(session: Session, sheet_id: int, names: _Names) -> SheetFacts:
    row = session.execute(
        select(Sheet, Line, Pack, Customer, Shift)
        .join(Line, Line.id == Sheet.line_id)
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Shift, Shift.id == Sheet.shift_id)
        .where(Sheet.id == sheet_id)
    ).first()
    if row is None:
        raise NoSuchSheet(f"sheet number {sheet_id}: there is no such sheet in the books")
    sheet, line, pack, customer, shift = row
    return SheetFacts(
        id=sheet.id,
        label=sheet.label,
        line_id=line.id,
        line=line.name,
        plant=line.plant,
        time_zone=line.time_zone,
        state=sheet.state,
        length_mm=sheet.length_mm,
        width_mm=sheet.width_mm,
        thickness_mm=sheet.thickness_mm,
        ribbon_start_m=sheet.ribbon_start_m,
        x_left_mm=sheet.x_left_mm,
        cut_at=sheet.cut_at,
        inspected_at=sheet.inspected_at,
        inspected_by=names(sheet.inspected_by),
        shift=None if shift is None else shift.name,
        crew=None if shift is None else shift.crew,
        pack_id=None if pack is None else pack.id,
        pack=None if pack is None else pack.label,
        customer=None if customer is None else customer.name,
        grade_ordered=None if pack is None else pack.grade_id,
        use=None if pack is None else pack.use,
        shipped_at=None if pack is None else pack.shipped_at,
        destination=None if pack is None else pack.destination,
        looked_fraction=sheet.looked_fraction,
    )


def _titles(session: Session, book: GradeBook | None) -> dict[str, str]:
    grades = {} if book is None else plant_book(session, book).grades
    return {grade_id: grade.title for grade_id, grade in grades.items()}


def _verdicts(
    session: Session, sheet_id: int, names: _Names, titles: Mapping[str, str]
) -> tuple[VerdictHistory, ...]:
    rows = session.scalars(select(Verdict).where(Verdict.sheet_id == sheet_id).order_by(Verdict.id))
    return tuple(
        VerdictHistory(
            id=row.id,
            grade_id=row.grade_id,
            use=row.use,
            rule_set_version=row.rule_set_version,
            rule_set_sha256=row.rule_set_sha256,
            outcome=row.outcome,
            downgrade_to=row.downgrade_to,
            close_call=row.close_call,
            reasons=tuple(row.reasons),
            ladder=tuple(row.ladder or ()),
            defects=tuple(row.defects),
            coverage=row.coverage,
            decided_at=row.decided_at,
            decided_by=names(row.decided_by),
            current=row.current,
            titles=titles,
        )
        for row in rows
    )


def _claims(session: Session, facts: SheetFacts, names: _Names) -> tuple[ClaimHistory, ...]:
    about = Claim.sheet_id == facts.id
    if facts.pack is not None:
        about |= Claim.pack_id == select(Pack.id).where(Pack.label == facts.pack).scalar_subquery()
    rows = session.scalars(select(Claim).where(about).order_by(Claim.received_at, Claim.id))
    return tuple(
        ClaimHistory(
            number=row.number,
            about="this sheet" if row.sheet_id == facts.id else "its pack",
            says=row.says,
            state=row.state,
            received_at=row.received_at,
            answer=row.answer,
            answered_at=row.answered_at,
            answered_by=names(row.answered_by),
        )
        for row in rows
    )


def _acts(session: Session, facts: SheetFacts) -> tuple[ActHistory, ...]:
    """The acts about the sheet, and those about its pack: what it was ordered as, when it left."""
    about = AuditEntry.sheet_id == facts.id
    if facts.pack is not None:
        pack = select(Pack.id).where(Pack.label == facts.pack).scalar_subquery()
        about |= (AuditEntry.subject_kind == "pack") & (AuditEntry.subject_id == pack)
    rows = session.scalars(select(AuditEntry).where(about).order_by(AuditEntry.id))
    return tuple(
        ActHistory(
            id=row.id,
            at=row.at,
            who=row.who,
            origin=row.origin,
            action=row.action,
            subject_kind=row.subject_kind,
            subject_id=row.subject_id,
            details=_details(row.details),
            hash=row.hash,
        )
        for row in rows
    )


def _details(text: str) -> dict[str, Any]:
    found = json.loads(text)
    return found if isinstance(found, dict) else {"": found}
