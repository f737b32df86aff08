"""Sheets whose verdict would now differ: judged anew from their records by today's rules, nothing is stored.

Stored verdicts stand until somebody judges again (models.inspections.judge_again), which gives what is said
here. Rules change, and so do records: a plant grade gets a new version, a table is confirmed, photos are
joined better by a later version of the program.

Sheets that are being inspected are left out: they get a new verdict when they are finished.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from models.errors import BadValue, LehrbookError
from models.grade_books import plant_book
from models.grades import Decision, Grade, GradeBook, SheetToJudge, judge_ladder
from models.inspections.judging import grade_for, seen_as_before, sheet_of_records
from models.inspections.looking import looked_from, parts_looked_at
from models.inspections.seeing import SheetSeen, sheet_seen
from models.records import Customer, Defect, Find, FindDecision, Line, Look, Pack, Photo, Sheet, Verdict
from models.sheet.joining import join
from models.sheet.looked import LookedAt

__all__ = ["PLACES", "Changed", "ChangesPage", "all_changes", "changes_page"]

#: where a sheet is, the most urgent first
PLACES = ("shipped", "yard", "loose")
#: a page works so long, s, and names so many sheets, before it asks to go on
MOST_S, MOST_CHANGED = 10.0, 100
_AT_ONCE = 250
_NOTHING_SEEN = SheetSeen(groups=(), joined=join((), ()), place={}, by_find={})


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """A sheet whose verdict would now differ, or that can no longer be judged.

    place : one of PLACES.  before, after : outcomes; after is None where it cannot be judged by the rules of
    today.  Grades by title: before_grade was ordered then, before_downgrade it was downgraded to (None where
    it was not); the same for after.  reason : the first that speaks for the new outcome, or why there is none
    """

    sheet_id: int
    label: str
    place: str
    pack: str | None
    customer: str | None
    shipped_at: datetime | None
    decided_at: datetime
    before: str
    before_grade: str
    before_downgrade: str | None
    after: str | None
    after_grade: str | None
    after_downgrade: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangesPage:
    """A part of the list. sheets : looked through so far, of `all_sheets`.  go_on : where the next part
    begins, None at the end.
    """

    changed: tuple[Changed, ...]
    sheets: int
    all_sheets: int
    go_on: str | None


def all_changes(session: Session, book: GradeBook, *, since: datetime) -> Iterator[Changed]:
    """All of them among the verdicts given since then, shipped ones first, then the yard, then loose ones.

    book : the program's grades.  The newest verdict of each place comes first.
    """
    for _, changed in _walk(session, book, since, (0, None)):
        if changed is not None:
            yield changed


def changes_page(
    session: Session,
    book: GradeBook,
    *,
    since: datetime,
    go_on: str = "",
    most_s: float = MOST_S,
    most_changed: int = MOST_CHANGED,
) -> ChangesPage:
    """A part of the list: as far as it comes in `most_s` seconds; `go_on` as the part before gave it.

    Raises BadValue for a `go_on` that no part gave.
    """
    begin, before = _read_place(go_on)
    changed: list[Changed] = []
    looked_through, last, whole = before, "", True
    until = time.monotonic() + most_s
    for (rank, verdict_id), found in _walk(session, book, since, begin):
        late = time.monotonic() > until and looked_through > before
        if late or len(changed) >= most_changed:
            whole = False
            break
        looked_through += 1
        last = f"{rank}-{verdict_id}-{looked_through}"
        if found is not None:
            changed.append(found)
    return ChangesPage(
        changed=tuple(changed),
        sheets=looked_through,
        all_sheets=session.scalar(_verdicts_since(since)) or 0,
        go_on=None if whole else last,
    )


def _walk(
    session: Session, book: GradeBook, since: datetime, begin: tuple[int, int | None]
) -> Iterator[tuple[tuple[int, int], Changed | None]]:
    """Every sheet in order with what became of it: its place (rank, verdict id), None where nothing would."""
    judge = _Anew(session, plant_book(session, book))
    first, below = begin
    for rank in range(first, len(PLACES)):
        while True:
            rows = session.execute(_rows(since, rank, below)).all()
            judge.read([row[0].id for row in rows])
            for sheet, verdict_id, *rest in rows:
                yield (rank, verdict_id), judge.changed(sheet, verdict_id, PLACES[rank], *rest)
            if len(rows) < _AT_ONCE:
                break
            below = rows[-1][1]
        below = None


def _rows(since: datetime, rank: int, below: int | None) -> Any:
    place: ColumnElement[bool] = (
        Pack.shipped_at.is_not(None),
        and_(Pack.id.is_not(None), Pack.shipped_at.is_(None)),
        Pack.id.is_(None),
    )[rank]
    query = (
        select(
            Sheet,
            Verdict.id,
            Pack,
            Line,
            Customer.name,
            Verdict.outcome,
            Verdict.grade_id,
            Verdict.downgrade_to,
            Verdict.decided_at,
        )
        .join(Verdict, and_(Verdict.sheet_id == Sheet.id, Verdict.current))
        .join(Line, Line.id == Sheet.line_id)
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .where(Verdict.decided_at >= since, _through(), place)
        .order_by(Verdict.id.desc())
        .limit(_AT_ONCE)
    )
    return query if below is None else query.where(Verdict.id < below)


def _verdicts_since(since: datetime) -> Any:
    query = select(func.count(Verdict.id)).join(Sheet, Sheet.id == Verdict.sheet_id)
    return query.where(Verdict.current, Verdict.decided_at >= since, _through())


def _through() -> ColumnElement[bool]:
    return Sheet.state.not_in(("waiting", "in_work"))


class _Anew:
    """Judges sheets anew, a batch of records at a time; what judges alike is judged once."""

    def __init__(self, session: Session, book: GradeBook) -> None:
        self._session, self._book = session, book
        self._looked: dict[tuple[Any, ...], LookedAt] = {}
        self._clean: dict[tuple[Any, ...], Decision] = {}

    def read(self, sheet_ids: Sequence[int]) -> None:
        """Read the records of a batch of sheets."""
        session = self._session
        photos, looks, defects = defaultdict(list), defaultdict(list), defaultdict(list)
        for photo in session.scalars(select(Photo).where(Photo.sheet_id.in_(sheet_ids)).order_by(Photo.id)):
            photos[photo.sheet_id].append(photo)
        for look in session.scalars(
            select(Look).where(Look.sheet_id.in_(sheet_ids), Look.current).order_by(Look.id)
        ):
            looks[look.sheet_id].append(look)
        for defect in session.scalars(
            select(Defect).where(Defect.sheet_id.in_(sheet_ids), Defect.current).order_by(Defect.number)
        ):
            defects[defect.sheet_id].append(defect)
        decided = select(FindDecision.find_id).where(FindDecision.current)
        found = (
            select(Photo.sheet_id)
            .join(Find, Find.photo_id == Photo.id)
            .where(Photo.sheet_id.in_(sheet_ids), or_(Find.run == Photo.run, Find.id.in_(decided)))
        )
        self._photos, self._looks, self._defects = photos, looks, defects
        self._with_finds = set(session.scalars(found.distinct()))
        unseen = [number for number in sheet_ids if number not in photos and number not in looks]
        before = select(Verdict.sheet_id, Verdict.coverage, Verdict.sheet_as_judged)
        before = before.where(Verdict.sheet_id.in_(unseen), Verdict.current)
        self._before = {row[0]: (row[1], row[2]) for row in session.execute(before)}

    def changed(
        self,
        sheet: Sheet,
        verdict_id: int,
        place: str,
        pack: Pack | None,
        _line: Line,
        customer: str | None,
        outcome: str,
        grade_id: str,
        downgrade_to: str | None,
        decided_at: datetime,
    ) -> Changed | None:
        """What a sheet of the batch would come to; None where it comes to the same."""
        decision: Decision | None = None
        grade: Grade | None = None
        try:
            grade, use = grade_for(self._session, self._book, sheet)
            decision = self._decision(self._to_judge(sheet, grade, use), grade)
        except LehrbookError as error:
            reason = str(error)
        else:
            if _comes_to(outcome, grade_id, downgrade_to) == _comes_to(
                decision.outcome, grade.id, decision.downgrade_to
            ):
                return None
            reason = _reason(decision)
        titles = self._titles(verdict_id)
        return Changed(
            sheet_id=sheet.id,
            label=sheet.label,
            place=place,
            pack=None if pack is None else pack.label,
            customer=customer,
            shipped_at=None if pack is None else pack.shipped_at,
            decided_at=decided_at,
            before=outcome,
            before_grade=self._title(grade_id, titles),
            before_downgrade=None if downgrade_to is None else self._title(downgrade_to, titles),
            after=None if decision is None else decision.outcome,
            after_grade=None if grade is None else grade.title,
            after_downgrade=None
            if decision is None or decision.downgrade_to is None
            else self._book.grade(decision.downgrade_to).title,
            reason=reason,
        )

    def _to_judge(self, sheet: Sheet, grade: Grade, use: str) -> SheetToJudge:
        photos, looks = self._photos.get(sheet.id, []), self._looks.get(sheet.id, [])
        looked = self._looked_from(sheet, photos, looks, grade.smallest_class_mm)
        seen = sheet_seen(self._session, sheet.id) if sheet.id in self._with_finds else _NOTHING_SEEN
        to_judge = sheet_of_records(sheet, use, looked, seen, self._defects.get(sheet.id, []))
        if sheet.id in self._before:
            return seen_as_before(to_judge, *self._before[sheet.id])
        return to_judge

    def _looked_from(
        self, sheet: Sheet, photos: Sequence[Photo], looks: Sequence[Look], needed_mm: float | None
    ) -> LookedAt:
        if photos:  # they differ, and so do the notes on them
            return looked_from(sheet, photos, looks, needed_mm)
        parts = tuple(parts_looked_at(sheet, (), looks))
        key = (sheet.width_mm, sheet.length_mm, needed_mm, parts)
        if key not in self._looked:
            self._looked[key] = looked_from(sheet, (), looks, needed_mm)
        return self._looked[key]

    def _decision(self, sheet: SheetToJudge, grade: Grade) -> Decision:
        if sheet.defects:
            return judge_ladder(sheet, grade, self._book.ladder(grade.id))
        # most sheets carry nothing; those alike in what else matters have one answer
        key = (
            grade.id, sheet.width_mm, sheet.length_mm, sheet.thickness_mm, sheet.use, sheet.covered_fraction,
            sheet.smallest_sized_mm, sheet.missing, sheet.optical_angle_deg,
            tuple(sorted(sheet.answers.items())),
        )  # fmt: skip
        if key not in self._clean:
            self._clean[key] = judge_ladder(sheet, grade, self._book.ladder(grade.id))
        return self._clean[key]

    def _titles(self, verdict_id: int) -> dict[str, str]:
        """Titles of grades as the verdict kept them, by id."""
        ladder = self._session.scalar(select(Verdict.ladder).where(Verdict.id == verdict_id))
        return {step["grade"]: step["title"] for step in ladder or () if step.get("title")}

    def _title(self, grade_id: str, kept: dict[str, str]) -> str:
        if grade_id in kept:
            return kept[grade_id]
        return self._book.grade(grade_id).title if grade_id in self._book.ids() else grade_id


def _comes_to(outcome: str, grade_id: str, downgrade_to: str | None) -> tuple[str, str | None]:
    """What counts of a verdict: the grade as which a sheet passes, that it does not, or that nobody knows.

    A sheet that was downgraded and then packed for that grade passes as what it passed before.
    """
    if outcome == "accept":
        return "passes", grade_id
    return ("passes", downgrade_to) if outcome == "downgrade" else (outcome, None)


def _reason(decision: Decision) -> str:
    """The first reason for an outcome, clause first."""
    reasons = decision.verdicts[0].reasons
    against = [reason for reason in reasons if reason.outcome in ("reject", "not_judged")]
    if not against:
        return "every rule is met"
    return f"{against[0].clause}: {against[0].says}"


def _read_place(text: str) -> tuple[tuple[int, int | None], int]:
    """Where to go on, (rank of the place, verdict id), and how many sheets were looked through before."""
    if not text:
        return (0, None), 0
    parts = text.split("-")
    if len(parts) != 3 or not all(part.isdecimal() and len(part) < 19 for part in parts):
        raise BadValue(f"place in the list: {text[:40]!r} is none; begin the list anew")
    rank, verdict_id, before = (int(part) for part in parts)
    if rank >= len(PLACES):
        raise BadValue(f"place in the list: {text[:40]!r} is none; begin the list anew")
    return (rank, verdict_id), before
