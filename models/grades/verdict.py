"""What a judgement says: reasons, verdicts, decisions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from models.grades.explain import SAFETY
from models.grades.names import called

ACCEPT, REJECT, NOT_JUDGED, NOT_EXAMINED = "accept", "reject", "not_judged", "not_examined"
"""Outcomes of a reason. A verdict is accept, reject or not_judged; what was not examined is named in its
notes.
"""


@dataclass(frozen=True, slots=True)
class Reason:
    """What one rule says about one sheet.

    finds : indices into the sheet's defects of those that decide.  limit, counted : numbers, None where the
    rule has none.  outcome : one of the four above.  marks : shapes in sheet mm that show why, for a drawing:
    {"circle": [x, y, radius]}, {"line": [x0, y0, x1, y1]}, or {"open_end": [x, y]} for a place at which a
    fault runs out of all photos.  open_question : name of the answer that is missing.
    """

    clause: str
    says: str
    finds: tuple[int, ...]
    limit: int | float | None
    counted: int | float | None
    outcome: str
    rule: str = ""
    source: str = ""
    remembered: bool = False
    marks: tuple[dict[str, Any], ...] = ()
    open_question: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The reason as JSON: clause, says, finds, limit, counted, outcome, source and what else applies."""
        data: dict[str, Any] = {
            "clause": self.clause, "says": self.says, "finds": list(self.finds), "limit": self.limit,
            "counted": self.counted, "outcome": self.outcome, "source": self.source,
        }  # fmt: skip
        if self.remembered:
            data["remembered"] = True
        if self.marks:
            data["marks"] = [dict(mark) for mark in self.marks]
        if self.open_question:
            data["open_question"] = self.open_question
        return data


def outcome_of(reasons: Iterable[Reason]) -> str:
    """The outcome that reasons come to together: what rejects weighs most, then what is not judged."""
    outcomes = {reason.outcome for reason in reasons}
    return REJECT if REJECT in outcomes else NOT_JUDGED if NOT_JUDGED in outcomes else ACCEPT


SAID = {ACCEPT: "accepted", REJECT: "rejected", NOT_JUDGED: "not judged"}
"""Outcomes as said of a sheet."""

WEIGHT = {ACCEPT: 0, NOT_JUDGED: 1, REJECT: 2}
"""How bad an outcome is, for comparing."""


@dataclass(frozen=True, slots=True)
class CloseCall:
    """A size that lies within its uncertainty of a limit: a close-up can settle it."""

    find: int
    clause: str
    size_mm: float
    sd_mm: float
    limit_mm: float
    name: str = ""
    measure: str = "size"

    def words(self) -> str:
        return (
            f"{called([self.name or str(self.find + 1)])} measures {self.size_mm:.2f} ± {self.sd_mm:.2f} mm, "
            f"the limit is {self.limit_mm:g} mm ({self.clause}): take a close-up"
        )


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judgement of one sheet by one grade.

    would_say : what the rules would say where the grade may not decide yet; else the outcome itself.
    sizes : (measured, as this grade sizes it) in mm for each defect, None where it could not be sized.
    """

    grade: str
    version: str
    source: str
    outcome: str
    reasons: tuple[Reason, ...]
    close_calls: tuple[CloseCall, ...] = ()
    notes: tuple[str, ...] = ()
    would_say: str = ""
    sizes: tuple[tuple[float | None, float | None], ...] = ()
    title: str = ""
    sha256: str = ""
    confirmed_by: str | None = None
    edition: str = ""
    safety: str = field(default=SAFETY)

    @property
    def close_call(self) -> bool:
        """Whether a size lies within its uncertainty of a limit."""
        return bool(self.close_calls)

    def to_dict(self) -> dict[str, Any]:
        """The verdict as JSON: grade, outcome and reasons as the contract has them, and the rest beside."""
        return {
            "grade": self.grade, "version": self.version, "title": self.title,
            "edition": self.edition, "source": self.source,
            "rule_set_sha256": self.sha256, "outcome": self.outcome, "would_say": self.would_say,
            "reasons": [reason.to_dict() for reason in self.reasons], "close_call": self.close_call,
            "close_calls": [call.words() for call in self.close_calls],
            "sizes": [{"measured_mm": m, "by_grade_mm": g} for m, g in self.sizes],
            "notes": list(self.notes), "confirmed_by": self.confirmed_by, "safety": self.safety,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Decision:
    """What becomes of a sheet: the ordered grade's outcome, or the best grade further down that it meets."""

    outcome: str
    downgrade_to: str | None
    verdicts: tuple[Verdict, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "outcome": self.outcome,
            "downgrade_to": self.downgrade_to,
            "verdicts": [verdict.to_dict() for verdict in self.verdicts],
        }
