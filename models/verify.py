"""Does everything still stand as it was written? The chain, the photos, and the rows the chain speaks of."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from models import audit
from models.inspections.defects import digest
from models.inspections.judging import verdict_digest
from models.records import AuditEntry, AuditHead, Defect, Photo, Verdict
from models.store import PhotoStore

_DEFECT_ACTS = (
    "defect.add",
    "defect.change",
    "defect.withdraw",
    "find.confirm",
    "find.change",
    "find.dismiss",
)
_VERDICT_ACTS = ("sheet.finish", "sheet.judge_again")


@dataclass(frozen=True, slots=True)
class Report:
    """What was checked and what does not hold.

    head : hash of the chain's last entry; whoever keeps a copy of it elsewhere can tell a rebuilt chain.
    """

    entries: int
    head: str
    photos: int
    faults: tuple[str, ...]


def verify(session: Session, store: PhotoStore, progress: Callable[[str], None] | None = None) -> Report:
    """Check database, chain, rows and photo files; reads everything, changes nothing."""
    tell = progress or (lambda _text: None)
    tell("checking the database")
    faults = list(_database(session))
    tell("checking the chain of acts")
    faults += [fault.says for fault in audit.verify(session)]
    tell("checking defects and verdicts against the chain")
    faults += _defects(session)
    faults += _verdicts(session)
    tell("checking photos")
    hashes = session.scalars(select(Photo.sha256).distinct().order_by(Photo.sha256)).all()
    faults += [fault for sha256 in hashes if (fault := _photo_fault(store, sha256)) is not None]
    head = session.get(AuditHead, 1)
    return Report(
        entries=session.scalar(select(func.count()).select_from(AuditEntry)) or 0,
        head=audit.FIRST_HASH if head is None else head.hash,
        photos=len(hashes),
        faults=tuple(faults),
    )


def _photo_fault(store: PhotoStore, sha256: str) -> str | None:
    try:
        return store.fault(sha256)
    except ValueError as error:
        return str(error)


def _database(session: Session) -> Iterator[str]:
    if session.get_bind().dialect.name != "sqlite":
        return
    for (answer,) in session.execute(text("PRAGMA quick_check(5)")):
        if answer != "ok":
            yield f"the database file is damaged: {answer}"
    for row in session.execute(text("PRAGMA foreign_key_check")):
        yield f"table {row[0]}: row {row[1]} points to a missing row of {row[2]}"


def _entries(session: Session, actions: tuple[str, ...]) -> Iterator[tuple[int, dict[str, Any]]]:
    query = (
        select(AuditEntry.id, AuditEntry.details)
        .where(AuditEntry.action.in_(actions))
        .order_by(AuditEntry.id)
    )
    for number, details in session.execute(query.execution_options(yield_per=2000)):
        try:
            yield number, json.loads(details)
        except json.JSONDecodeError:
            continue  # the chain itself reports the touched entry


def _defects(session: Session) -> Iterator[str]:
    for number, details in _entries(session, _DEFECT_ACTS):
        said = details.get("defect", details)
        if "defect_id" not in said:
            continue
        defect = session.get(Defect, said["defect_id"])
        if defect is None:
            yield f"defect row {said['defect_id']} of entry {number} is missing"
            continue
        found = digest(defect)
        wrong = sorted(name for name in found if found[name] != said.get(name, found[name]))
        if wrong:
            yield f"defect row {defect.id} no longer says what entry {number} says ({', '.join(wrong)})"
        session.expunge(defect)


def _verdicts(session: Session) -> Iterator[str]:
    query = select(AuditEntry.id, AuditEntry.subject_id, AuditEntry.details)
    for number, verdict_id, details in session.execute(query.where(AuditEntry.action.in_(_VERDICT_ACTS))):
        try:
            said = json.loads(details).get("verdict_sha256")
        except json.JSONDecodeError:
            continue
        if said is None:
            continue
        verdict = session.get(Verdict, verdict_id)
        if verdict is None:
            yield f"verdict row {verdict_id} of entry {number} is missing"
        elif verdict_digest(verdict) != said:
            yield f"verdict row {verdict_id} no longer says what entry {number} says"
