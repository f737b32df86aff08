"""How a pack stands: its sheets judged one by one, the averages over them, and what of it nobody looked at.

The one place where a pack is judged from the books: booth, history, dossier and the pack's own page come
here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import inspections
from models.errors import NoSuchRecord
from models.grade_books import plant_book
from models.grades import Grade, GradeBook, SheetToJudge
from models.grades.pack import AverageSoFar, PackVerdict, judge_pack
from models.records import Pack, Sheet, Verdict
from models.sheet.to_judge import kept_sheet

__all__ = ["PackStanding", "SheetInPack", "pack_standing"]

_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetInPack:
    """One sheet of a pack.

    state : as the books have it.  looked_fraction : part of it that was looked at, None where nobody knows.
    judged : as the pack's verdict takes it; None where there is nothing to go by, so that it is in no average
    """

    id: int
    label: str
    state: str
    looked_fraction: float | None
    judged: SheetToJudge | None

    @property
    def not_looked(self) -> bool:
        """Whether it is known that nobody looked at it, or nobody has yet."""
        return not self.looked_fraction and not self.unknown and self.state != "in_work"

    @property
    def unknown(self) -> bool:
        """Whether it is through and nobody knows if it was looked at."""
        return self.looked_fraction is None and self.state not in ("waiting", "in_work")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackStanding:
    """What the rules of today say of a pack as it stands.

    ordered : id of the grade ordered, None where none is.  grade : the grade it is judged by; None where none
    is named, or the one ordered is not among the grades in use.  verdict : over the sheets that are judged;
    None without a grade or without such a sheet.
    """

    pack_id: int
    label: str
    ordered: str | None
    grade: Grade | None
    sheets: tuple[SheetInPack, ...]
    verdict: PackVerdict | None

    @property
    def outcome(self) -> str | None:
        """accept, reject or not_judged for the sheets judged; None where there is nothing to judge."""
        return None if self.verdict is None else self.verdict.outcome

    @property
    def averages(self) -> tuple[AverageSoFar, ...]:
        """The grade's averages: `words()`, counted, allowed, left, outcome of each; empty where none."""
        return () if self.verdict is None else self.verdict.averages

    @property
    def judged(self) -> tuple[SheetInPack, ...]:
        """The sheets that the verdict and the averages are over, in the order of `verdict.sheets`."""
        return tuple(sheet for sheet in self.sheets if sheet.judged is not None)

    @property
    def left_out(self) -> tuple[SheetInPack, ...]:
        """The sheets that are in no average."""
        return tuple(sheet for sheet in self.sheets if sheet.judged is None)

    @property
    def hold_back(self) -> tuple[str, ...]:
        """Labels of the sheets without which the rest keeps the rules; empty where that does not help."""
        out = () if self.verdict is None else self.verdict.hold_back or ()
        return tuple(self.judged[place].label for place in out)

    @property
    def not_looked(self) -> tuple[str, ...]:
        """Labels of the sheets that nobody looked at."""
        return tuple(sheet.label for sheet in self.sheets if sheet.not_looked)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Labels of the sheets of which nobody knows whether they were looked at."""
        return tuple(sheet.label for sheet in self.sheets if sheet.unknown)

    def outcome_words(self) -> str:
        """The outcome with what it is over, as one sentence."""
        if self.grade is None:
            why = "no grade is ordered for it" if self.ordered is None else "its grade is out of use"
            return f"the pack is not judged: {why}"
        if self.outcome is None:
            return "the pack is not judged: none of its sheets has a verdict yet or is in work"
        said = {"accept": "keeps", "reject": "breaks"}.get(self.outcome, "cannot be judged by")
        part = f"{len(self.judged)} of its" if self.left_out else "all its"
        over = _many(len(self.sheets), "sheet")
        return f"going by {part} {over}, the pack {said} {self.grade.title}"

    def sheet_words(self) -> tuple[str, ...]:
        """Which of its sheets fail by themselves or cannot be judged, and what else is to know: sentences."""
        if self.verdict is None:
            return ()
        sentences = []
        for outcome, one, more in (
            ("reject", "does not meet the grade by itself", "do not meet the grade by themselves"),
            ("not_judged", "cannot be judged by itself", "cannot be judged by themselves"),
        ):
            both = zip(self.judged, self.verdict.sheets, strict=True)
            labels = [sheet.label for sheet, verdict in both if verdict.outcome == outcome]
            if labels:
                said = one if len(labels) == 1 else more
                sentences.append(f"{_of(labels, len(self.sheets))} {said}")
        return (*sentences, *self.verdict.notes)

    def average_words(self) -> tuple[str, ...]:
        """Each average with its clause and its figures, those that are exceeded first."""
        ordered = sorted(self.averages, key=lambda average: average.outcome == "accept")
        return tuple(f"{average.clause}: {average.words()}" for average in ordered)

    def sentences(self) -> tuple[str, ...]:
        """All that is to say of the pack, the outcome first."""
        return (
            self.outcome_words(), *self.average_words(), *self.sheet_words(), *self.looked_words(),
        )  # fmt: skip

    def looked_words(self) -> tuple[str, ...]:
        """What of the pack nobody looked at, and what nobody knows: a sentence each, none where all was."""
        sentences = []
        if self.not_looked:
            sentences.append(f"nobody inspected {_of(self.not_looked, len(self.sheets))}")
        if self.unknown:
            they = "it was" if len(self.unknown) == 1 else "they were"
            sentences.append(
                f"nobody knows of {_of(self.unknown, len(self.sheets))} whether {they} looked at"
            )
        out = [sheet.label for sheet in self.left_out]
        if out and self.verdict is not None:
            sentences.append(
                f"{_many(len(out), 'sheet')} without a verdict {'is' if len(out) == 1 else 'are'} not in the"
                " figures"
            )
        return tuple(sentences)


def pack_standing(
    session: Session, book: GradeBook, pack_id: int, grade_id: str | None = None
) -> PackStanding:
    """Judge a pack as it stands, by the grade ordered or by another; nothing is stored.

    A sheet with a verdict is taken as its verdict saw it; one without, of which something was looked at or
    that is in work, as it stands.

    book : the program's grades.  Raises NoSuchRecord, and NoSuchGrade for the other grade.
    """
    pack = session.get(Pack, pack_id)
    if pack is None:
        raise NoSuchRecord(f"pack number {pack_id}: there is no such pack")
    grades = plant_book(session, book)
    wanted = grade_id or (pack.grade_id if pack.grade_id in grades.ids() else None)
    grade = None if wanted is None else grades.grade(wanted)
    rows = session.scalars(
        select(Sheet).where(Sheet.pack_id == pack_id).order_by(Sheet.ribbon_start_m, Sheet.id)
    ).all()
    kept = {} if grade is None else _kept(session, pack_id)
    sheets = tuple(
        SheetInPack(
            id=row.id,
            label=row.label,
            state=row.state,
            looked_fraction=row.looked_fraction,
            judged=None
            if grade is None
            else kept[row.id]
            if row.id in kept
            else _as_it_stands(session, book, row, grade),
        )
        for row in rows
    )
    judged = [sheet.judged for sheet in sheets if sheet.judged is not None]
    return PackStanding(
        pack_id=pack.id,
        label=pack.label,
        ordered=pack.grade_id,
        grade=grade,
        sheets=sheets,
        verdict=judge_pack(judged, grade) if judged and grade is not None else None,
    )


def _kept(session: Session, pack_id: int) -> dict[int, SheetToJudge]:
    """The pack's sheets that have a verdict, as it saw them."""
    query = (
        select(Verdict.sheet_id, Verdict.sheet_as_judged, Verdict.defects, Verdict.coverage)
        .join(Sheet, Sheet.id == Verdict.sheet_id)
        .where(Sheet.pack_id == pack_id, Verdict.current)
    )
    return {
        sheet_id: kept_sheet(as_judged, defects, coverage)
        for sheet_id, as_judged, defects, coverage in session.execute(query)
    }


def _as_it_stands(session: Session, book: GradeBook, sheet: Sheet, grade: Grade) -> SheetToJudge | None:
    if sheet.state != "in_work" and not sheet.looked_fraction:
        return None
    return inspections.judge_sheet(session, book, sheet.id, grade.id).sheet


def _of(labels: Sequence[str], all_sheets: int) -> str:
    named = ", ".join(labels[:_NAMED]) + (", ..." if len(labels) > _NAMED else "")
    return f"{len(labels)} of its {_many(all_sheets, 'sheet')} ({named})"


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
