"""Rules on edge faults, measured against the thickness, and on optical distortion."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal

from models.grades.case import Case, Sized
from models.grades.numbers import Interval, plain, rounded
from models.grades.rules import Origin, Turn, When, Who, as_said, naming, reason
from models.grades.verdict import ACCEPT, NOT_EXAMINED, NOT_JUDGED, REJECT, Reason


@dataclass(frozen=True, slots=True)
class Reach:
    """A length that depends on the thickness t: the greater (or lesser) of `times_t` times t and `mm`."""

    times_t: Decimal | None = None
    mm: Decimal | None = None
    lesser: bool = False

    def at(self, thickness: Decimal) -> Decimal:
        """The length in mm for a thickness in mm."""
        lengths = [] if self.times_t is None else [self.times_t * thickness]
        if self.mm is not None:
            lengths.append(self.mm)
        return min(lengths) if self.lesser else max(lengths)

    def words(self) -> str:
        parts = [] if self.times_t is None else [f"{plain(self.times_t)} times the thickness"]
        if self.mm is not None:
            parts.append(f"{plain(self.mm)} mm")
        which = "lesser" if self.lesser else "greater"
        return parts[0] if len(parts) == 1 else f"the {which} of {' and '.join(parts)}"


@dataclass(frozen=True, slots=True)
class EdgeFault:
    """A chip's depth into the thickness, width from the edge and length along it, each against its limit.

    largest : limit of the largest dimension, whichever it is.  length_times_width : length against its own
    width.
    """

    origin: Origin
    who: Who
    when: When
    depth: Reach | None = None
    width: Reach | None = None
    length: Reach | None = None
    largest: Reach | None = None
    length_times_width: Decimal | None = None

    def judge(self, case: Case) -> list[Reason]:
        reasons = []
        for fault in self.who.members(case):
            case.claimed.add(fault.index)
            reasons += self.one(fault, case)
        return reasons

    def one(self, fault: Sized, case: Case) -> list[Reason]:
        """What the rule says of one fault."""
        depth = fault.defect.depth_mm
        largest = max(fault.length, fault.width or fault.length)
        checks: list[tuple[str, Decimal | None, Decimal]] = []
        if self.depth is not None:
            measured = None if depth is None else Decimal(repr(depth))
            checks.append(("depth into the thickness", measured, self.depth.at(case.thickness)))
        if self.width is not None:
            checks.append(("width from the edge", fault.width, self.width.at(case.thickness)))
        if self.length is not None:
            checks.append(("length", fault.length, self.length.at(case.thickness)))
        if self.largest is not None:
            checks.append(("largest dimension", largest, self.largest.at(case.thickness)))
        if self.length_times_width is not None and fault.width is not None:
            checks.append(("length", fault.length, self.length_times_width * fault.width))
        reasons = []
        for what, measured, limit in checks:
            if measured is None:
                says = f"{naming(fault)}: its {what} has not been measured"
                outcome = NOT_JUDGED
            else:
                outcome = REJECT if measured > limit else ACCEPT
                measured = as_said(measured, [fault])
                says = f"{naming(fault)}: {what} {plain(measured)} mm, at most {plain(limit)} mm allowed"
            reasons.append(reason(self.origin, says, [fault], outcome=outcome, limit=limit, counted=measured))
        return reasons

    def words(self) -> list[str]:
        who, texts = self.who.words(), []
        for what, reach in (
            ("depth into the thickness", self.depth),
            ("width from the edge", self.width),
            ("length", self.length),
            ("largest dimension", self.largest),
        ):
            if reach is not None:
                texts.append(f"{who}: {what} at most {reach.words()}")
        if self.length_times_width is not None:
            texts.append(f"{who}: length at most {plain(self.length_times_width)} times its width")
        return texts

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        if not self.who.takes(fault):
            return None
        return tuple(reason.outcome for reason in self.one(fault, case))

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        found = self.who.turns(fault)
        if self.who.of_kind(fault.kinds):
            at = case.thickness
            found += [("length", reach.at(at)) for reach in (self.length, self.largest) if reach is not None]
            found += [("width", reach.at(at)) for reach in (self.width, self.largest) if reach is not None]
            if self.length_times_width is not None and fault.width is not None:
                found.append(("length", self.length_times_width * fault.width))
        return found


@dataclass(frozen=True, slots=True)
class PerSide:
    """So many faults for each metre of each side; a fault belongs to the side that it is nearest to."""

    origin: Origin
    who: Who
    when: When
    per_m: Decimal
    rounding: str = "none"

    def judge(self, case: Case) -> list[Reason]:
        sides: dict[str, tuple[Decimal, list[Sized]]] = {
            "left": (case.length, []),
            "right": (case.length, []),
            "leading": (case.width, []),
            "trailing": (case.width, []),
        }
        for fault in self.who.members(case):
            gaps = {
                "left": fault.x, "right": case.width - fault.x,
                "leading": fault.y, "trailing": case.length - fault.y,
            }  # fmt: skip
            sides[min(gaps, key=lambda side: gaps[side])][1].append(fault)
        reasons = []
        for side, (length, faults) in sides.items():
            if not faults:
                continue
            limit = rounded(self.per_m * length / 1000, self.rounding)
            says = (
                f"{self.origin.name}, {side} edge: {len(faults)} counted, at most {plain(limit)} allowed "
                f"({plain(self.per_m)} for each metre of {plain(length / 1000)} m)"
            )
            outcome = REJECT if len(faults) > limit else ACCEPT
            reasons.append(
                reason(self.origin, says, faults, outcome=outcome, limit=limit, counted=len(faults))
            )
        return reasons

    def words(self) -> list[str]:
        return [f"{self.who.words()}: {plain(self.per_m)} for each metre of each side"]

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return True if self.who.takes(fault) else None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return self.who.turns(fault)


@dataclass(frozen=True, slots=True)
class OpticalAngle:
    """The angle of the zebra test at which distortion is first seen must not be less than this, by
    thickness.
    """

    origin: Origin
    who: Who
    when: When
    least: tuple[tuple[Interval, Decimal], ...]

    def judge(self, case: Case) -> list[Reason]:
        wanted = next((angle for thick, angle in self.least if case.thickness in thick), None)
        angle = case.sheet.optical_angle_deg
        if angle is None:
            says = "optical distortion: the angle of the zebra test has not been entered"
            return [reason(self.origin, says, outcome=NOT_EXAMINED, limit=wanted)]
        measured = Decimal(repr(angle))
        if wanted is None:
            says = f"no rule covers this: optical distortion at a thickness of {plain(case.thickness)} mm"
            return [reason(self.origin, says, outcome=NOT_JUDGED, counted=measured)]
        says = f"optical distortion first seen at {plain(measured)}°, at least {plain(wanted)}° asked"
        outcome = REJECT if measured < wanted else ACCEPT
        return [reason(self.origin, says, outcome=outcome, limit=wanted, counted=measured)]

    def words(self) -> list[str]:
        return [
            f"optical distortion, thickness {thick.words()}: none below {plain(angle)}°"
            for thick, angle in self.least
        ]

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return []
