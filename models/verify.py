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
    "find.take_back",
)
_VERDICT_ACTS = ("sheet.finish", "sheet.judge_again")
_SEEN = ("kind", "x_mm", "y_mm", "width_mm", "halo_mm", "detection_distance_mm")
_CHUNK = 500


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
    faults += _unaccounted(session)
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
    """Verdicts against their entries, and the defects in the books against what verdicts saw."""
    query = select(AuditEntry.id, AuditEntry.subject_id, AuditEntry.details).order_by(AuditEntry.id)
    entries = session.execute(query.where(AuditEntry.action.in_(_VERDICT_ACTS))).all()
    for begin in range(0, len(entries), _CHUNK):
        part = entries[begin : begin + _CHUNK]
        found = {
            v.id: v for v in session.scalars(select(Verdict).where(Verdict.id.in_([e[1] for e in part])))
        }
        for number, verdict_id, details in part:
            yield from _verdict(found.get(verdict_id or 0), number, verdict_id, details)
        yield from _seen_defects(session, list(found.values()))
        session.expunge_all()


def _verdict(verdict: Verdict | None, number: int, verdict_id: int | None, details: str) -> Iterator[str]:
    try:
        said = json.loads(details).get("verdict_sha256")
    except json.JSONDecodeError:
        return  # the chain itself reports the touched entry
    if verdict is None:
        yield f"verdict row {verdict_id} of entry {number} is missing"
    elif said is not None and verdict_digest(verdict) != said:
        yield f"verdict row {verdict_id} no longer says what entry {number} says"


def _seen_defects(session: Session, verdicts: list[Verdict]) -> Iterator[str]:
    seen = {
        entry["ref"]["defect"]: (verdict.id, entry)
        for verdict in verdicts
        for entry in verdict.defects
        if "defect" in (entry.get("ref") or {})
    }
    rows = {d.id: d for d in session.scalars(select(Defect).where(Defect.id.in_(seen)))} if seen else {}
    for defect_id, (verdict_id, entry) in seen.items():
        row = rows.get(defect_id)
        if row is None:
            yield f"defect row {defect_id}, which verdict {verdict_id} saw, is missing"
        elif any(getattr(row, name) not in (entry.get(name), None) for name in _SEEN):
            yield f"defect row {defect_id} no longer says what verdict {verdict_id} saw"


def _unaccounted(session: Session) -> Iterator[str]:
    """Rows that no act speaks of: somebody wrote them past the program."""
    accounted: set[int] = set()
    for _number, details in _entries(session, _DEFECT_ACTS + _VERDICT_ACTS):
        accounted.update(details.get("defects", ()))
        said = details.get("defect", details)
        if "defect_id" in said:
            accounted.add(said["defect_id"])
    query = select(Defect.id).where(Defect.source != "import").order_by(Defect.id)
    for defect_id in session.scalars(query.execution_options(yield_per=_CHUNK)):
        if defect_id not in accounted:
            yield f"defect row {defect_id}: no act in the chain speaks of it"
    judged = select(AuditEntry.subject_id).where(AuditEntry.action.in_(_VERDICT_ACTS))
    for verdict_id in session.scalars(
        select(Verdict.id).where(Verdict.id.not_in(judged)).order_by(Verdict.id)
    ):
        yield f"verdict row {verdict_id}: no act in the chain speaks of it"
