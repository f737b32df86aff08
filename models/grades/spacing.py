"""Rules on how faults lie to each other: minimum separation, and no more than so many close together."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from models.grades.case import Case, Sized
from models.grades.circles import fullest_circle
from models.grades.classes import Spaced, spaced_reason
from models.grades.crowds import largest_crowd
from models.grades.numbers import plain
from models.grades.rules import Origin, Turn, When, Who, reason, those
from models.grades.verdict import ACCEPT, REJECT, Reason


@dataclass(frozen=True, slots=True)
class Separation:
    """Any two of the faults that take part must lie so far apart.

    parties : who takes part, each with its own sizes.  between : pairs of places in `parties` that are
    compared; empty compares all of them, across kinds as well.
    """

    origin: Origin
    who: Who
    when: When
    spaced: Spaced
    parties: tuple[Who, ...]
    between: frozenset[tuple[int, int]] = frozenset()

    def judge(self, case: Case) -> list[Reason]:
        faults, party = self.participants(case)
        pairs = self.pairs(faults, party)
        if not faults:
            return []
        return [spaced_reason(self.origin, self._what(), self.spaced, faults, pairs)]

    def participants(self, case: Case) -> tuple[list[Sized], list[int]]:
        """The faults that take part and the party of each."""
        faults, party = [], []
        for fault in case.defects:
            place = self.part(fault, case)
            if isinstance(place, int):
                faults.append(fault)
                party.append(place)
        return faults, party

    def pairs(self, faults: list[Sized], party: list[int]) -> list[tuple[int, int]]:
        """The compared pairs that lie too close, as places in `faults`."""
        pairs = self.spaced.too_close(faults)
        if not self.between:
            return pairs
        return [
            (i, j)
            for i, j in pairs
            if (party[i], party[j]) in self.between or (party[j], party[i]) in self.between
        ]

    def _what(self) -> str:
        return " and ".join(who.words() for who in self.parties)

    def words(self) -> list[str]:
        return [f"{self._what()}: {self.spaced.words()}"]

    def ends(self, fault: Sized) -> list[Turn]:
        return party_ends(self.parties, fault)

    @property
    def grows(self) -> bool:
        return self.spaced.grows

    def part(self, fault: Sized, case: Case) -> Hashable:
        for place, who in enumerate(self.parties):
            if who.takes(fault):
                return place
        return None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return [turn for who in self.parties for turn in who.turns(fault)]


@dataclass(frozen=True, slots=True)
class Cluster:
    """No more than `most` faults close together.

    In a circle of `across` mm wherever it lies; or, with `mutual`, no more than that many of which every two
    lie less than `across` mm apart (or at most, with `exactly_in`).
    """

    origin: Origin
    who: Who
    when: When
    parties: tuple[Who, ...]
    most: int
    across: Decimal
    mutual: bool = False
    exactly_in: bool = True

    def participants(self, case: Case) -> list[Sized]:
        return [fault for fault in case.defects if any(who.takes(fault) for who in self.parties)]

    def judge(self, case: Case) -> list[Reason]:
        faults = self.participants(case)
        if not faults:
            return []
        group, centre, at_least = self.crowd(faults)
        says = (
            f"{' and '.join(who.words() for who in self.parties)}: {'at least ' if at_least else ''}"
            f"{len(group)} {self._where()}, at most {self.most} allowed"
        )
        if len(group) <= self.most:
            return [reason(self.origin, says, group, limit=self.most, counted=len(group), outcome=ACCEPT)]
        marks: tuple[dict[str, Any], ...] = ()
        if centre is not None:
            marks = ({"circle": [round(centre[0], 3), round(centre[1], 3), float(self.across / 2)]},)
        says += f" ({those(group)})"
        return [
            reason(self.origin, says, group, limit=self.most, counted=len(group), outcome=REJECT, marks=marks)
        ]

    def crowd(self, faults: list[Sized]) -> tuple[list[Sized], tuple[float, float] | None, bool]:
        """The largest group close together, the circle's centre where there is one, and whether it may be
        larger.
        """
        if len(faults) == 1:
            return faults, (float(faults[0].x), float(faults[0].y)), False
        if self.mutual:
            members = largest_crowd(faults, self.across, exactly_in=self.exactly_in)
            return [faults[i] for i in members], None, False
        points = np.array([(float(f.x), float(f.y)) for f in faults])
        found = fullest_circle(points, float(self.across), self.most)
        if found is None:
            return [], None, False
        return [faults[i] for i in found.members], found.centre, found.at_least

    def _where(self) -> str:
        if self.mutual:
            return f"within {plain(self.across)} mm of each other"
        return f"in a circle of {plain(self.across)} mm"

    def words(self) -> list[str]:
        who = " and ".join(who.words() for who in self.parties)
        return [f"{who}: at most {self.most} {self._where()}"]

    def ends(self, fault: Sized) -> list[Turn]:
        return party_ends(self.parties, fault)

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return True if any(who.takes(fault) for who in self.parties) else None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return [turn for who in self.parties for turn in who.turns(fault)]


def party_ends(parties: tuple[Who, ...], fault: Sized) -> list[Turn]:
    """Size limits of the parties that the fault could join or leave."""
    return [
        ("size", end)
        for who in parties
        if who.size is not None and who.of_kind(fault.kinds) and (not who.zones or fault.zone in who.zones)
        for end in who.size.ends()
    ]
