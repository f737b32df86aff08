"""What a sheet lived through: photos, finds and decisions, defects, verdicts, neighbours, claims, acts.

Everything is read, nothing is worked out anew: a history shows what was known and decided then.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.errors import NoSuchSheet
from models.glass_times import glass_times
from models.history_records import (
    ActHistory,
    ClaimHistory,
    DecisionHistory,
    DefectHistory,
    DefectRevision,
    FindHistory,
    PhotoHistory,
    SheetFacts,
    SheetHistory,
    VerdictHistory,
)
from models.neighbours import neighbours
from models.records import (
    AuditEntry,
    Claim,
    Customer,
    Defect,
    Find,
    FindDecision,
    Line,
    Pack,
    Photo,
    Sheet,
    Shift,
    User,
    Verdict,
)

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


def sheet_history(session: Session, sheet_id: int) -> SheetHistory:
    """Everything on record about one sheet.

    Raises
    ------
    NoSuchSheet
        if there is no sheet of this id.
    """
    names = _Names(session)
    facts = _facts(session, sheet_id, names)
    return SheetHistory(
        sheet=facts,
        photos=_photos(session, sheet_id, names),
        defects=_defects(session, sheet_id, names),
        verdicts=_verdicts(session, sheet_id, names),
        neighbours=neighbours(session, facts),
        times=glass_times(
            session, facts.line_id, facts.middle_m, tied_m=facts.ribbon_start_m, tied_at=facts.cut_at
        ),
        claims=_claims(session, facts, names),
        acts=_acts(session, facts),
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
        pack=None if pack is None else pack.label,
        customer=None if customer is None else customer.name,
        grade_ordered=None if pack is None else pack.grade_id,
        use=None if pack is None else pack.use,
        shipped_at=None if pack is None else pack.shipped_at,
        destination=None if pack is None else pack.destination,
    )


def _photos(session: Session, sheet_id: int, names: _Names) -> tuple[PhotoHistory, ...]:
    photos = session.scalars(select(Photo).where(Photo.sheet_id == sheet_id).order_by(Photo.id)).all()
    finds: dict[int, list[Find]] = defaultdict(list)
    for find in session.scalars(
        select(Find)
        .join(Photo, Photo.id == Find.photo_id)
        .where(Photo.sheet_id == sheet_id, Find.run == Photo.run)
        .order_by(Find.photo_id, Find.number)
    ):
        finds[find.photo_id].append(find)
    decisions = _decisions(session, sheet_id, names)
    return tuple(_photo(photo, finds[photo.id], decisions, names) for photo in photos)


def _photo(
    photo: Photo, finds: Sequence[Find], decisions: dict[int, tuple[DecisionHistory, ...]], names: _Names
) -> PhotoHistory:
    covered = photo.covered_mm
    return PhotoHistory(
        id=photo.id,
        sha256=photo.sha256,
        name=photo.name,
        size_bytes=photo.size_bytes,
        state=photo.state,
        message=photo.message,
        added_at=photo.added_at,
        added_by=names(photo.added_by),
        inspected_at=photo.inspected_at,
        lighting=photo.lighting,
        width_px=photo.width_px,
        height_px=photo.height_px,
        mm_per_px=photo.mm_per_px,
        scale_source=photo.scale_source,
        scale_residual_mm=photo.scale_residual_mm,
        smallest_sized_mm=photo.smallest_sized_mm,
        covered_mm=None if not covered else (covered[0], covered[1], covered[2], covered[3]),
        covered_fraction=photo.covered_fraction,
        messages=tuple((photo.result or {}).get("messages", ())),
        earlier_runs=max(photo.run - 1, 0),
        finds=tuple(_find(find, decisions.get(find.id, ())) for find in finds),
    )


def _find(find: Find, decisions: tuple[DecisionHistory, ...]) -> FindHistory:
    box = find.box_px
    return FindHistory(
        id=find.id,
        number=find.number,
        kind=find.kind,
        not_glass=find.not_glass,
        x_mm=find.x_mm,
        y_mm=find.y_mm,
        x_px=find.x_px,
        y_px=find.y_px,
        length_mm=find.length_mm,
        width_mm=find.width_mm,
        halo_mm=find.halo_mm,
        length_sd_mm=find.length_sd_mm,
        length_px=find.length_px,
        width_px=find.width_px,
        angle_deg=find.angle_deg,
        path_px=_path(find.path_px),
        box_px=None if not box else (box[0], box[1], box[2], box[3]),
        score=find.score,
        flags=tuple(find.flags or ()),
        same_as=find.same_as_id is not None,
        decisions=decisions,
    )


def _path(points: Iterable[Any] | None) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points or ())


def _decisions(session: Session, sheet_id: int, names: _Names) -> dict[int, tuple[DecisionHistory, ...]]:
    found: dict[int, list[DecisionHistory]] = defaultdict(list)
    rows = session.execute(
        select(FindDecision, Defect.number)
        .join(Find, Find.id == FindDecision.find_id)
        .join(Photo, Photo.id == Find.photo_id)
        .outerjoin(Defect, Defect.id == FindDecision.defect_id)
        .where(Photo.sheet_id == sheet_id)
        .order_by(FindDecision.id)
    )
    for decision, number in rows:
        found[decision.find_id].append(
            DecisionHistory(
                decision=decision.decision,
                reason=decision.reason,
                at=decision.decided_at,
                by=names(decision.decided_by),
                defect_number=number,
                current=decision.current,
            )
        )
    return {find_id: tuple(words) for find_id, words in found.items()}


def _defects(session: Session, sheet_id: int, names: _Names) -> tuple[DefectHistory, ...]:
    chains: dict[int, list[DefectRevision]] = defaultdict(list)
    for row in session.scalars(
        select(Defect).where(Defect.sheet_id == sheet_id).order_by(Defect.number, Defect.id)
    ):
        chains[row.number].append(
            DefectRevision(
                id=row.id,
                kind=row.kind,
                source=row.source,
                x_mm=row.x_mm,
                y_mm=row.y_mm,
                length_mm=row.length_mm,
                width_mm=row.width_mm,
                halo_mm=row.halo_mm,
                length_sd_mm=row.length_sd_mm,
                detection_distance_mm=row.detection_distance_mm,
                angle_deg=row.angle_deg,
                path_mm=_path(row.path_mm),
                ribbon_m=row.ribbon_m,
                ribbon_x_mm=row.ribbon_x_mm,
                found_at=row.found_at,
                note=row.note,
                recorded_at=row.recorded_at,
                recorded_by=names(row.recorded_by),
                withdrawn=row.withdrawn,
                current=row.current,
                find_id=row.find_id,
            )
        )
    return tuple(DefectHistory(number, tuple(chain)) for number, chain in sorted(chains.items()))


def _verdicts(session: Session, sheet_id: int, names: _Names) -> tuple[VerdictHistory, ...]:
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
