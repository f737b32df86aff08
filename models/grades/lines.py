"""Rules on the lengths of lines: the longest single one and the sum of all."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal

from models.grades.case import Case, Sized
from models.grades.numbers import Interval, plain, up_to_multiple
from models.grades.rules import Origin, Turn, When, Who, as_said, reason, those
from models.grades.verdict import ACCEPT, REJECT, Reason


@dataclass(frozen=True, slots=True)
class Lengths:
    """No single fault longer than `single` mm and together no longer than `total` mm, perhaps by pane
    area.
    """

    origin: Origin
    who: Who
    when: When
    single: Decimal | None
    total: Decimal | None
    total_by_area: tuple[tuple[Interval, Decimal], ...] = ()

    def total_for(self, area_m2: Decimal) -> Decimal | None:
        """The total allowed on a pane of that area, before modifiers; None where there is no total."""
        for areas, total in self.total_by_area:
            if area_m2 in areas:
                return total
        return self.total

    def judge(self, case: Case) -> list[Reason]:
        faults = self.who.members(case)
        case.claimed.update(fault.index for fault in faults)
        reasons = []
        what = self.who.words()
        if self.single is not None:
            limit = self.limit(self.single, case)
            long = [f for f in faults if f.length > limit]
            longest = as_said(max((f.length for f in faults), default=Decimal(0)), faults)
            says = f"{what}: the longest single one is {plain(longest)} mm, at most {plain(limit)} mm allowed"
            outcome = REJECT if long else ACCEPT
            reasons.append(
                reason(self.origin, says, long or faults, outcome=outcome, limit=limit, counted=longest)
            )
        most = self.total_for(case.area_m2)
        if most is not None:
            limit = self.limit(most, case)
            total = sum((f.length for f in faults), Decimal(0))
            said = as_said(total, faults)
            says = f"{what}: {plain(said)} mm in all, at most {plain(limit)} mm allowed"
            if total > limit:
                says += f" ({those(faults)})"
            outcome = REJECT if total > limit else ACCEPT
            reasons.append(reason(self.origin, says, faults, outcome=outcome, limit=limit, counted=said))
        return reasons

    def limit(self, length: Decimal, case: Case) -> Decimal:
        """A length after the grade's modifiers for the pane's build."""
        length = length * case.length_factor
        if case.length_factor != 1 and case.length_step is not None:
            length = up_to_multiple(length, case.length_step)
        return length

    def words(self) -> list[str]:
        who, texts = self.who.words(), []
        if self.single is not None:
            texts.append(f"{who}: none longer than {plain(self.single)} mm")
        if self.total is not None:
            texts.append(f"{who}: together no longer than {plain(self.total)} mm")
        texts += [
            f"{who}: together no longer than {plain(total)} mm on a pane {areas.words('m²')}"
            for areas, total in self.total_by_area
        ]
        return texts

    def ends(self, fault: Sized) -> list[Turn]:
        if self.single is None or not self.who.takes(fault):
            return []
        return [("length", self.single)]

    @property
    def grows(self) -> bool:
        return self.total is not None or bool(self.total_by_area)

    def part(self, fault: Sized, case: Case) -> Hashable:
        if not self.who.takes(fault):
            return None
        # three ways, as a length exactly at its limit is a maximum for NotTogether
        return "any" if self.single is None else fault.length.compare(self.limit(self.single, case))

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        found = self.who.turns(fault)
        if self.single is not None and self.who.of_kind(fault.kinds):
            found.append(("length", self.limit(self.single, case)))
        return found
