"""What a sheet's history is made of: frozen rows, as pages, the dossier and tests take them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

__all__ = [
    "ActHistory",
    "ClaimHistory",
    "DecisionHistory",
    "DefectHistory",
    "DefectRevision",
    "FindHistory",
    "GlassTime",
    "Neighbour",
    "PhotoHistory",
    "SheetFacts",
    "SheetHistory",
    "VerdictHistory",
]


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """The sheet itself, its order and its place on the ribbon."""

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
    pack: str | None
    customer: str | None
    grade_ordered: str | None
    use: str | None
    shipped_at: datetime | None
    destination: str | None

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


@dataclass(frozen=True, slots=True)
class DecisionHistory:
    """One word of an inspector about a find; `current` marks the one that holds."""

    decision: str
    reason: str | None
    at: datetime
    by: str | None
    defect_number: int | None
    current: bool


@dataclass(frozen=True, slots=True)
class FindHistory:
    """What vision flagged, as it was flagged, and every decision about it."""

    id: int
    number: int
    kind: str
    not_glass: str | None
    x_mm: float | None
    y_mm: float | None
    x_px: float
    y_px: float
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    length_px: float | None
    width_px: float | None
    angle_deg: float | None
    path_px: tuple[tuple[float, float], ...]
    box_px: tuple[float, float, float, float] | None
    score: float
    flags: tuple[str, ...]
    same_as: bool
    decisions: tuple[DecisionHistory, ...]

    @property
    def decision(self) -> DecisionHistory | None:
        """The decision that holds; None while nobody has decided."""
        return next((d for d in self.decisions if d.current), None)


@dataclass(frozen=True, slots=True)
class PhotoHistory:
    """One photo with its finds of the latest inspection."""

    id: int
    sha256: str
    name: str
    size_bytes: int
    state: str
    message: str | None
    added_at: datetime
    added_by: str | None
    inspected_at: datetime | None
    lighting: str | None
    width_px: int | None
    height_px: int | None
    mm_per_px: float | None
    scale_source: str | None
    scale_residual_mm: float | None
    smallest_sized_mm: float | None
    covered_mm: tuple[float, float, float, float] | None
    covered_fraction: float | None
    messages: tuple[str, ...]
    earlier_runs: int
    finds: tuple[FindHistory, ...]


@dataclass(frozen=True, slots=True)
class DefectRevision:
    """One row of the books about a defect, with who wrote it and when."""

    id: int
    kind: str
    source: str
    x_mm: float | None
    y_mm: float | None
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    detection_distance_mm: float | None
    angle_deg: float | None
    path_mm: tuple[tuple[float, float], ...]
    ribbon_m: float | None
    ribbon_x_mm: float | None
    found_at: datetime
    note: str | None
    recorded_at: datetime
    recorded_by: str | None
    withdrawn: bool
    current: bool
    find_id: int | None


@dataclass(frozen=True, slots=True)
class DefectHistory:
    """All revisions of one defect, oldest first."""

    number: int
    revisions: tuple[DefectRevision, ...]

    @property
    def current(self) -> DefectRevision | None:
        """The revision that counts today; None for a withdrawn defect."""
        return next((r for r in self.revisions if r.current), None)

    @property
    def last(self) -> DefectRevision:
        """The newest revision, withdrawn or not."""
        return self.revisions[-1]


@dataclass(frozen=True, slots=True)
class VerdictHistory:
    """A verdict with all that it rested on."""

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

    @property
    def rule_set_title(self) -> str:
        """Title of the rule set as it was kept with the verdict; the grade's id where none was kept."""
        return next((str(step["title"]) for step in self.ladder if step.get("title")), self.grade_id)

    def title_of(self, grade_id: str) -> str:
        """Title of a grade as it was kept with the verdict; its id where none was kept."""
        kept = (
            str(step["title"]) for step in self.ladder if step.get("grade") == grade_id and step.get("title")
        )
        return next(kept, grade_id)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A sheet of the same ribbon near this one, and where it went.

    relation : "before" (cut earlier), "after" or "beside" (same metres, another place across)
    gap_m    : ribbon between the two sheets, 0 where they touch or lie beside each other
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
    outcome: str | None
    downgrade_to: str | None
    state: str
    pack: str | None
    customer: str | None
    shipped_at: datetime | None
    destination: str | None


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
    """Everything that is on record about one sheet."""

    sheet: SheetFacts
    photos: tuple[PhotoHistory, ...] = ()
    defects: tuple[DefectHistory, ...] = ()
    verdicts: tuple[VerdictHistory, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    times: tuple[GlassTime, ...] = ()
    claims: tuple[ClaimHistory, ...] = ()
    acts: tuple[ActHistory, ...] = field(default=())

    @property
    def verdict(self) -> VerdictHistory | None:
        """The verdict that holds; None for a sheet that was not finished."""
        return next((v for v in self.verdicts if v.current), None)

    @property
    def counted(self) -> tuple[tuple[int, DefectRevision], ...]:
        """Number and revision of each defect that counts today."""
        return tuple((d.number, d.current) for d in self.defects if d.current is not None)

    @property
    def grade_ordered_title(self) -> str | None:
        """Title of the grade ordered as a verdict kept it, its id without one; None where none was named."""
        ordered = self.sheet.grade_ordered
        return ordered if ordered is None or self.verdict is None else self.verdict.title_of(ordered)
