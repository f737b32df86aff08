"""What was seen of a sheet, read for its history: looks, photos with their finds, decisions, defects.

Finds that show one defect share its decisions, as on the screen of the booth (models.inspections.seeing).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.history_evidence import (
    DecisionHistory,
    DefectHistory,
    DefectRevision,
    FindHistory,
    LookHistory,
    PhotoHistory,
)
from models.history_records import ActHistory
from models.inspections import Group, SheetSeen, looks_of, photos_of, sheet_seen, statement_of
from models.inspections.looking import photo_note
from models.records import Defect, Find, FindDecision, Look, Photo, Sheet
from models.sheet.labels import find_label
from models.sheet.look_words import LIGHT_WORDS, how_words, parts_words
from models.sheet.seen import box_of, points_of

__all__ = ["SeenHistory", "seen_history"]

Names = Callable[[int | None], str | None]


@dataclass(frozen=True, slots=True)
class SeenHistory:
    """All that was seen of one sheet; decisions oldest first."""

    looks: tuple[LookHistory, ...]
    photos: tuple[PhotoHistory, ...]
    decisions: tuple[DecisionHistory, ...]
    defects: tuple[DefectHistory, ...]


def seen_history(session: Session, sheet_id: int, names: Names, acts: Sequence[ActHistory]) -> SeenHistory:
    """Read it. names : full name of a person by id.  acts : about this sheet, which say why defects went."""
    sheet = session.get_one(Sheet, sheet_id)
    photos = photos_of(session, sheet_id)
    numbers = {photo.id: number for number, photo in enumerate(photos, start=1)}
    seen = sheet_seen(session, sheet_id)
    labels = {
        find.id: _label(find, group, numbers, photos) for group in seen.groups for find in group.members
    }
    decisions = _decisions(session, sheet_id, numbers, names)
    finds = _finds(session, sheet_id)
    return SeenHistory(
        looks=_looks(session, sheet, photos, numbers, names),
        photos=tuple(
            _photo(
                photo,
                numbers[photo.id],
                tuple(
                    _find(find, seen.by_find[find.id], labels, decisions)
                    for find in finds.get(photo.id, ())
                    if find.run == photo.run
                ),
                names,
            )
            for photo in photos
        ),
        decisions=tuple(words for _, words in decisions),
        defects=_defects(session, sheet_id, seen, labels, names, _withdrawn_because(acts)),
    )


def _label(find: Find, group: Group, numbers: Mapping[int, int], photos: Sequence[Photo]) -> str:
    label = find_label(numbers[find.photo_id], find.number)
    run = next(photo.run for photo in photos if photo.id == find.photo_id)
    return label if find.run == run else f"{label} of an earlier inspection"


def _finds(session: Session, sheet_id: int) -> dict[int, list[Find]]:
    """The finds of each photo as last inspected, by number."""
    finds: dict[int, list[Find]] = defaultdict(list)
    for find in session.scalars(
        select(Find)
        .join(Photo, Photo.id == Find.photo_id)
        .where(Photo.sheet_id == sheet_id, Find.run == Photo.run)
        .order_by(Find.photo_id, Find.number)
    ):
        finds[find.photo_id].append(find)
    return finds


def _looks(
    session: Session, sheet: Sheet, photos: Sequence[Photo], numbers: Mapping[int, int], names: Names
) -> tuple[LookHistory, ...]:
    """What counts as looked at: what people said, then each photo."""
    by_eye = [_look(look, sheet, names) for look in looks_of(session, sheet.id)]
    return (*by_eye, *(_photo_look(photo, numbers[photo.id], sheet, names) for photo in photos))


def _look(look: Look, sheet: Sheet, names: Names) -> LookHistory:
    said = statement_of(look)
    return LookHistory(
        part=parts_words(said.parts_mm, sheet.width_mm, sheet.length_mm),
        how=how_words(said),
        by=said.looked_by or names(look.recorded_by),
        at=said.looked_at,
        note="by an imported file" if look.source == "import" else "",
        statement=said,
    )


def _photo_look(photo: Photo, number: int, sheet: Sheet, names: Names) -> LookHistory:
    covered = box_of(photo.covered_mm)
    told = [f"by photo {number}", LIGHT_WORDS.get(photo.lighting or "", "light not known")]
    if photo.smallest_sized_mm is not None:
        told.append(f"sizes from {photo.smallest_sized_mm:.2f} mm")
    return LookHistory(
        part="place not known"
        if covered is None
        else parts_words((covered,), sheet.width_mm, sheet.length_mm),
        how=", ".join(told),
        by=names(photo.added_by),
        at=photo.added_at,
        note=photo_note(photo) or "",
    )


def _photo(photo: Photo, number: int, finds: tuple[FindHistory, ...], names: Names) -> PhotoHistory:
    return PhotoHistory(
        id=photo.id,
        number=number,
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
        covered_mm=box_of(photo.covered_mm),
        covered_fraction=photo.covered_fraction,
        messages=tuple((photo.result or {}).get("messages", ())),
        earlier_runs=max(photo.run - 1, 0),
        finds=finds,
    )


def _find(
    find: Find,
    group: Group,
    labels: Mapping[int, str],
    decisions: Sequence[tuple[int, DecisionHistory]],
) -> FindHistory:
    box = find.box_px
    members = {member.id for member in group.members}
    return FindHistory(
        id=find.id,
        number=find.number,
        label=labels[find.id],
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
        path_px=points_of(find.path_px),
        box_px=None if not box else (box[0], box[1], box[2], box[3]),
        score=find.score,
        flags=tuple(find.flags or ()),
        also=tuple(labels[member.id] for member in group.members if member.id != find.id),
        seen_kind=find.kind if group.seen is None else group.seen.kind,
        seen_not_glass=group.not_glass,
        asks=group.asks,
        decisions=tuple(words for find_id, words in decisions if find_id in members),
    )


def _decisions(
    session: Session, sheet_id: int, numbers: Mapping[int, int], names: Names
) -> list[tuple[int, DecisionHistory]]:
    """All decisions about finds of the sheet with the id of the find at which each was said."""
    rows = session.execute(
        select(FindDecision, Find.photo_id, Find.number, Find.run != Photo.run, Defect.number)
        .join(Find, Find.id == FindDecision.find_id)
        .join(Photo, Photo.id == Find.photo_id)
        .outerjoin(Defect, Defect.id == FindDecision.defect_id)
        .where(Photo.sheet_id == sheet_id)
        .order_by(FindDecision.id)
    )
    return [
        (
            decision.find_id,
            DecisionHistory(
                photo_number=numbers[photo_id],
                find_number=number,
                earlier=bool(earlier),
                decision=decision.decision,
                reason=decision.reason,
                at=decision.decided_at,
                by=names(decision.decided_by),
                defect_number=defect_number,
                current=decision.current,
            ),
        )
        for decision, photo_id, number, earlier, defect_number in rows
    ]


def _defects(
    session: Session,
    sheet_id: int,
    seen: SheetSeen,
    labels: Mapping[int, str],
    names: Names,
    reasons: Mapping[int, str],
) -> tuple[DefectHistory, ...]:
    chains: dict[int, list[DefectRevision]] = defaultdict(list)
    for row in session.scalars(
        select(Defect).where(Defect.sheet_id == sheet_id).order_by(Defect.number, Defect.id)
    ):
        chains[row.number].append(_revision(row, names, reasons))
    groups = {defect.number: group for group in seen.groups for defect in group.defects}
    return tuple(
        DefectHistory(
            number,
            tuple(chain),
            parts=tuple(labels[find.id] for find in groups[number].members) if number in groups else (),
            asks=groups[number].asks if number in groups else "",
        )
        for number, chain in sorted(chains.items())
    )


def _revision(row: Defect, names: Names, reasons: Mapping[int, str]) -> DefectRevision:
    return DefectRevision(
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
        path_mm=points_of(row.path_mm),
        open_at_mm=points_of(row.open_at_mm),
        ribbon_m=row.ribbon_m,
        ribbon_x_mm=row.ribbon_x_mm,
        found_at=row.found_at,
        note=row.note,
        recorded_at=row.recorded_at,
        recorded_by=names(row.recorded_by),
        withdrawn=row.withdrawn,
        current=row.current,
        find_id=row.find_id,
        reason=reasons.get(row.id, "") if row.withdrawn else "",
    )


def _withdrawn_because(acts: Iterable[ActHistory]) -> dict[int, str]:
    """Why defects were withdrawn, by the row that says so: the chain of acts keeps it, the row does not."""
    return {
        act.subject_id: str(act.details["reason"])
        for act in acts
        if act.action == "defect.withdraw" and act.subject_id is not None and act.details.get("reason")
    }
