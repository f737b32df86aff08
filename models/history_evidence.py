"""What was seen of a sheet and said about it: looks, photos, finds with decisions, defects; frozen rows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from models.sheet.labels import defect_label, find_label
from models.sheet.looked import LookStatement

__all__ = [
    "DecisionHistory",
    "DefectHistory",
    "DefectRevision",
    "FindHistory",
    "LookHistory",
    "PhotoHistory",
]


@dataclass(frozen=True, slots=True)
class LookHistory:
    """One look at the sheet, by a person or by a photo.

    part, how : in words.  by, at : None where nobody told.  note : why a photo does not count, else empty.
    statement : what a person said; None of a photo.
    """

    part: str
    how: str
    by: str | None
    at: datetime | None
    note: str = ""
    statement: LookStatement | None = None


@dataclass(frozen=True, slots=True)
class DecisionHistory:
    """One word of an inspector about a find; `current` marks the one that holds.

    photo_number, find_number : the find at which it was said.  earlier : that find is of an earlier
    inspection of its photo
    """

    photo_number: int
    find_number: int
    earlier: bool
    decision: str
    reason: str | None
    at: datetime
    by: str | None
    defect_number: int | None
    current: bool

    @property
    def find(self) -> str:
        """What the find is called."""
        label = find_label(self.photo_number, self.find_number)
        return f"{label} of an earlier inspection" if self.earlier else label


@dataclass(frozen=True, slots=True)
class FindHistory:
    """What vision flagged, as it was flagged, and every decision about the defect that it shows.

    label : what it is called, such as 2-7.  also : labels of the other finds of the same defect.
    seen_kind, seen_not_glass : kind, and what it is instead of a defect, as all photos together show it.
    decisions : about any find of the same defect, oldest first.  asks : why it is to be decided again
    """

    id: int
    number: int
    label: str
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
    also: tuple[str, ...]
    seen_kind: str
    seen_not_glass: str | None
    asks: str
    decisions: tuple[DecisionHistory, ...]

    @property
    def decision(self) -> DecisionHistory | None:
        """The decision that holds about the defect it shows; None while nobody has decided."""
        return next((d for d in reversed(self.decisions) if d.current), None)

    @property
    def name(self) -> str:
        """What it is called on the sheet: by its defect's number once it is one."""
        said = self.decision
        if said is None or said.decision == "dismissed" or said.defect_number is None:
            return self.label
        return defect_label(said.defect_number)


@dataclass(frozen=True, slots=True)
class PhotoHistory:
    """One photo with its finds of the latest inspection. number : among those of its sheet, from 1."""

    id: int
    number: int
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
    """One row of the books about a defect, with who wrote it and when.

    open_at_mm : where it runs out of all photos; its length is then at least length_mm.
    reason : why it was withdrawn, as said; empty where nothing was said
    """

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
    open_at_mm: tuple[tuple[float, float], ...]
    ribbon_m: float | None
    ribbon_x_mm: float | None
    found_at: datetime
    note: str | None
    recorded_at: datetime
    recorded_by: str | None
    withdrawn: bool
    current: bool
    find_id: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class DefectHistory:
    """All revisions of one defect, oldest first.

    parts : labels of the finds that show it.  asks : why it is to be decided again, empty where not
    """

    number: int
    revisions: tuple[DefectRevision, ...]
    parts: tuple[str, ...] = ()
    asks: str = ""

    @property
    def label(self) -> str:
        """What it is called."""
        return defect_label(self.number)

    @property
    def current(self) -> DefectRevision | None:
        """The revision that counts today; None for a withdrawn defect."""
        return next((r for r in self.revisions if r.current), None)

    @property
    def last(self) -> DefectRevision:
        """The newest revision, withdrawn or not."""
        return self.revisions[-1]
