"""The finds of a sheet's photos as the defects they show, with what was decided about each.

Grouping is worked out from the finds each time (models.sheet.joining), never stored: a new photo may join
what stood apart, and the parts of one line may then have been decided differently. Such a defect asks once
more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from models.inspections.photos import photos_of
from models.records import Defect, Find, FindDecision, FindPair, Photo, Sheet
from models.sheet.grouping import Pair
from models.sheet.joining import Joined, SeenDefect, join
from models.sheet.labels import defect_label, find_label
from models.sheet.seen import SeenFind, SeenPhoto, box_of, find_of, hidden_of

#: a line must have grown by this much, mm, and by two standard uncertainties, before it asks again
GROWN_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """One defect that photos show: its finds, the decisions about them, the defects they became.

    find : the find that stands for it.  seen : what all photos show together; None where the finds have no
    place. decision : "undecided", "confirmed", "changed" or "dismissed", the one that holds.  asks : why it
    has to be decided again, empty where not.  decisions : all that hold, one for each part that was decided
    by itself. defects : those of its finds that count now, the first one stays.  current : whether a photo as
    last inspected shows it; else it is known by an earlier inspection alone.
    """

    find: Find
    photo: Photo
    label: str
    members: tuple[Find, ...]
    seen: SeenDefect | None
    decision: str
    decisions: tuple[FindDecision, ...]
    defects: tuple[Defect, ...]
    asks: str
    current: bool

    @property
    def defect(self) -> Defect | None:
        return self.defects[0] if self.defects else None

    @property
    def not_glass(self) -> str | None:
        return self.find.not_glass if self.seen is None else self.seen.not_glass

    @property
    def undecided(self) -> bool:
        """Whether a person still has to decide: in the glass and not decided, or decided in parts."""
        return self.current and (bool(self.asks) or (self.decision == "undecided" and self.not_glass is None))

    @property
    def counts(self) -> bool:
        """Whether it counts as a defect in a verdict: decided to be one, or not decided yet."""
        return self.undecided or (self.current and self.decision in ("confirmed", "changed"))

    @property
    def name(self) -> str:
        """What it is called: by its defect's number once it is one."""
        return self.label if self.defect is None else defect_label(self.defect.number)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSeen:
    """All groups of a sheet. joined : of the finds that have a place; place : of each group in it, by find
    id.
    """

    groups: tuple[Group, ...]
    joined: Joined
    place: dict[int, int]
    by_find: dict[int, Group]

    def in_place(self, group: int) -> Group:
        """The group at a place of `joined`."""
        return self.by_find[int(str(self.joined.groups[group][0].ref))]


def sheet_seen(session: Session, sheet_id: int) -> SheetSeen:
    """The defects that a sheet's photos show, by photo and number of the find that stands for each."""
    sheet = session.get_one(Sheet, sheet_id)
    photos = photos_of(session, sheet_id)
    decided = select(FindDecision.find_id).where(FindDecision.current)
    rows = session.execute(
        select(Find, Photo)
        .join(Photo, Photo.id == Find.photo_id)
        .where(Photo.sheet_id == sheet_id, or_(Find.run == Photo.run, Find.id.in_(decided)))
        .order_by(Photo.id, Find.run, Find.number)
    ).all()
    finds = {find.id: find for find, _ in rows}
    photo_of = {find.id: photo for find, photo in rows}
    seen_photos = [seen for photo in photos if (seen := _photo(photo)) is not None]
    scaled = {seen.ref for seen in seen_photos}
    placed = [
        _find(find, photo)
        for find, photo in rows
        if find.x_mm is not None and find.y_mm is not None and photo.id in scaled
    ]
    same, apart = _told_pairs(session, finds)
    joined = join(seen_photos, placed, sheet_mm=(sheet.width_mm, sheet.length_mm), same=same, apart=apart)
    decisions = _decisions(session, finds)
    defects = _defects(session, sheet_id)
    numbers = {photo.id: number for number, photo in enumerate(photos, start=1)}
    groups: list[Group] = []
    place: dict[int, int] = {}
    for number, members in enumerate(joined.groups):
        rows_of = [finds[int(str(member.ref))] for member in members]
        place.update({find.id: number for find in rows_of})
        groups.append(_group(rows_of, joined.defects[number], photo_of, numbers, decisions, defects))
    alone = [find for find in finds.values() if find.id not in place]
    groups += [_group([find], None, photo_of, numbers, decisions, defects) for find in alone]
    groups.sort(key=lambda group: (group.photo.id, group.find.number, group.find.id))
    by_find = {find.id: group for group in groups for find in group.members}
    return SheetSeen(groups=tuple(groups), joined=joined, place=place, by_find=by_find)


def _group(
    members: Sequence[Find],
    seen: SeenDefect | None,
    photo_of: dict[int, Photo],
    numbers: dict[int, int],
    decisions: dict[int, FindDecision],
    defects: dict[int, Defect],
) -> Group:
    now = [find for find in members if find.run == photo_of[find.id].run]
    current = now or list(members)
    stands = min(current, key=lambda find: (find.not_glass is not None, find.photo_id, find.number))
    holding = [decisions[find.id] for find in members if find.id in decisions]
    holding.sort(key=lambda decision: decision.id)
    became = {id_: defects[id_] for d in holding if (id_ := d.defect_id) is not None and id_ in defects}
    ordered = sorted(became.values(), key=lambda defect: defect.number)
    photo = photo_of[stands.id]
    return Group(
        find=stands,
        photo=photo,
        label=find_label(numbers[photo.id], stands.number),
        members=tuple(members),
        seen=seen,
        decision=holding[-1].decision if holding else "undecided",
        decisions=tuple(holding),
        defects=tuple(ordered),
        asks=_asks(seen, holding, ordered, [photo_of[find.id] for find in current]),
        current=bool(now),
    )


def _asks(
    seen: SeenDefect | None,
    holding: Sequence[FindDecision],
    defects: Sequence[Defect],
    photos: Sequence[Photo],
) -> str:
    """Why a decided group has to be decided again: its parts were decided differently, or there is more of
    it.
    """
    if not holding or seen is None:
        return ""
    if len({decision.decision == "dismissed" for decision in holding}) > 1:
        return "one part of it was confirmed and another dismissed"
    if len(defects) > 1:
        numbers = " and ".join(defect_label(defect.number) for defect in defects)
        return f"defects {numbers} are parts of one"
    last = max(decision.decided_at for decision in holding)
    newer = [photo for photo in photos if photo.inspected_at is not None and photo.inspected_at > last]
    if not defects or not newer:
        return ""
    defect = defects[0]
    if defect.length_mm is not None and seen.length_mm is not None and seen.path_mm:
        sd = math.hypot(defect.length_sd_mm or 0.0, seen.length_sd_mm or 0.0)
        if seen.length_mm > defect.length_mm + max(GROWN_MM, 2 * sd):
            return (
                f"photo {newer[-1].name} shows more of it: {seen.length_mm:.0f} mm instead of"
                f" {defect.length_mm:.0f} mm"
            )
    if defect.length_mm is None and seen.length_mm is not None:
        return f"photo {newer[-1].name} can size it: {seen.length_mm:.2f} mm"
    if defect.open_at_mm and not seen.open_at_mm:
        return f"photo {newer[-1].name} shows where it ends"
    return ""


def _photo(photo: Photo) -> SeenPhoto | None:
    if photo.mm_per_px is None or photo.state != "inspected":
        return None
    return SeenPhoto(
        ref=photo.id,
        name=photo.name,
        mm_per_px=photo.mm_per_px,
        residual_mm=photo.scale_residual_mm or 0.0,
        smallest_sized_mm=photo.smallest_sized_mm,
        covered_mm=box_of(photo.covered_mm),
        hidden_mm=hidden_of(photo.result),
    )


def _find(find: Find, photo: Photo) -> SeenFind:
    values = {column.key: getattr(find, column.key) for column in Find.__table__.columns}
    return find_of(values, ref=find.id, photo=photo.id, counts=find.run == photo.run)


def _told_pairs(session: Session, finds: dict[int, Find]) -> tuple[list[Pair], list[Pair]]:
    """Pairs of finds that are one, and that are two, as people or an earlier version of the program said."""
    same: list[Pair] = [(find.id, find.same_as_id) for find in finds.values() if find.same_as_id is not None]
    apart: list[Pair] = []
    query = select(FindPair).where(FindPair.first_id.in_(finds), FindPair.current).order_by(FindPair.id)
    for pair in session.scalars(query):
        (same if pair.same else apart).append((pair.first_id, pair.second_id))
    return same, apart


def _decisions(session: Session, finds: dict[int, Find]) -> dict[int, FindDecision]:
    query = select(FindDecision).where(FindDecision.find_id.in_(finds), FindDecision.current)
    return {decision.find_id: decision for decision in session.scalars(query)}


def _defects(session: Session, sheet_id: int) -> dict[int, Defect]:
    """The defects that count, by every revision's id: a decision names the revision it was written with."""
    rows = session.scalars(select(Defect).where(Defect.sheet_id == sheet_id)).all()
    current = {defect.number: defect for defect in rows if defect.current}
    return {defect.id: current[defect.number] for defect in rows if defect.number in current}
