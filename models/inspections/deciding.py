"""The inspector's decisions: confirm, change or dismiss a find; add, change or withdraw a defect.

Finds that show one defect (models.inspections.seeing) are decided together: a decision about one of them is a
decision about all, and it makes at most one defect.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import NoSuchRecord, NotAllowedNow
from models.inspections.defects import (
    DefectValues,
    add_revision,
    digest,
    get_defect,
    newest_revision,
    values_of,
)
from models.inspections.seeing import Group, SheetSeen, sheet_seen
from models.inspections.taking import open_sheet
from models.records import Defect, Find, FindDecision, FindPair, Photo, Sheet
from models.sheet.joining import SeenDefect

#: what a person's correction keeps when the sizes are measured anew
_PERSONAL = ("kind", "detection_distance_mm", "note")


@dataclass(frozen=True, slots=True)
class FindView:
    """A find of a photo as last inspected, with the defect it shows and what was decided about that."""

    find: Find
    photo: Photo
    group: Group

    @property
    def decision(self) -> str:
        return self.group.decision

    @property
    def defect(self) -> Defect | None:
        return self.group.defect

    @property
    def same_as_id(self) -> int | None:
        """The find that stands for this defect when it is not this one; it counts once, there."""
        return None if self.group.find.id == self.find.id else self.group.find.id

    @property
    def best(self) -> SeenDefect | Find:
        """Kind, place and sizes as all photos together show them; of a photo without scale the find
        itself.
        """
        return self.group.seen or self.find

    @property
    def undecided(self) -> bool:
        """Whether the inspector still has to decide here: undecided, and not told by another find."""
        return self.group.undecided and self.same_as_id is None


def finds_of(session: Session, sheet_id: int, seen: SheetSeen | None = None) -> list[FindView]:
    """The finds of a sheet's photos as last inspected, by photo and number, each with its decision."""
    seen = seen or sheet_seen(session, sheet_id)
    views = []
    for group in seen.groups:
        for find in group.members:
            photo = session.get_one(Photo, find.photo_id)
            if find.run == photo.run:
                views.append(FindView(find, photo, group))
    return sorted(views, key=lambda view: (view.photo.id, view.find.number))


def confirm_find(session: Session, find_id: int, user_id: int | None, **changes: Any) -> Defect:
    """Say that a find is a defect; `changes` (kind, sizes, place, note) correct what was measured.

    A length that is given closes open ends. Returns the defect that now counts. Raises BadValue, or
    NotAllowedNow when the sheet is finished.
    """
    sheet, group = _sheet_and_group(session, find_id, user_id)
    return _confirm(session, sheet, group, user_id, changes)


def _confirm(
    session: Session, sheet: Sheet, group: Group, user_id: int | None, changes: dict[str, Any]
) -> Defect:
    previous: Defect | None
    if group.defects:
        previous = newest_revision(session, group.defects[0])
    else:
        previous = _withdrawn_before(session, group)
    if previous is not None and previous.current and not changes and not group.asks:
        return previous
    measured = _values(group)
    if previous is None or not group.decisions:
        # after a decision was taken back, the find stands as it was measured
        values = measured
    elif group.asks:
        kept = {name: getattr(previous, name) for name in _PERSONAL}
        values = measured.changed(kept | {"length_sd_mm": measured.length_sd_mm})
    else:
        values = values_of(previous)
    defect = add_revision(
        session, sheet, values.changed(changes), previous=previous, source="photo", find_id=group.find.id,
        found_at=group.photo.added_at, user_id=user_id,
    )  # fmt: skip
    _withdraw_parts(session, sheet, group, user_id)
    _decide(session, group, "changed" if changes else "confirmed", defect, None, user_id, sheet)
    return defect


def change_find(session: Session, find_id: int, user_id: int | None, **changes: Any) -> Defect:
    """Confirm a find with another kind, size or place than measured."""
    if not changes:
        raise NotAllowedNow("nothing to change was given; expected kind, length_mm, width_mm, ...")
    return confirm_find(session, find_id, user_id, **changes)


def dismiss_find(
    session: Session, find_id: int, user_id: int | None, reason: str | None = None
) -> FindDecision:
    """Say that a find is no defect; a defect that it had become is withdrawn."""
    sheet, group = _sheet_and_group(session, find_id, user_id)
    if group.decision == "dismissed" and not group.asks:
        return group.decisions[-1]
    gone = _withdraw(session, sheet, group.defects[0], user_id) if group.defects else None
    _withdraw_parts(session, sheet, group, user_id)
    return _decide(session, group, "dismissed", gone, reason, user_id, sheet)


def take_back_decision(session: Session, find_id: int, user_id: int | None) -> None:
    """Take back what was decided about a find: it is undecided again; decision and defect stay on record."""
    sheet, group = _sheet_and_group(session, find_id, user_id)
    if not group.decisions:
        return
    details: dict[str, Any] = {
        "find_id": group.find.id, "number": group.find.number, "decision": group.decision,
    }  # fmt: skip
    if group.defects:
        details["defect"] = digest(_withdraw(session, sheet, group.defects[0], user_id))
        _withdraw_parts(session, sheet, group, user_id)
    for decision in group.decisions:
        decision.current = False
    session.flush()
    audit.append(
        session, "find.take_back", "find", group.find.id, user_id=user_id, sheet_id=sheet.id, details=details
    )


def confirm_rest(session: Session, sheet_id: int, user_id: int | None) -> list[Defect]:
    """Confirm every find of the sheet that is still undecided, as measured."""
    sheet = open_sheet(session, sheet_id, user_id)
    groups = [group for group in sheet_seen(session, sheet_id).groups if group.undecided]
    return [_confirm(session, sheet, group, user_id, {}) for group in groups]


def say_pair(session: Session, first_id: int, second_id: int, *, same: bool, user_id: int | None) -> FindPair:
    """Say of two finds that they are one defect, or two, where their places leave it open."""
    first, sheet = _find_and_sheet(session, first_id, user_id)
    second, other_sheet = _find_and_sheet(session, second_id, user_id)
    if sheet.id != other_sheet.id or first.id == second.id:
        raise NotAllowedNow(f"sheet {sheet.label}: expected two finds of this sheet")
    first_id, second_id = sorted((first.id, second.id))
    about = (FindPair.first_id == first_id, FindPair.second_id == second_id, FindPair.current)
    for earlier in session.scalars(select(FindPair).where(*about)):
        earlier.current = False
    pair = FindPair(
        first_id=first_id,
        second_id=second_id,
        same=same,
        decided_at=utc_now(),
        decided_by=user_id,
        current=True,
    )
    session.add(pair)
    session.flush()
    audit.append(
        session, "find.pair", "find", first_id, user_id=user_id, sheet_id=sheet.id,
        details={"first": first_id, "second": second_id, "same": same},
    )  # fmt: skip
    return pair


def add_defect(session: Session, sheet_id: int, user_id: int | None, values: DefectValues) -> Defect:
    """Add a defect that no photo showed, or that the eye missed."""
    sheet = open_sheet(session, sheet_id, user_id)
    defect = add_revision(
        session,
        sheet,
        values,
        previous=None,
        source="hand",
        find_id=None,
        found_at=utc_now(),
        user_id=user_id,
    )
    audit.append(
        session, "defect.add", "defect", defect.id, user_id=user_id, sheet_id=sheet.id, details=digest(defect)
    )
    return defect


def change_defect(session: Session, defect_id: int, user_id: int | None, **changes: Any) -> Defect:
    """Correct a defect: adds a revision. A defect that came from a find is corrected there."""
    defect = get_defect(session, defect_id)
    sheet = open_sheet(session, defect.sheet_id, user_id)
    newest = newest_revision(session, defect)
    if newest.withdrawn:
        raise NotAllowedNow(
            f"sheet {sheet.label}: defect {newest.number} was withdrawn and cannot be changed"
        )
    if newest.find_id is not None:
        return change_find(session, newest.find_id, user_id, **changes)
    values = values_of(newest).changed(changes)
    changed = add_revision(
        session, sheet, values, previous=newest, source=newest.source, find_id=None, found_at=newest.found_at,
        user_id=user_id,
    )  # fmt: skip
    audit.append(
        session,
        "defect.change",
        "defect",
        changed.id,
        user_id=user_id,
        sheet_id=sheet.id,
        details=digest(changed),
    )
    return changed


def withdraw_defect(
    session: Session, defect_id: int, user_id: int | None, reason: str | None = None
) -> Defect:
    """Take a defect out of what counts; all its revisions stay in the books."""
    defect = get_defect(session, defect_id)
    sheet = open_sheet(session, defect.sheet_id, user_id)
    newest = newest_revision(session, defect)
    if newest.withdrawn:
        return newest
    if newest.find_id is not None:
        dismiss_find(session, newest.find_id, user_id, reason)
        return newest_revision(session, defect)
    gone = _withdraw(session, sheet, newest, user_id)
    audit.append(
        session, "defect.withdraw", "defect", gone.id, user_id=user_id, sheet_id=sheet.id,
        details={**digest(gone), "reason": reason},
    )  # fmt: skip
    return gone


def _find_and_sheet(session: Session, find_id: int, user_id: int | None) -> tuple[Find, Sheet]:
    find = session.get(Find, find_id)
    if find is None:
        raise NoSuchRecord(f"find number {find_id}: there is no such find")
    photo = session.get_one(Photo, find.photo_id)
    return find, open_sheet(session, photo.sheet_id, user_id)


def _sheet_and_group(session: Session, find_id: int, user_id: int | None) -> tuple[Sheet, Group]:
    find, sheet = _find_and_sheet(session, find_id, user_id)
    group = sheet_seen(session, sheet.id).by_find.get(find.id)
    if group is None:
        raise NotAllowedNow(
            f"sheet {sheet.label}: find {find.number} is of an earlier inspection; load the page again"
        )
    return sheet, group


def _withdrawn_before(session: Session, group: Group) -> Defect | None:
    """The newest revision of the defect that this group once was, before it was dismissed."""
    query = select(Defect).where(Defect.find_id.in_([find.id for find in group.members]))
    return session.scalars(query.order_by(Defect.id.desc()).limit(1)).one_or_none()


def _values(group: Group) -> DefectValues:
    measured: SeenDefect | Find = group.seen or group.find
    return DefectValues(
        kind=measured.kind,
        x_mm=measured.x_mm,
        y_mm=measured.y_mm,
        length_mm=measured.length_mm,
        width_mm=measured.width_mm,
        halo_mm=measured.halo_mm,
        length_sd_mm=measured.length_sd_mm,
        width_sd_mm=measured.width_sd_mm,
        angle_deg=measured.angle_deg,
        path_mm=_listed(measured.path_mm),
        open_at_mm=_listed(group.seen.open_at_mm) if group.seen is not None else None,
    )


def _listed(points: Sequence[Any] | None) -> list[Any] | None:
    return [list(point) for point in points] if points else None


def _withdraw(session: Session, sheet: Sheet, defect: Defect, user_id: int | None) -> Defect:
    newest = newest_revision(session, defect)
    if newest.withdrawn:
        return newest
    return add_revision(
        session, sheet, values_of(newest), previous=newest, source=newest.source, find_id=newest.find_id,
        found_at=newest.found_at, user_id=user_id, withdrawn=True,
    )  # fmt: skip


def _withdraw_parts(session: Session, sheet: Sheet, group: Group, user_id: int | None) -> None:
    """Take out what parts of one line had become by themselves, all but the first; each with its own act."""
    for other in group.defects[1:]:
        gone = _withdraw(session, sheet, other, user_id)
        reason = f"part of defect {group.defects[0].number}"
        audit.append(
            session, "defect.withdraw", "defect", gone.id, user_id=user_id, sheet_id=sheet.id,
            details={**digest(gone), "reason": reason},
        )  # fmt: skip


def _decide(
    session: Session,
    group: Group,
    decision: str,
    defect: Defect | None,
    reason: str | None,
    user_id: int | None,
    sheet: Sheet,
) -> FindDecision:
    """Write the decision about a group; those about its parts are superseded and stay on record."""
    for earlier in group.decisions:
        earlier.current = False
    row = FindDecision(
        find_id=group.find.id,
        decision=decision,
        defect_id=None if defect is None or defect.withdrawn else defect.id,
        reason=reason,
        decided_at=utc_now(),
        decided_by=user_id,
        supersedes_id=group.decisions[-1].id if group.decisions else None,
        current=True,
    )
    session.add(row)
    session.flush()
    find = group.find
    details: dict[str, Any] = {"find_id": find.id, "number": find.number, "kind": find.kind, "reason": reason}
    if len(group.members) > 1:
        details["parts"] = [part.id for part in group.members]
    if len(group.decisions) > 1:
        details["supersedes"] = [earlier.id for earlier in group.decisions]
    if defect is not None:
        details["defect"] = digest(defect)
    action = {"confirmed": "find.confirm", "changed": "find.change", "dismissed": "find.dismiss"}[decision]
    audit.append(session, action, "find", find.id, user_id=user_id, sheet_id=sheet.id, details=details)
    return row
