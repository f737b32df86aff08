"""A sheet made ready for the rules of one grade: exact numbers, sizes as the grade sizes, zones,
intensities.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from models.grades.kinds import family, tidy
from models.grades.numbers import Interval, exact, rounded_at
from models.grades.sheet import DefectToJudge, SheetToJudge

if TYPE_CHECKING:
    from models.grades.grade import Grade

_HALF = Decimal("0.5")
_SQUARE_MM = Decimal(1_000_000)


@dataclass(frozen=True, slots=True)
class Sizing:
    """How a standard sizes a fault.

    measure : `largest` dimension, or `mean` of length and width.
    halo : `ignore`; `factor`: a fault that shows a halo is sized as halo_factor times its nucleus;
    `include`: as the halo's own largest dimension.
    """

    measure: str = "largest"
    halo: str = "ignore"
    halo_factor: Decimal = Decimal(1)

    def size(self, defect: DefectToJudge, length: Decimal) -> Decimal:
        """Size in mm of a defect of that length in mm under this rule."""
        width = length if defect.width_mm is None else exact(defect.width_mm)
        size = (length + width) * _HALF if self.measure == "mean" else max(length, width)
        if defect.halo_mm is not None and exact(defect.halo_mm) > length:
            if self.halo == "factor":
                size *= self.halo_factor
            elif self.halo == "include":
                size = exact(defect.halo_mm)
        return size

    def sd(self, defect: DefectToJudge) -> Decimal:
        """Standard uncertainty of that size in mm; 0 where none is stated."""
        if defect.length_sd_mm is None:
            return Decimal(0)
        sd = exact(defect.length_sd_mm)
        if self.measure == "mean" and defect.width_sd_mm is not None:
            sd = (sd * sd + exact(defect.width_sd_mm) ** 2).sqrt() * _HALF
        if self.halo == "factor" and defect.halo_mm is not None and defect.length_mm is not None:
            sd = sd * self.halo_factor if defect.halo_mm > defect.length_mm else sd
        return sd

    def words(self) -> str:
        text = "mean of length and width" if self.measure == "mean" else "largest dimension of the nucleus"
        if self.halo == "factor":
            text += f", times {self.halo_factor} where a halo shows"
        elif self.halo == "include":
            text += ", with the halo where one shows"
        return text


@dataclass(frozen=True, slots=True)
class Zone:
    """A ring of the pane, named from the outside in. `to_mm` or `to_fraction` (of the side) is its inner
    limit.

    The innermost zone has neither. A fault exactly on the limit belongs to the zone inside it unless
    `outer_end_in`. Faults in an `ignored` zone are not judged.
    """

    name: str
    to_mm: Decimal | None = None
    to_fraction: Decimal | None = None
    outer_end_in: bool = False
    ignored: bool = False

    def reach(self, side_mm: Decimal) -> Decimal | None:
        """Distance in mm from an edge up to which the zone reaches, across a pane of that side."""
        if self.to_mm is not None:
            return self.to_mm
        return None if self.to_fraction is None else self.to_fraction * side_mm


@dataclass(frozen=True, slots=True)
class Sized:
    """A defect as one grade sees it, with one size. Lengths in mm; `index` is its place in the sheet's list
    of defects.

    bounds : what is known of its size, in words, where that size is only one of several that it can have.
    """

    index: int
    kind: str
    kinds: frozenset[str]
    x: Decimal
    y: Decimal
    size: Decimal
    length: Decimal
    width: Decimal | None
    zone: str
    intensity: str | None
    why_no_intensity: str
    defect: DefectToJudge
    bounds: str | None = None

    @property
    def name(self) -> str:
        """What reasons call it: as the caller does, else its place in the list, from 1."""
        return self.defect.name or str(self.index + 1)


@dataclass(frozen=True, slots=True)
class Case:
    """One sheet before one grade.

    area_m2 is kept to the decimals that the grade asks; exact_area_m2 is not rounded; perimeter_m in metres.
    bands : the grade's zones with how far each reaches across and along the pane, in mm.
    """

    sheet: SheetToJudge
    grade: Grade
    width: Decimal
    length: Decimal
    thickness: Decimal
    exact_area_m2: Decimal
    area_m2: Decimal
    perimeter_m: Decimal
    defects: tuple[Sized, ...]
    count_factor: Decimal = Decimal(1)
    count_plus: Decimal = Decimal(0)
    length_factor: Decimal = Decimal(1)
    length_step: Decimal | None = None
    panes: int | None = None
    bands: tuple[tuple[Zone, Decimal, Decimal], ...] = ()
    claimed: set[int] = field(default_factory=set)

    def with_defects(self, defects: Iterable[Sized]) -> Case:
        """The same pane with these defects, of which no rule has spoken yet."""
        return replace(self, defects=tuple(defects), claimed=set())


def make_case(sheet: SheetToJudge, grade: Grade) -> Case:
    """The sheet with every number exact and every defect sized, zoned and classed as `grade` asks.

    Every defect must have its length_mm; of sheets with unknown sizes `worlds` makes the cases.
    """
    case = pane_of(sheet, grade)
    return case.with_defects(sized(i, defect, case) for i, defect in enumerate(sheet.defects))


def pane_of(sheet: SheetToJudge, grade: Grade) -> Case:
    """The sheet's pane before the grade, without its defects."""
    width, length = exact(sheet.width_mm), exact(sheet.length_mm)
    area = width * length / _SQUARE_MM
    factor, plus, length_factor, step = grade.modifiers.applied(sheet.build, grade.base_panes)
    return Case(
        sheet, grade, width, length, exact(sheet.thickness_mm), area,
        rounded_at(area, grade.area_decimals, grade.area_rounding), 2 * (width + length) / 1000, (),
        factor, plus, length_factor, step, sheet.build.panes or grade.base_panes,
        tuple((z, z.reach(width) or Decimal(0), z.reach(length) or Decimal(0)) for z in grade.zones),
    )  # fmt: skip


def sized(index: int, defect: DefectToJudge, case: Case, bounds: str | None = None) -> Sized:
    """A defect of known length_mm as the case's grade sees it on the case's pane."""
    if defect.length_mm is None:
        raise ValueError(f"defect {index} has no length: each size that it can have is a case of its own")
    grade, kind, length = case.grade, tidy(defect.kind), exact(defect.length_mm)
    size = grade.sizing.size(defect, length)
    equal = grade.equivalents.get(kind)
    if equal is not None:
        kind, size = equal
    kinds = family(kind)
    x, y = exact(defect.x_mm), exact(defect.y_mm)
    zone = _zone_of(defect, x, y, case) if case.bands else ""
    intensity, why = None, ""
    if grade.intensities and "linear" in kinds:
        intensity, why = intensity_of(defect.detection_distance_mm, grade.intensities)
    return Sized(
        index, kind, kinds, x, y, size, length,
        None if defect.width_mm is None else exact(defect.width_mm),
        zone, intensity, why, defect, bounds,
    )  # fmt: skip


def _zone_of(defect: DefectToJudge, x: Decimal, y: Decimal, case: Case) -> str:
    """The zone of a fault; a line belongs to the innermost zone that one of its points reaches."""
    innermost = zone_at(x, y, case)
    for px, py in defect.path_mm:
        innermost = max(innermost, zone_at(exact(px), exact(py), case))
    return case.bands[innermost][0].name


def zone_at(x: Decimal, y: Decimal, case: Case) -> int:
    """The place in the case's bands, from the outside in, of the zone in which a point lies."""
    across, along = min(x, case.width - x), min(y, case.length - y)
    last = len(case.bands) - 1
    for place, (zone, reach_x, reach_y) in enumerate(case.bands):
        if place == last or across < reach_x or along < reach_y:
            return place
        if zone.outer_end_in and (across == reach_x or along == reach_y):
            return place
    return last


def intensity_of(
    distance_mm: float | None, intensities: tuple[tuple[str, Interval], ...]
) -> tuple[str | None, str]:
    """(intensity, "") of a linear blemish by its detection distance, or (None, reason why there is none)."""
    if distance_mm is None:
        return None, "its detection distance has not been entered"
    value = exact(distance_mm)
    for name, distances in intensities:
        if value in distances:
            return name, ""
    return None, f"a detection distance of {distance_mm:g} mm lies between two of the source's bands"
