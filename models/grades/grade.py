"""A grade: its rules and what goes with them; and the book of all grades at hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

from models.grades.case import Sizing, Zone
from models.grades.errors import NoSuchGrade
from models.grades.numbers import Interval
from models.grades.rules import Rule
from models.grades.sheet import Build


@dataclass(frozen=True, slots=True)
class Modifiers:
    """How counts and lengths change with the pane's build.

    The count factor is (1 + per_extra_pane for each pane above the base + per_laminated_unit for each) times
    `monolithic` for a single pane; thick_interlayer_plus is added above thick_interlayer_mm of interlayer.
    Lengths of an installed pane are multiplied by `installed` and go up to full `lengths_step` mm.
    """

    per_extra_pane: Decimal = Decimal(0)
    per_laminated_unit: Decimal = Decimal(0)
    monolithic: Decimal = Decimal(1)
    thick_interlayer_mm: Decimal | None = None
    thick_interlayer_plus: Decimal = Decimal(0)
    installed: Decimal = Decimal(1)
    lengths_step: Decimal | None = None

    def applied(self, build: Build, base_panes: int) -> tuple[Decimal, Decimal, Decimal, Decimal | None]:
        """(factor of counts, added to counts, factor of lengths, step of lengths) for a pane's build."""
        extra = max(0, (build.panes or base_panes) - base_panes)
        factor = 1 + extra * self.per_extra_pane + build.laminated_units * self.per_laminated_unit
        if build.monolithic:
            factor *= self.monolithic
        plus = Decimal(0)
        if (
            self.thick_interlayer_mm is not None
            and Decimal(repr(build.interlayer_mm)) > self.thick_interlayer_mm
        ):
            plus = self.thick_interlayer_plus
        return factor, plus, self.installed if build.installed else Decimal(1), self.lengths_step

    def words(self) -> list[str]:
        texts = []
        if self.per_extra_pane:
            texts.append(f"each further pane raises counts by {self.per_extra_pane:%}, rounded up")
        if self.per_laminated_unit:
            texts.append(f"each laminated unit raises counts by {self.per_laminated_unit:%}, rounded up")
        if self.monolithic != 1:
            texts.append(f"a single pane takes counts times {self.monolithic}, rounded up")
        if self.thick_interlayer_mm is not None:
            texts.append(
                f"an interlayer above {self.thick_interlayer_mm} mm adds "
                f"{self.thick_interlayer_plus} to counts"
            )
        if self.installed != 1:
            step = f", up to full {self.lengths_step} mm" if self.lengths_step else ""
            texts.append(f"an installed pane takes lengths times {self.installed}{step}")
        return texts


@dataclass(frozen=True, slots=True)
class Viewing:
    """How the standard wants the glass looked at. Free texts; distance_mm and angle_deg where it gives
    numbers.
    """

    distance_mm: float | None = None
    angle_deg: float | None = None
    light: str = ""
    background: str = ""
    time: str = ""
    text: str = ""

    def words(self) -> str:
        parts = []
        if self.distance_mm is not None:
            parts.append(f"from {self.distance_mm / 1000:g} m")
        if self.angle_deg is not None:
            square = "square to the pane"
            parts.append(f"up to {self.angle_deg:g}° to the normal" if self.angle_deg else square)
        parts += [text for text in (self.light, self.background, self.time, self.text) if text]
        return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class PackAverage:
    """An average over a pack or lot: at most `most` faults for each `per_m2` of glass in it.

    `who` and `size` select the faults as in a class table; the cap for one sheet is an ordinary rule of the
    grade.
    """

    name: str
    clause: str
    source: str
    remembered: bool
    kinds: tuple[str, ...]
    size: Interval | None
    most: Decimal
    per_m2: Decimal

    def words(self) -> str:
        size = "" if self.size is None else f" {self.size.words()}"
        return (
            f"{' or '.join(self.kinds)}{size}: on average at most {self.most} for each "
            f"{self.per_m2} m² of a pack"
        )


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade of one standard and edition, or of the plant itself.

    version : date of the rule set.  sha256 : of the file it was read from.  remembered : numbers from memory;
    such a grade decides only once somebody at the plant has confirmed it by name (`confirmed_by`).
    smallest_class_mm : smallest size that the photos must be able to measure.
    ladder : grade ids from the best down, this one among them.
    places_read : in how many places the numbers were read in print; 0 where that is no question.
    """

    id: str
    title: str
    standard: str
    edition: str
    version: str
    source: str
    rules: tuple[Rule, ...]
    sha256: str = ""
    remembered: bool = False
    viewing: Viewing = Viewing()
    sizing: Sizing = field(default_factory=Sizing)
    area_decimals: int | None = None
    area_rounding: str = "half_even"
    zones: tuple[Zone, ...] = ()
    zones_words: str = ""
    intensities: tuple[tuple[str, Interval], ...] = ()
    equivalents: Mapping[str, tuple[str, Decimal]] = field(default_factory=dict)
    modifiers: Modifiers = Modifiers()
    base_panes: int = 1
    thickness: Interval | None = None
    thicknesses: tuple[Decimal, ...] = ()
    uses: tuple[str, ...] = ("stock", "cut_size")
    smallest_side_mm: Decimal | None = None
    smallest_area_m2: Decimal | None = None
    largest_area_m2: Decimal | None = None
    smallest_class_mm: float | None = None
    averages: tuple[PackAverage, ...] = ()
    ladder: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    places_read: int = 0
    confirmed_by: str | None = None
    plant: bool = False

    @property
    def may_decide(self) -> bool:
        """Whether the grade's verdicts count: read in print, or confirmed by name."""
        return not self.remembered or bool(self.confirmed_by)

    def confirmed(self, name: str) -> Grade:
        """The same grade, confirmed by a person of the plant against a bought copy."""
        return replace(self, confirmed_by=name)


@dataclass(frozen=True, slots=True)
class GradeBook:
    """All grades at hand, by id."""

    grades: Mapping[str, Grade]

    def grade(self, grade_id: str) -> Grade:
        """The grade of this id; raises NoSuchGrade naming the ones there are."""
        try:
            return self.grades[grade_id]
        except KeyError:
            raise NoSuchGrade(f"no grade is called {grade_id!r}; there are {', '.join(self.ids())}") from None

    def ids(self) -> tuple[str, ...]:
        return tuple(self.grades)

    def ladder(self, grade_id: str) -> tuple[Grade, ...]:
        """The grade and those below it in its ladder, best first."""
        grade = self.grade(grade_id)
        if grade_id not in grade.ladder:
            return (grade,)
        below = grade.ladder[grade.ladder.index(grade_id) :]
        return tuple(self.grades[name] for name in below if name in self.grades)

    def with_grades(self, more: Iterable[Grade]) -> GradeBook:
        """A book with further grades, a plant's own; one of the same id takes the older one's place."""
        return GradeBook({**self.grades, **{grade.id: grade for grade in more}})

    def with_confirmations(self, names: Mapping[str, str]) -> GradeBook:
        """A book in which grades are confirmed, by grade id and the name of the person."""
        changed = {i: g.confirmed(names[i]) if i in names else g for i, g in self.grades.items()}
        return GradeBook(changed)
