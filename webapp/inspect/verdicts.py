"""The verdict as the page says it: one word with its sign, then the reasons clause by clause."""

from dataclasses import dataclass

from sqlalchemy.orm import Session

from models import inspections
from models.errors import NotAllowedNow
from models.grades import GradeBook, Reason
from models.inspections import Judged
from models.records import Sheet
from models.sheet.looked import LookedAt
from webapp.inspect.rows import Row

WORDS = {"accept": "Accept", "downgrade": "Downgrade", "reject": "Reject", "not_judged": "Not judged"}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What stands largest on the page. `key` is accept, downgrade, reject, not_judged or no_grade."""

    key: str
    words: str
    grade: str
    note: str
    notes: tuple[str, ...]
    grade_is_free: bool
    viewing: str = ""


@dataclass(frozen=True, slots=True)
class Pointer:
    """A defect that a reason points to."""

    id: str
    label: str


@dataclass(frozen=True, slots=True)
class ReasonLine:
    """One clause: what it says, where it stands, which defects decide; `question` waits for a yes or no."""

    outcome: str
    says: str
    clause: str
    marks: tuple[Pointer, ...]
    question: str
    number: int


@dataclass(frozen=True, slots=True)
class LiveVerdict:
    """The judgement with what it rests on; `judged` is None while no grade is named."""

    outcome: Outcome
    judged: Judged | None
    coverage: LookedAt


def outcome_of(session: Session, book: GradeBook, sheet: Sheet) -> LiveVerdict:
    """The verdict as things stand now."""
    free = sheet.pack is None or not sheet.pack.grade_id
    try:
        judged = inspections.judge_sheet(session, book, sheet.id)
    except NotAllowedNow as error:
        outcome = Outcome("no_grade", "No grade chosen", "", str(error), (), grade_is_free=free)
        return LiveVerdict(outcome, None, inspections.looked_of(session, sheet.id))
    return LiveVerdict(_outcome(judged, book, free=free), judged, judged.coverage)


def reasons_of(judged: Judged | None, rows: dict[tuple[str, int], Row]) -> tuple[ReasonLine, ...]:
    """The ordered grade's reasons, those that decide first."""
    if judged is None:
        return ()
    verdict = judged.decision.verdicts[0]
    lines = [_line(number, reason, judged, rows) for number, reason in enumerate(verdict.reasons)]
    order = {"reject": 0, "not_judged": 1, "not_examined": 2, "accept": 3}
    return tuple(sorted(lines, key=lambda line: order.get(line.outcome, 2)))


def verdict_words(outcome: str, downgrade_to: str | None, book: GradeBook) -> str:
    """An outcome in words, with the grade that a downgrade goes to."""
    if outcome == "downgrade" and downgrade_to in book.ids():
        return f"Downgrade to {book.grade(downgrade_to).title}"
    return WORDS[outcome]


def _outcome(judged: Judged, book: GradeBook, *, free: bool) -> Outcome:
    decision, verdict = judged.decision, judged.decision.verdicts[0]
    edition = f", {judged.grade.edition}" if judged.grade.edition else ""
    note = ""
    if verdict.close_call:
        note = "Close call: a size lies within its uncertainty of a limit."
    elif decision.outcome == "not_judged" and verdict.would_say not in ("", "not_judged"):
        note = f"As far as it can be seen: {WORDS[verdict.would_say].lower()}."
    return Outcome(
        key=decision.outcome,
        words=verdict_words(decision.outcome, decision.downgrade_to, book),
        grade=f"{judged.grade.title}{edition}",
        note=note,
        notes=tuple(call.words() for call in verdict.close_calls) + verdict.notes,
        grade_is_free=free,
        viewing=judged.grade.viewing.words(),
    )


def _line(number: int, reason: Reason, judged: Judged, rows: dict[tuple[str, int], Row]) -> ReasonLine:
    pointers = []
    for index in reason.finds:
        ref = judged.sheet.defects[index].ref
        if isinstance(ref, dict):
            key = ("defect", ref["defect"]) if "defect" in ref else ("find", ref["find"])
            if key in rows:
                pointers.append(Pointer(rows[key].id, rows[key].label))
    return ReasonLine(
        reason.outcome, reason.says, reason.clause, tuple(pointers), reason.open_question, number
    )
