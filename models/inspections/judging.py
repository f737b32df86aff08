"""Judging a sheet as it stands, and finishing it with a verdict that is kept.

Finds that are not decided yet count like defects in the live verdict, so that it can only
get better as the inspector dismisses them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.clock import utc_now
from models.errors import BadValue, NotAllowedNow
from models.grade_books import plant_book
from models.grades import Decision, DefectToJudge, Grade, GradeBook, SheetToJudge, judge_ladder
from models.inspections.coverage import CoverageSummary, coverage
from models.inspections.deciding import FindView, confirm_rest, finds_of
from models.inspections.defects import defects_of
from models.inspections.photos import photos_of
from models.inspections.taking import lock_sheet, open_sheet, shift_at
from models.records import Defect, Find, Line, Pack, Photo, Sheet, Verdict

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
    coverage: CoverageSummary


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


def judge_sheet(
    session: Session,
    book: GradeBook,
    sheet_id: int,
    grade_id: str | None = None,
    *,
    names: Mapping[tuple[str, int], str] | None = None,
) -> Judged:
    """Judge a sheet as it stands; nothing is stored. Raises NotAllowedNow when no grade is named anywhere.

    names : what the reasons call a thing, by ("defect" or "find", row id); else defects go by their numbers.
    """
    book = plant_book(session, book)
    sheet = session.get_one(Sheet, sheet_id)
    ordered, use = ordered_grade(session, sheet)
    wanted = grade_id or ordered
    if wanted is None:
        raise NotAllowedNow(f"sheet {sheet.label}: no grade is ordered for it; choose one")
    grade = book.grade(wanted)
    seen = coverage(session, sheet_id, grade.smallest_class_mm)
    to_judge = _to_judge(session, sheet, use, seen, names or {})
    return Judged(judge_ladder(to_judge, grade, book.ladder(wanted)), grade, to_judge, seen)


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
    undecided = sum(view.undecided for view in finds_of(session, sheet_id))
    if undecided:
        what = "1 find is" if undecided == 1 else f"{undecided} finds are"
        raise NotAllowedNow(f"sheet {sheet.label}: {what} not decided yet; confirm or dismiss, then finish")
    judged = judge_sheet(session, book, sheet_id)
    verdict = _keep(session, sheet, judged, user_id)
    shift = shift_at(session, sheet.line_id, verdict.decided_at)
    sheet.state, sheet.inspected_by, sheet.inspected_at = "finished", user_id, verdict.decided_at
    sheet.shift_id = None if shift is None else shift.id
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

    A sheet without photos, looked over by eye, keeps what its old verdict says was seen of it.
    """
    sheet = lock_sheet(session, sheet_id)
    old = current_verdict(session, sheet_id)
    if old is None:
        raise NotAllowedNow(f"sheet {sheet.label}: has no verdict yet; finish it first")
    judged, seen = judge_sheet(session, book, sheet_id), None
    if not photos_of(session, sheet_id):
        judged, seen = _seen_as_before(plant_book(session, book), judged, old), old.coverage
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


def _seen_as_before(book: GradeBook, judged: Judged, old: Verdict) -> Judged:
    """The same judgement with the coverage that the old verdict was given by."""
    seen = {**old.coverage, **old.sheet_as_judged}
    sheet = replace(
        judged.sheet,
        covered_fraction=seen.get("covered_fraction"),
        smallest_sized_mm=seen.get("smallest_sized_mm"),
        missing=tuple(old.coverage.get("missing", ())),
    )
    decision = judge_ladder(sheet, judged.grade, book.ladder(judged.grade.id))
    return Judged(decision, judged.grade, sheet, judged.coverage)


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
        defects=[_defect_dict(defect) for defect in judged.sheet.defects],
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


def _to_judge(
    session: Session, sheet: Sheet, use: str, seen: CoverageSummary, names: Mapping[tuple[str, int], str]
) -> SheetToJudge:
    middle = (sheet.width_mm / 2, sheet.length_mm / 2)
    defects = defects_of(session, sheet.id)
    views = [view for view in finds_of(session, sheet.id) if view.undecided]
    listed = [_from_defect(defect, middle, names) for defect in defects]
    listed += [_from_find(view, middle, names) for view in views]
    return SheetToJudge(
        width_mm=sheet.width_mm,
        length_mm=sheet.length_mm,
        thickness_mm=sheet.thickness_mm,
        use=use,
        defects=tuple(listed),
        covered_fraction=seen.covered_fraction,
        smallest_sized_mm=seen.smallest_sized_mm if _all_bounded(session, defects, views, seen) else None,
        missing=seen.missing,
        optical_angle_deg=sheet.optical_angle_deg,
        answers=dict(sheet.answers or {}),
    )


def _all_bounded(
    session: Session, defects: list[Defect], views: list[FindView], seen: CoverageSummary
) -> bool:
    """Whether whatever has no size is surely smaller than the sheet's photos can size.

    A find without size in an overview photo may be larger than the close-ups' limit: then no
    limit is handed to the judge, and it asks for a size.
    """
    unsized = [view.best.photo_id for view in views if view.best.length_mm is None]
    for defect in defects:
        if defect.length_mm is None:
            find = None if defect.find_id is None else session.get(Find, defect.find_id)
            if find is None:
                return False
            unsized.append(find.photo_id)
    for photo_id in unsized:
        limit = session.get_one(Photo, photo_id).smallest_sized_mm
        if limit is None or seen.smallest_sized_mm is None or limit > seen.smallest_sized_mm:
            return False
    return True


def _from_defect(
    defect: Defect, middle: tuple[float, float], names: Mapping[tuple[str, int], str]
) -> DefectToJudge:
    placed = defect.x_mm is not None and defect.y_mm is not None
    return DefectToJudge(
        kind=defect.kind,
        # A defect of a photo without scale has no place: it goes in unsized, which no rule lets pass.
        x_mm=defect.x_mm if defect.x_mm is not None else middle[0],
        y_mm=defect.y_mm if defect.y_mm is not None else middle[1],
        length_mm=defect.length_mm if placed else None,
        width_mm=defect.width_mm,
        halo_mm=defect.halo_mm,
        detection_distance_mm=defect.detection_distance_mm,
        length_sd_mm=defect.length_sd_mm,
        path_mm=_path(defect.path_mm),
        ref={"defect": defect.id, "number": defect.number},
        name=names.get(("defect", defect.id), str(defect.number)),
    )


def _from_find(
    view: FindView, middle: tuple[float, float], names: Mapping[tuple[str, int], str]
) -> DefectToJudge:
    find = view.best
    return DefectToJudge(
        kind=find.kind,
        x_mm=find.x_mm if find.x_mm is not None else middle[0],
        y_mm=find.y_mm if find.y_mm is not None else middle[1],
        length_mm=find.length_mm,
        width_mm=find.width_mm,
        halo_mm=find.halo_mm,
        length_sd_mm=find.length_sd_mm,
        width_sd_mm=find.width_sd_mm,
        path_mm=_path(find.path_mm),
        ref={"find": view.find.id, "number": view.find.number},
        name=names.get(("find", view.find.id), f"find {view.find.number}"),
    )


def _path(points: list[Any] | None) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points or ())


def _defect_dict(defect: DefectToJudge) -> dict[str, Any]:
    return {
        "kind": defect.kind,
        "x_mm": defect.x_mm,
        "y_mm": defect.y_mm,
        "length_mm": defect.length_mm,
        "width_mm": defect.width_mm,
        "halo_mm": defect.halo_mm,
        "detection_distance_mm": defect.detection_distance_mm,
        "length_sd_mm": defect.length_sd_mm,
        "path_mm": [list(point) for point in defect.path_mm],
        "ref": defect.ref,
    }
