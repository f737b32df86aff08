"""The commonest rule: a table of classes by size, length, width or intensity, each with what is allowed."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal

from models.grades.allowance import Allowance, ByArea, Unlimited
from models.grades.case import Case, Sized
from models.grades.neighbours import close_pairs, distance, nearest_pair
from models.grades.numbers import Interval, exact, plain
from models.grades.rules import Origin, Turn, When, Who, naming, no_rule, reason, those, turns_of
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, Reason


@dataclass(frozen=True, slots=True)
class Spaced:
    """Allowed in any number as long as any two of the class lie far enough apart.

    exactly_allowed : whether exactly `apart` mm will do.  edge_to_edge : measured between rims, not centres.
    times_smaller : the distance is at least so many times the size of the smaller of the two.
    """

    apart: Decimal
    exactly_allowed: bool = True
    edge_to_edge: bool = False
    times_smaller: Decimal = Decimal(0)

    def words(self) -> str:
        least = "at least" if self.exactly_allowed else "more than"
        rims = ", measured between their rims" if self.edge_to_edge else ""
        if self.times_smaller:
            asked = f"{plain(self.times_smaller)} times the smaller one's size"
            if self.apart:
                asked += f" and {plain(self.apart)} mm"
            return f"any two {least} {asked} apart{rims}"
        return f"any two {least} {plain(self.apart)} mm apart{rims}"

    @property
    def grows(self) -> bool:
        """Whether the distance asked hangs on the sizes of the two."""
        return self.edge_to_edge or bool(self.times_smaller)

    def too_close(self, faults: list[Sized]) -> list[tuple[int, int]]:
        """Pairs of places in `faults` that lie too close."""
        return close_pairs(
            faults,
            self.apart,
            exactly_allowed=self.exactly_allowed,
            edge_to_edge=self.edge_to_edge,
            times_smaller=self.times_smaller,
        )


@dataclass(frozen=True, slots=True)
class SizeClass:
    """One row of the table. A condition that is None does not matter; all given ones must hold together."""

    allowance: Allowance | Spaced
    size: Interval | None = None
    length: Interval | None = None
    width: Interval | None = None
    halo: Interval | None = None
    intensity: str | None = None

    def takes(self, fault: Sized) -> bool | None:
        """Whether the fault falls into the class; None where that hangs on something not measured.

        A point whose width was not measured counts as round.
        """
        unknown = False
        if self.intensity is not None and fault.intensity != self.intensity:
            if fault.intensity is not None or fault.defect.detection_distance_mm is not None:
                return False
            unknown = True
        if self.halo is not None:
            halo = fault.defect.halo_mm
            if halo is None or exact(halo) not in self.halo:
                return False
        if self.size is not None and fault.size not in self.size:
            return False
        if self.length is not None and fault.length not in self.length:
            return False
        if self.width is not None:
            width = fault.width
            if width is None and "point" in fault.kinds:
                width = fault.length
            if width is None:
                unknown = True
            elif width not in self.width:
                return False
        return None if unknown else True

    def words(self) -> str:
        parts = [] if self.intensity is None else [self.intensity]
        if self.size is not None:
            parts.append(self.size.words())
        if self.length is not None:
            parts.append(f"length {self.length.words()}")
        if self.width is not None:
            parts.append(f"width {self.width.words()}")
        if self.halo is not None:
            parts.append(f"halo {self.halo.words()}")
        return ", ".join(parts) if parts else "of any size"


@dataclass(frozen=True, slots=True)
class ClassTable:
    """Each fault that the rule is about falls into the first class that takes it; a hole is said, not
    passed.
    """

    origin: Origin
    who: Who
    when: When
    classes: tuple[SizeClass, ...]

    def judge(self, case: Case) -> list[Reason]:
        members: list[list[Sized]] = [[] for _ in self.classes]
        reasons: list[Reason] = []
        for fault in self.who.members(case):
            case.claimed.add(fault.index)
            place = self.place(fault)
            if place is not None:
                members[place].append(fault)
                continue
            missing = self._missing(fault)
            if missing:
                says = f"{naming(fault)}: {missing}"
                reasons.append(reason(self.origin, says, [fault], outcome=NOT_JUDGED, counted=1))
            else:
                reasons.append(no_rule(self.origin, fault, self._hole(fault)))
        for row, faults in zip(self.classes, members, strict=True):
            reasons += self._row(row, faults, case)
        return reasons

    def place(self, fault: Sized) -> int | None:
        """The place of the first class that takes the fault; None for a hole, or where it is not known."""
        for i, row in enumerate(self.classes):
            taken = row.takes(fault)
            if taken:
                return i
            if taken is None:
                break
        return None

    def _missing(self, fault: Sized) -> str:
        """What must be measured before it is known into which class the fault falls; empty if nothing."""
        row = next((row for row in self.classes if row.takes(fault) is not False), None)
        if row is None:
            return ""
        if row.intensity is not None and fault.intensity is None:
            return fault.why_no_intensity
        return "its width has not been measured"

    def _hole(self, fault: Sized) -> str:
        if fault.why_no_intensity:
            return fault.why_no_intensity
        if any(row.length or row.width for row in self.classes):
            width = "" if fault.width is None else f" and width {plain(fault.width)} mm"
            return f"its length {plain(fault.length)} mm{width} is in no class of the table"
        return "its size is in no class of the table"

    def _row(self, row: SizeClass, faults: list[Sized], case: Case) -> list[Reason]:
        what = f"{self.origin.name}, {row.words()}"
        allowance = row.allowance
        if isinstance(allowance, Spaced):
            return [] if not faults else [self._spaced(what, allowance, faults)]
        if isinstance(allowance, Unlimited):
            if not faults:
                return []
            says = f"{what}: {len(faults)}, {allowance.words()}"
            return [reason(self.origin, says, faults, counted=len(faults))]
        if isinstance(allowance, ByArea) and allowance.step(case) is None:
            if not faults:
                return []
            says = f"no rule covers this: {what} on a pane of {plain(case.area_m2)} m²"
            return [reason(self.origin, says, faults, outcome=NOT_JUDGED, counted=len(faults))]
        limit = allowance.limit(case)
        counted = len(faults)
        if limit is None:
            says = f"{what}: {counted}, allowed in any number"
            return [reason(self.origin, says, faults, counted=counted)] if faults else []
        why = allowance.sum(case)
        allowed = "none allowed" if limit == 0 else f"at most {plain(limit)} allowed"
        says = f"{what}: {counted} counted, {allowed}" + (f" ({why})" if why else "")
        outcome = REJECT if counted > limit else ACCEPT
        return [reason(self.origin, says, faults, outcome=outcome, limit=limit, counted=counted)]

    def _spaced(self, what: str, rule: Spaced, faults: list[Sized]) -> Reason:
        return spaced_reason(self.origin, what, rule, faults, rule.too_close(faults))

    def words(self) -> list[str]:
        who = self.who.words()
        return [f"{who} {row.words()}: {row.allowance.words()}" for row in self.classes]

    def ends(self, fault: Sized) -> list[Turn]:
        found: dict[tuple[str, Decimal], None] = {}
        for row in self.classes:
            if row.intensity is not None and row.intensity != fault.intensity:
                continue
            for measure, interval in (("size", row.size), ("length", row.length), ("width", row.width)):
                if interval is not None:
                    found.update(dict.fromkeys((measure, end) for end in interval.ends()))
        return list(found)

    @property
    def grows(self) -> bool:
        return any(isinstance(row.allowance, Spaced) and row.allowance.grows for row in self.classes)

    def part(self, fault: Sized, case: Case) -> Hashable:
        if not self.who.takes(fault):
            return None
        place = self.place(fault)
        return "in no class" if place is None else place

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        found = self.who.turns(fault)
        if self.who.of_kind(fault.kinds):
            for row in self.classes:
                for measure in ("size", "length", "width", "halo"):
                    found += turns_of(measure, getattr(row, measure))
        return found


def spaced_reason(
    origin: Origin, what: str, rule: Spaced, faults: list[Sized], pairs: list[tuple[int, int]]
) -> Reason:
    """The reason for a rule of spacing, with the pairs that lie too close as lines."""
    if not pairs:
        says = f"{what}: {len(faults)}, {rule.words()}: kept"
        return reason(origin, says, faults, outcome=ACCEPT, limit=0, counted=0)
    nearest = nearest_pair(faults, pairs)
    a, b = faults[nearest[0]], faults[nearest[1]]
    gap = plain(distance(a, b).quantize(Decimal("0.01")))
    involved = [faults[i] for i in sorted({i for pair in pairs for i in pair})]
    says = (
        f"{what}: {rule.words()}; {len(pairs)} {'pair is' if len(pairs) == 1 else 'pairs are'} too close "
        f"({those(involved)}); the nearest, {a.name} and {b.name}, are {gap} mm apart"
    )
    marks = tuple(
        {
            "line": [float(faults[i].x), float(faults[i].y), float(faults[j].x), float(faults[j].y)],
            "finds": [faults[i].index, faults[j].index],
        }
        for i, j in pairs[:40]
    )
    return reason(origin, says, involved, outcome=REJECT, limit=0, counted=len(pairs), marks=marks)
