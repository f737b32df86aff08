"""Judging a sheet as it stands, and finishing it with a verdict that is kept.

Finds that are not decided yet count like defects in the live verdict, so that it can only
get better as the inspector dismisses them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NotAllowedNow
from models.grade_books import plant_book
from models.grades import Decision, DefectToJudge, Grade, GradeBook, SheetToJudge, judge_ladder
from models.inspections.deciding import confirm_rest
from models.inspections.defects import defects_of
from models.inspections.looking import looked_of, looks_of, refresh_looked
from models.inspections.photos import photos_of
from models.inspections.seeing import Group, SheetSeen, sheet_seen
from models.inspections.taking import lock_sheet, open_sheet, shift_at
from models.records import Defect, Line, Pack, Sheet, Verdict
from models.sheet.joining import SeenDefect
from models.sheet.labels import defect_label
from models.sheet.looked import LookedAt
from models.sheet.to_judge import (
    KEPT,
    defect_to_judge,
    kept_defect,
    readings_of,
    seen_to_judge,
    sheet_to_judge,
)

_SAID = (
    "sheet_id", "grade_id", "rule_set_sha256", "outcome", "downgrade_to", "reasons", "ladder", "defects",
    "sheet_as_judged", "coverage",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """A live judgement: the decision, the grade ordered, what was judged and how much of the sheet was seen.

    `decision.verdicts[i].reasons[j].finds` are indices into `sheet.defects`; each of those has
    `ref` {"defect": row id} or {"find": id of an undecided find}.
    """

    decision: Decision
    grade: Grade
    sheet: SheetToJudge
    coverage: LookedAt


def ordered_grade(session: Session, sheet: Sheet) -> tuple[str | None, str]:
    """(grade id, use) that the sheet is for: its pack's order, else its own, else what the line makes now."""
    pack = None if sheet.pack_id is None else session.get(Pack, sheet.pack_id)
    if pack is not None and pack.grade_id:
        return pack.grade_id, pack.use
    line = session.get_one(Line, sheet.line_id)
    return sheet.grade_id or line.grade_id, "stock" if pack is None else pack.use


def set_grade(session: Session, book: GradeBook, sheet_id: int, grade_id: str, user_id: int | None) -> Sheet:
    """Say for which grade a sheet is cut. Raises NoSuchGrade; NotAllowedNow when its pack says it."""
    sheet = open_sheet(session, sheet_id, user_id)
    book.grade(grade_id)
    pack = None if sheet.pack_id is None else session.get(Pack, sheet.pack_id)
    if pack is not None and pack.grade_id:
        raise NotAllowedNow(f"sheet {sheet.label}: pack {pack.label} is ordered in grade {pack.grade_id}")
    before, sheet.grade_id = sheet.grade_id, grade_id
    audit.append(
        session, "sheet.grade", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id,
        details={"from": before, "to": grade_id},
    )  # fmt: skip
    return sheet


def answer(session: Session, sheet_id: int, question: str, yes: bool | None, user_id: int | None) -> Sheet:
    """Keep an answer to a question of a grade; None takes it back."""
    sheet = open_sheet(session, sheet_id, user_id)
    if not 1 <= len(question) <= 100:
        raise BadValue(
            f"sheet {sheet.label}: question {question[:40]!r}: expected a name of 1 to 100 characters"
        )
    answers = dict(sheet.answers or {})
    answers.pop(question, None)
    if yes is not None:
        answers[question] = yes
    sheet.answers = answers or None
    audit.append(
        session, "sheet.answer", "sheet", sheet.id, user_id=user_id, sheet_id=sheet.id,
        details={"question": question, "answer": yes},
    )  # fmt: skip
    return sheet


def judge_sheet(session: Session, book: GradeBook, sheet_id: int, grade_id: str | None = None) -> Judged:
    """Judge a sheet as it stands; nothing is stored. Raises NotAllowedNow when no grade is named anywhere."""
    book = plant_book(session, book)
    sheet = session.get_one(Sheet, sheet_id)
    grade, use = grade_for(session, book, sheet, grade_id)
    looked = looked_of(session, sheet_id, grade.smallest_class_mm)
    to_judge = sheet_of_records(
        sheet, use, looked, sheet_seen(session, sheet_id), defects_of(session, sheet_id)
    )
    return Judged(judge_ladder(to_judge, grade, book.ladder(grade.id)), grade, to_judge, looked)


def grade_for(
    session: Session, book: GradeBook, sheet: Sheet, grade_id: str | None = None
) -> tuple[Grade, str]:
    """The grade by which a sheet is judged, and its use; `grade_id` names another than the one ordered.

    book : the grades in force at the plant.  Raises NotAllowedNow when none is named anywhere, NoSuchGrade.
    """
    ordered, use = ordered_grade(session, sheet)
    wanted = grade_id or ordered
    if wanted is None:
        raise NotAllowedNow(f"sheet {sheet.label}: no grade is ordered for it; choose one")
    return book.grade(wanted), use


def finish_sheet(
    session: Session, book: GradeBook, sheet_id: int, user_id: int | None, *, confirm_undecided: bool = False
) -> Verdict:
    """Finish a sheet: store its verdict with the rules' version and the defects it saw.

    confirm_undecided : take the finds that nobody spoke about as defects, as measured.
    Raises NotAllowedNow while finds are undecided or photos still wait to be looked at.
    """
    sheet = open_sheet(session, sheet_id, user_id)
    waiting = [photo.name for photo in photos_of(session, sheet_id) if photo.state == "waiting"]
    if waiting:
        what = f"photo {waiting[0]} is" if len(waiting) == 1 else f"{len(waiting)} photos are"
        raise NotAllowedNow(f"sheet {sheet.label}: {what} still being looked at; wait, then finish")
    if confirm_undecided:
        confirm_rest(session, sheet_id, user_id)
    undecided = sum(group.undecided for group in sheet_seen(session, sheet_id).groups)
    if undecided:
        what = "1 find is" if undecided == 1 else f"{undecided} finds are"
        raise NotAllowedNow(f"sheet {sheet.label}: {what} not decided yet; confirm or dismiss, then finish")
    judged = judge_sheet(session, book, sheet_id)
    verdict = _keep(session, sheet, judged, user_id)
    shift = shift_at(session, sheet.line_id, verdict.decided_at)
    sheet.state, sheet.inspected_by, sheet.inspected_at = "finished", user_id, verdict.decided_at
    sheet.shift_id = None if shift is None else shift.id
    refresh_looked(session, sheet)
    audit.append(
        session, "sheet.finish", "verdict", verdict.id, user_id=user_id, sheet_id=sheet.id,
        details={
            "grade": verdict.grade_id,
            "rule_set_sha256": verdict.rule_set_sha256,
            "outcome": verdict.outcome,
            "downgrade_to": verdict.downgrade_to,
            "defects": [entry["ref"]["defect"] for entry in verdict.defects],
            "verdict_sha256": verdict_digest(verdict),
        },
    )  # fmt: skip
    return verdict


def judge_again(
    session: Session, book: GradeBook, sheet_id: int, user_id: int | None
) -> tuple[Verdict, Verdict]:
    """Judge a finished sheet by today's rules, knowingly; returns (the old verdict, the new one).

    A sheet without photos and looks on record keeps what its old verdict says was seen of it.
    """
    sheet = lock_sheet(session, sheet_id)
    old = current_verdict(session, sheet_id)
    if old is None:
        raise NotAllowedNow(f"sheet {sheet.label}: has no verdict yet; finish it first")
    judged, seen = judged_anew(session, book, sheet_id, old)
    new = _keep(session, sheet, judged, user_id, seen)
    audit.append(
        session, "sheet.judge_again", "verdict", new.id, user_id=user_id, sheet_id=sheet.id,
        details={"old": old.outcome, "new": new.outcome, "verdict_sha256": verdict_digest(new)},
    )  # fmt: skip
    return old, new


def current_verdict(session: Session, sheet_id: int) -> Verdict | None:
    """The verdict that holds now."""
    return session.scalars(select(Verdict).where(Verdict.sheet_id == sheet_id, Verdict.current)).one_or_none()


def verdict_digest(verdict: Verdict) -> str:
    """Hash of what a verdict says, so that a touched row shows against its audit entry."""
    return digest_of_row({name: getattr(verdict, name) for name in _SAID})


def digest_of_row(row: Mapping[str, Any]) -> str:
    """The same of a row that is not written yet."""
    return audit.digest_of([row[name] for name in _SAID])


def judged_anew(
    session: Session, book: GradeBook, sheet_id: int, old: Verdict
) -> tuple[Judged, dict[str, Any] | None]:
    """What judging a sheet again would give, and what it rests on where that is the old verdict's coverage.

    Nothing is stored.
    """
    judged = judge_sheet(session, book, sheet_id)
    if photos_of(session, sheet_id) or looks_of(session, sheet_id):
        return judged, None
    sheet = seen_as_before(judged.sheet, old.coverage, old.sheet_as_judged)
    decision = judge_ladder(sheet, judged.grade, plant_book(session, book).ladder(judged.grade.id))
    return Judged(decision, judged.grade, sheet, judged.coverage), old.coverage


def seen_as_before(
    sheet: SheetToJudge, coverage: Mapping[str, Any], as_judged: Mapping[str, Any]
) -> SheetToJudge:
    """The sheet with the coverage that an earlier verdict was given by."""
    seen = {**coverage, **as_judged}
    return replace(
        sheet,
        covered_fraction=seen.get("covered_fraction"),
        smallest_sized_mm=seen.get("smallest_sized_mm"),
        missing=tuple(coverage.get("missing", ())),
    )


def _keep(
    session: Session,
    sheet: Sheet,
    judged: Judged,
    user_id: int | None,
    seen: dict[str, Any] | None = None,
) -> Verdict:
    before = current_verdict(session, sheet.id)
    if before is not None:
        before.current = False
    ordered = judged.decision.verdicts[0].to_dict()
    verdict = Verdict(
        sheet_id=sheet.id,
        grade_id=judged.grade.id,
        use=judged.sheet.use,
        rule_set_version=judged.grade.version,
        rule_set_sha256=judged.grade.sha256,
        outcome=judged.decision.outcome,
        downgrade_to=judged.decision.downgrade_to,
        close_call=judged.decision.verdicts[0].close_call,
        reasons=ordered["reasons"],
        ladder=[one.to_dict() for one in judged.decision.verdicts],
        defects=[kept_defect(defect) for defect in judged.sheet.defects],
        sheet_as_judged={
            "width_mm": sheet.width_mm,
            "length_mm": sheet.length_mm,
            "thickness_mm": sheet.thickness_mm,
            "use": judged.sheet.use,
            "answers": dict(judged.sheet.answers),
            "optical_angle_deg": judged.sheet.optical_angle_deg,
            # as handed to the judge, which may ask for more than the coverage says (see _all_bounded)
            "covered_fraction": judged.sheet.covered_fraction,
            "smallest_sized_mm": judged.sheet.smallest_sized_mm,
        },
        coverage=judged.coverage.to_dict() if seen is None else seen,
        decided_at=utc_now(),
        decided_by=user_id,
        supersedes_id=None if before is None else before.id,
        current=True,
    )
    session.add(verdict)
    session.flush()
    return verdict


def sheet_of_records(
    sheet: Sheet, use: str, looked: LookedAt, seen: SheetSeen, defects: Sequence[Defect]
) -> SheetToJudge:
    """What the judge gets of a sheet: its defects that count, and what photos show that nobody has decided
    about.
    """
    sheet_mm = (sheet.width_mm, sheet.length_mm)
    counted = [group for group in seen.groups if group.counts]
    placed = {
        number: _of_group(group, sheet_mm)
        for number in range(len(seen.joined.groups))
        if (group := seen.in_place(number)).counts
    }
    alone = [_of_group(group, sheet_mm) for group in counted if group.seen is None]
    told = {defect.id for group in counted for defect in group.defects}
    others = [_of_defect(defect, sheet_mm) for defect in defects if defect.id not in told]
    rest = [*alone, *others]
    return sheet_to_judge(
        sheet_mm=sheet_mm,
        thickness_mm=sheet.thickness_mm,
        use=use,
        defects=[*placed.values(), *rest],
        looked=looked,
        optical_angle_deg=sheet.optical_angle_deg,
        answers=sheet.answers,
        readings=readings_of(seen.joined, placed, rest),
    )


def _of_group(group: Group, sheet_mm: tuple[float, float]) -> DefectToJudge:
    defect = group.defect
    if defect is not None and not group.undecided:
        return _of_defect(defect, sheet_mm, group.seen)
    ref = {"find": group.find.id, "number": group.find.number}
    if group.seen is None:
        values = {name: getattr(group.find, name, None) for name in KEPT}
        return defect_to_judge(values, sheet_mm=sheet_mm, ref=ref, name=group.name)
    judged = seen_to_judge(group.seen, sheet_mm=sheet_mm, ref=ref, name=group.name)
    # what a person said of its kind stands, though its parts are to be decided again
    return judged if defect is None else replace(judged, kind=defect.kind)


def _of_defect(
    defect: Defect, sheet_mm: tuple[float, float], seen: SeenDefect | None = None
) -> DefectToJudge:
    values = {name: getattr(defect, name, None) for name in (*KEPT, "path_mm", "open_at_mm")}
    if seen is not None and defect.length_mm is None:
        values["length_at_most_mm"] = seen.length_at_most_mm
    ref = {"defect": defect.id, "number": defect.number}
    return defect_to_judge(values, sheet_mm=sheet_mm, ref=ref, name=defect_label(defect.number))
