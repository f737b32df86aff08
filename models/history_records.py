"""What a sheet's history is made of: frozen rows, as pages, the dossier and tests take them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from models.history_evidence import (
    DecisionHistory,
    DefectHistory,
    DefectRevision,
    FindHistory,
    LookHistory,
    PhotoHistory,
)
from models.packs import PackStanding
from models.sheet.looked import LookStatement
from models.sheet.looked_words import count_words, defects_words

__all__ = [
    "ActHistory",
    "ClaimHistory",
    "DecisionHistory",
    "DefectHistory",
    "DefectRevision",
    "FindHistory",
    "GlassTime",
    "LookHistory",
    "Neighbour",
    "PhotoHistory",
    "SheetFacts",
    "SheetHistory",
    "VerdictHistory",
]


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """The sheet itself, its order and its place on the ribbon.

    looked_fraction : part of it that was looked at, 0 to 1; None where nobody knows
    """

    id: int
    label: str
    line_id: int
    line: str
    plant: str
    time_zone: str
    state: str
    length_mm: float
    width_mm: float
    thickness_mm: float
    ribbon_start_m: float
    x_left_mm: float
    cut_at: datetime
    inspected_at: datetime | None
    inspected_by: str | None
    shift: str | None
    crew: str | None
    pack_id: int | None
    pack: str | None
    customer: str | None
    grade_ordered: str | None
    use: str | None
    shipped_at: datetime | None
    destination: str | None
    looked_fraction: float | None

    @property
    def ribbon_end_m(self) -> float:
        """Ribbon metre of the trailing edge."""
        return self.ribbon_start_m + self.length_mm / 1000.0

    @property
    def middle_m(self) -> float:
        """Ribbon metre of its middle."""
        return (self.ribbon_start_m + self.ribbon_end_m) / 2.0

    @property
    def area_m2(self) -> float:
        """Area of the sheet."""
        return self.length_mm * self.width_mm / 1e6


#: what a close call asks for while the sheet is still there
_ADVICE = ": take a close-up"


@dataclass(frozen=True, slots=True)
class VerdictHistory:
    """A verdict with all that it rested on.

    titles : of the grades in use today by id, for verdicts that kept none
    """

    id: int
    grade_id: str
    use: str
    rule_set_version: str
    rule_set_sha256: str
    outcome: str
    downgrade_to: str | None
    close_call: bool
    reasons: tuple[dict[str, Any], ...]
    ladder: tuple[dict[str, Any], ...]
    defects: tuple[dict[str, Any], ...]
    coverage: dict[str, Any]
    decided_at: datetime
    decided_by: str | None
    current: bool
    titles: Mapping[str, str] = field(default_factory=dict)

    @property
    def close_calls(self) -> tuple[str, ...]:
        """Sizes within their uncertainty of a limit, a sentence each, as kept for the grade ordered."""
        kept = next((step for step in self.ladder if step.get("grade") == self.grade_id), {})
        calls = tuple(str(call).removesuffix(_ADVICE) for call in kept.get("close_calls") or ())
        if calls or not self.close_call:
            return calls
        return ("a size lies within its uncertainty of a limit; which one was not kept with the verdict",)

    @property
    def rule_set_title(self) -> str:
        """Title of the rule set as it was kept with the verdict."""
        return next(
            (str(step["title"]) for step in self.ladder if step.get("title")), self._today(self.grade_id)
        )

    def title_of(self, grade_id: str) -> str:
        """Title of a grade as it was kept with the verdict; else as it is today, else its id."""
        kept = (
            str(step["title"]) for step in self.ladder if step.get("grade") == grade_id and step.get("title")
        )
        return next(kept, self._today(grade_id))

    def _today(self, grade_id: str) -> str:
        return self.titles.get(grade_id, grade_id)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A sheet of the same ribbon near this one, and where it went.

    relation : "before" (cut earlier), "after" or "beside" (same metres, another place across)
    gap_m    : ribbon between the two sheets, 0 where they touch or lie beside each other
    looked_fraction : part of it that was looked at, None where nobody knows
    downgrade_to : title of the grade, as kept with the verdict
    """

    relation: str
    sheet_id: int
    label: str
    ribbon_start_m: float
    length_mm: float
    x_left_mm: float
    width_mm: float
    gap_m: float
    defects: int
    looked_fraction: float | None
    outcome: str | None
    downgrade_to: str | None
    state: str
    pack: str | None
    customer: str | None
    shipped_at: datetime | None
    destination: str | None

    @property
    def count(self) -> str:
        """Its number of defects over what was looked at, for a column of numbers."""
        return count_words(self.defects, self.looked_fraction)

    @property
    def words(self) -> str:
        """The same where no heading says that defects are counted."""
        return defects_words(self.defects, self.looked_fraction)


@dataclass(frozen=True, slots=True)
class GlassTime:
    """When a piece of glass was at a place of the line.

    station : "cutting", "inspection", "lehr_exit", "lehr_entry", "bath_exit", "bath_entry"
    """

    station: str
    at: datetime
    upstream_m: float


@dataclass(frozen=True, slots=True)
class ClaimHistory:
    """A claim about this sheet or its pack."""

    number: str
    about: str
    says: str
    state: str
    received_at: datetime
    answer: str | None
    answered_at: datetime | None
    answered_by: str | None


@dataclass(frozen=True, slots=True)
class ActHistory:
    """One entry of the audit chain that concerns this sheet."""

    id: int
    at: datetime
    who: str
    origin: str
    action: str
    subject_kind: str
    subject_id: int | None
    details: dict[str, Any]
    hash: str


@dataclass(frozen=True, slots=True)
class SheetHistory:
    """Everything that is on record about one sheet.

    decisions : all about finds of its photos, oldest first.  pack : how its pack stands by the rules of
    today; None where it is in none, or no grades were at hand
    """

    sheet: SheetFacts
    photos: tuple[PhotoHistory, ...] = ()
    looks: tuple[LookHistory, ...] = ()
    decisions: tuple[DecisionHistory, ...] = ()
    defects: tuple[DefectHistory, ...] = ()
    verdicts: tuple[VerdictHistory, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    times: tuple[GlassTime, ...] = ()
    claims: tuple[ClaimHistory, ...] = ()
    acts: tuple[ActHistory, ...] = field(default=())
    pack: PackStanding | None = None

    @property
    def verdict(self) -> VerdictHistory | None:
        """The verdict that holds; None for a sheet that was not finished."""
        return next((v for v in self.verdicts if v.current), None)

    @property
    def statements(self) -> tuple[LookStatement, ...]:
        """What people said that they looked at."""
        return tuple(look.statement for look in self.looks if look.statement is not None)

    @property
    def counted(self) -> tuple[tuple[int, DefectRevision], ...]:
        """Number and revision of each defect that counts today."""
        return tuple((d.number, d.current) for d in self.defects if d.current is not None)

    @property
    def grade_ordered_title(self) -> str | None:
        """Title of the grade ordered: as a verdict kept it, else as it is today; None where none was named.

        Its id where nobody knows a title.
        """
        ordered = self.sheet.grade_ordered
        if ordered is None:
            return None
        if self.verdict is not None:
            return self.verdict.title_of(ordered)
        grade = None if self.pack is None else self.pack.grade
        return grade.title if grade is not None and grade.id == ordered else ordered
