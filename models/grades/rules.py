"""What every rule has: where it stands in the source, which faults and panes it is about."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Protocol

from models.grades.case import Case, Sized
from models.grades.names import called
from models.grades.numbers import Interval, number
from models.grades.verdict import ACCEPT, NOT_JUDGED, Reason


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a rule comes from. `name` is unique in its grade.

    remembered : its numbers may warn, not reject, until confirmed; `doubt` says why in the file's own words.
    """

    name: str
    clause: str
    source: str
    remembered: bool = False
    doubt: str = ""


Turn = tuple[str, Decimal]
"""A limit of a rule: ("size" | "length" | "width" | "halo", mm)."""


def turns_of(measure: str, interval: Interval | None) -> list[Turn]:
    """The ends of an interval as limits of that measure."""
    return [] if interval is None else [(measure, end) for end in interval.ends()]


@dataclass(frozen=True, slots=True)
class Who:
    """Which faults a rule is about: kinds (with all finer ones), zones and sizes; empty takes all."""

    kinds: tuple[str, ...] = ()
    but_not: tuple[str, ...] = ()
    zones: tuple[str, ...] = ()
    size: Interval | None = None

    def of_kind(self, kinds: frozenset[str]) -> bool:
        """Whether a fault of these kinds (itself and all broader ones) is meant."""
        if self.kinds and kinds.isdisjoint(self.kinds):
            return False
        return not self.but_not or kinds.isdisjoint(self.but_not)

    def takes(self, fault: Sized) -> bool:
        """Whether the fault is meant: kind, zone and size."""
        if not self.of_kind(fault.kinds) or (self.zones and fault.zone not in self.zones):
            return False
        return self.size is None or fault.size in self.size

    def members(self, case: Case) -> list[Sized]:
        """The case's faults that the rule is about, in their order."""
        return [fault for fault in case.defects if self.takes(fault)]

    def turns(self, fault: Sized) -> list[Turn]:
        """The sizes at which a fault of that kind comes to be meant or not."""
        return [] if self.size is None or not self.of_kind(fault.kinds) else turns_of("size", self.size)

    def words(self) -> str:
        text = " or ".join(self.kinds) if self.kinds else "any fault"
        if self.but_not:
            text += f" (not {' or '.join(self.but_not)})"
        if self.size is not None:
            text += f" {self.size.words()}"
        if self.zones:
            text += f" in zone {' or '.join(self.zones)}"
        return text


@dataclass(frozen=True, slots=True)
class When:
    """For which panes a rule stands; None is no condition."""

    thickness: Interval | None = None
    area: Interval | None = None
    panes: Interval | None = None
    longest_side: Interval | None = None
    use: str | None = None

    def holds(self, case: Case) -> bool:
        """Whether the rule stands for the case's pane."""
        if self.thickness is not None and case.thickness not in self.thickness:
            return False
        if self.area is not None and case.area_m2 not in self.area:
            return False
        if self.longest_side is not None and max(case.width, case.length) not in self.longest_side:
            return False
        if self.panes is not None and (case.panes is None or Decimal(case.panes) not in self.panes):
            return False
        return self.use is None or self.use == case.sheet.use

    def words(self) -> str:
        parts = []
        if self.thickness is not None:
            parts.append(f"thickness {self.thickness.words()}")
        if self.area is not None:
            parts.append(f"pane {self.area.words('m²')}")
        if self.longest_side is not None:
            parts.append(f"longest side {self.longest_side.words()}")
        if self.panes is not None:
            parts.append(f"panes {self.panes.words('')}".strip())
        if self.use is not None:
            parts.append("stock sizes" if self.use == "stock" else "cut sizes")
        return ", ".join(parts)


class Rule(Protocol):
    """One rule of a grade."""

    @property
    def origin(self) -> Origin:
        """Where the rule comes from."""

    @property
    def who(self) -> Who:
        """Which faults it is about."""

    @property
    def when(self) -> When:
        """For which panes it stands."""

    def judge(self, case: Case) -> list[Reason]:
        """What the rule says about a pane for which it stands. Adds to case.claimed the faults it has a word
        on.
        """

    def words(self) -> list[str]:
        """The rule in sentences."""

    def ends(self, fault: Sized) -> list[Turn]:
        """The limits near which a measured size of this fault is a close call."""

    @property
    def grows(self) -> bool:
        """Whether the rule weighs sizes themselves, so that two of one part are not quite alike to it."""

    def part(self, fault: Sized, case: Case) -> Hashable:
        """What the rule takes a fault of that size for; None where it leaves it aside.

        Of one fault two sizes with the same part are the same to the rule, except that where it `grows` the
        larger of the two may be worse, never better.
        """

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        """All limits at which `part` may change with the size of such a fault, whatever its zone."""


def reason(
    origin: Origin,
    says: str,
    finds: list[Sized] | tuple[Sized, ...] = (),
    *,
    outcome: str = ACCEPT,
    limit: Decimal | int | None = None,
    counted: Decimal | int | None = None,
    marks: tuple[dict[str, Any], ...] = (),
    open_question: str = "",
) -> Reason:
    """A Reason with the rule's origin filled in."""
    return Reason(
        origin.clause, says, tuple(fault.index for fault in finds), number(limit), number(counted), outcome,
        origin.name, origin.source, origin.remembered, marks, open_question,
    )  # fmt: skip


def no_rule(origin: Origin, fault: Sized, why: str) -> Reason:
    """The third answer: the source leaves this open."""
    return reason(
        origin, f"no rule covers this: {naming(fault)}, {why}", [fault], outcome=NOT_JUDGED, counted=1
    )


def naming(fault: Sized) -> str:
    """A fault in words: `bubble 3 of 0.7 mm`, named as the drawings do."""
    size = f"{number(fault.size)} mm" if fault.bounds is None else fault.bounds
    return f"{fault.kind} {fault.name}{' of ' if size else ''}{size}"


def as_said(length: Decimal, faults: Iterable[Sized]) -> Decimal:
    """A length in mm as reasons give it: to a thousandth where it stands for one that is not known."""
    unsure = any(fault.bounds is not None for fault in faults)
    return round(length, 3).normalize() + 0 if unsure else length


def those(faults: list[Sized]) -> str:
    """Faults by name, shortened, as `names.called` has them."""
    return called([fault.name for fault in faults])
