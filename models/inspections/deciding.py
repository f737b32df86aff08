"""The inspector's word: confirm, change or dismiss a find; add, change or withdraw a defect.

Finds that show the same spot (`Find.same_as_id`) are one thing: a word about one of them is
a word about all, and it makes at most one defect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import or_, select
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
from models.inspections.taking import open_sheet
from models.records import Defect, Find, FindDecision, Photo, Sheet


@dataclass(frozen=True, slots=True)
class FindView:
    """A find with the word that holds about it.

    decision : "undecided", "confirmed", "changed" or "dismissed".  defect : the one that counts, if any.
    same_as_id : the find that stands for this spot when it is not this one; it counts once, there.
    best : the best measurement of the spot among all photos that show it; this find itself where it is alone.
    """

    find: Find
    photo: Photo
    decision: str
    defect: Defect | None
    same_as_id: int | None
    best: Find

    @property
    def undecided(self) -> bool:
        """Whether the inspector still has to say something: in the glass, not said, not a repeat."""
        return self.decision == "undecided" and self.find.not_glass is None and self.same_as_id is None


def finds_of(session: Session, sheet_id: int) -> list[FindView]:
    """The finds of a sheet's photos as last inspected, by photo and number, each with the word about it."""
    rows = session.execute(
        select(Find, Photo)
        .join(Photo, Photo.id == Find.photo_id)
        .where(Photo.sheet_id == sheet_id, Find.run == Photo.run)
        .order_by(Photo.id, Find.number)
    ).all()
    words = session.execute(
        select(FindDecision, Find.same_as_id)
        .join(Find, Find.id == FindDecision.find_id)
        .join(Photo, Photo.id == Find.photo_id)
        .where(Photo.sheet_id == sheet_id, FindDecision.current)
    )
    by_spot = {same_as_id or word.find_id: word for word, same_as_id in words}
    counting = select(Defect).where(Defect.sheet_id == sheet_id, Defect.current)
    by_number = {defect.id: defect for defect in session.scalars(counting)}
    spots: dict[int, list[Find]] = {}
    for find, _photo in rows:
        spots.setdefault(_spot(find), []).append(find)
    views = []
    for find, photo in rows:
        spot = _spot(find)
        word = by_spot.get(spot)
        defect = by_number.get(word.defect_id) if word is not None and word.defect_id is not None else None
        decision = "undecided" if word is None else word.decision
        views.append(FindView(find, photo, decision, defect, find.same_as_id, _best(spots[spot])))
    return views


def confirm_find(session: Session, find_id: int, user_id: int | None, **changes: Any) -> Defect:
    """Say that a find is a defect; `changes` (kind, sizes, place, note) correct what was measured.

    Returns the defect that now counts. Raises BadValue, or NotAllowedNow when the sheet is finished.
    """
    find, sheet = _find_and_sheet(session, find_id, user_id)
    word = _current_word(session, find)
    previous = None
    if word is not None and word.defect_id is not None:
        previous = newest_revision(session, get_defect(session, word.defect_id))
    else:
        previous = _withdrawn_before(session, find)
    if previous is not None and previous.current and not changes:
        return previous
    # after a word was taken back, the find stands as it was measured
    if previous is None or word is None:
        values = _values(_best_of_spot(session, find)).changed(changes)
    else:
        values = values_of(previous).changed(changes)
    photo = session.get_one(Photo, find.photo_id)
    defect = add_revision(
        session, sheet, values, previous=previous, source="photo", find_id=find.id, found_at=photo.added_at,
        user_id=user_id,
    )  # fmt: skip
    _say(session, find, word, "changed" if changes else "confirmed", defect, None, user_id, sheet)
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
    find, sheet = _find_and_sheet(session, find_id, user_id)
    word = _current_word(session, find)
    if word is not None and word.decision == "dismissed":
        return word
    gone = None
    if word is not None and word.defect_id is not None:
        gone = _withdraw(session, sheet, get_defect(session, word.defect_id), user_id)
    return _say(session, find, word, "dismissed", gone, reason, user_id, sheet)


def take_back_word(session: Session, find_id: int, user_id: int | None) -> None:
    """Take back the last word about a find: it is undecided again; word and defect stay in the books."""
    find, sheet = _find_and_sheet(session, find_id, user_id)
    word = _current_word(session, find)
    if word is None:
        return
    details: dict[str, Any] = {"find_id": find.id, "number": find.number, "decision": word.decision}
    if word.defect_id is not None:
        details["defect"] = digest(_withdraw(session, sheet, get_defect(session, word.defect_id), user_id))
    word.current = False
    session.flush()
    audit.append(
        session, "find.take_back", "find", find.id, user_id=user_id, sheet_id=sheet.id, details=details
    )


def confirm_rest(session: Session, sheet_id: int, user_id: int | None) -> list[Defect]:
    """Confirm every find of the sheet that is still undecided, as measured."""
    open_sheet(session, sheet_id, user_id)
    undecided = [view.find.id for view in finds_of(session, sheet_id) if view.undecided]
    return [confirm_find(session, find_id, user_id) for find_id in undecided]


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


def _spot(find: Find) -> int:
    return find.same_as_id or find.id


def _of_spot(find: Find) -> Any:
    return or_(Find.id == _spot(find), Find.same_as_id == _spot(find))


def _best(finds: Sequence[Find]) -> Find:
    """The measurement to trust: a sized one; of a scratch its longest part, of a spot the least uncertain."""

    def trust(find: Find) -> tuple[bool, float, int]:
        if find.length_mm is None:
            return True, 0.0, find.id
        if find.path_mm:
            return False, -find.length_mm, find.id
        return False, find.length_sd_mm if find.length_sd_mm is not None else math.inf, find.id

    return min(finds, key=trust)


def _best_of_spot(session: Session, find: Find) -> Find:
    query = select(Find).join(Photo, Photo.id == Find.photo_id).where(_of_spot(find), Find.run == Photo.run)
    return _best([find, *(other for other in session.scalars(query) if other.id != find.id)])


def _current_word(session: Session, find: Find) -> FindDecision | None:
    query = select(FindDecision).join(Find, Find.id == FindDecision.find_id)
    return session.scalars(query.where(_of_spot(find), FindDecision.current)).one_or_none()


def _withdrawn_before(session: Session, find: Find) -> Defect | None:
    """The newest revision of the defect that this spot once was, before it was dismissed."""
    query = select(Defect).join(Find, Find.id == Defect.find_id).where(_of_spot(find))
    return session.scalars(query.order_by(Defect.id.desc()).limit(1)).one_or_none()


def _values(find: Find) -> DefectValues:
    return DefectValues(
        kind=find.kind,
        x_mm=find.x_mm,
        y_mm=find.y_mm,
        length_mm=find.length_mm,
        width_mm=find.width_mm,
        halo_mm=find.halo_mm,
        length_sd_mm=find.length_sd_mm,
        angle_deg=find.angle_deg,
        path_mm=find.path_mm,
    )


def _withdraw(session: Session, sheet: Sheet, defect: Defect, user_id: int | None) -> Defect:
    newest = newest_revision(session, defect)
    if newest.withdrawn:
        return newest
    return add_revision(
        session, sheet, values_of(newest), previous=newest, source=newest.source, find_id=newest.find_id,
        found_at=newest.found_at, user_id=user_id, withdrawn=True,
    )  # fmt: skip


def _say(
    session: Session,
    find: Find,
    before: FindDecision | None,
    decision: str,
    defect: Defect | None,
    reason: str | None,
    user_id: int | None,
    sheet: Sheet,
) -> FindDecision:
    if before is not None:
        before.current = False
    word = FindDecision(
        find_id=find.id,
        decision=decision,
        defect_id=None if defect is None or defect.withdrawn else defect.id,
        reason=reason,
        decided_at=utc_now(),
        decided_by=user_id,
        supersedes_id=None if before is None else before.id,
        current=True,
    )
    session.add(word)
    session.flush()
    details: dict[str, Any] = {"find_id": find.id, "number": find.number, "kind": find.kind, "reason": reason}
    if defect is not None:
        details["defect"] = digest(defect)
    action = {"confirmed": "find.confirm", "changed": "find.change", "dismissed": "find.dismiss"}[decision]
    audit.append(session, action, "find", find.id, user_id=user_id, sheet_id=sheet.id, details=details)
    return word
