"""How many faults of a class a rule allows. Each allowance gives its limit for a case; None is no limit."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

from models.grades.case import Case
from models.grades.numbers import Interval, plain, rounded


class Allowance(Protocol):
    """A limit on a number of faults."""

    def limit(self, case: Case) -> Decimal | None:
        """The largest number allowed on the case's pane; None where there is no limit."""

    def words(self) -> str:
        """The allowance as the standard's reader would say it."""

    def sum(self, case: Case) -> str:
        """The arithmetic behind the limit, or nothing where there is none."""


@dataclass(frozen=True, slots=True)
class Unlimited:
    """Allowed in any number; `counted` False means that the standard does not look at this size at all."""

    counted: bool = True

    def limit(self, case: Case) -> Decimal | None:
        return None

    def words(self) -> str:
        return "allowed in any number" if self.counted else "not counted"

    def sum(self, case: Case) -> str:
        return ""


@dataclass(frozen=True, slots=True)
class Count:
    """So many in a pane; 0 allows none."""

    most: Decimal

    def limit(self, case: Case) -> Decimal | None:
        return self.most if self.most == 0 else modified(self.most, case)

    def words(self) -> str:
        return "none allowed" if self.most == 0 else f"at most {plain(self.most)} in a pane"

    def sum(self, case: Case) -> str:
        return "" if self.most == 0 else modified_sum(self.most, case)


@dataclass(frozen=True, slots=True)
class PerArea:
    """k for each m2 of the pane, the product rounded as the source asks.

    `exact_area` compares with the area as it is (a density), not with the area kept to two decimals.
    """

    per_m2: Decimal
    rounding: str = "none"
    exact_area: bool = False
    open_rounding: str | None = None

    def product(self, case: Case) -> Decimal:
        return self.per_m2 * (case.exact_area_m2 if self.exact_area else case.area_m2)

    def limit(self, case: Case) -> Decimal | None:
        return modified(rounded(self.product(case), self.rounding), case)

    def words(self) -> str:
        how = {"none": "", "floor": ", rounded down", "up": ", rounded up"}.get(self.rounding)
        how = f", rounded {self.rounding.replace('_', ' ')}" if how is None else how
        return f"{plain(self.per_m2)} for each m²{how}"

    def sum(self, case: Case) -> str:
        area = case.exact_area_m2 if self.exact_area else case.area_m2
        text = f"{plain(self.per_m2)} × {plain(area)} m² = {plain(self.product(case))}"
        if self.open_rounding is not None:
            other = rounded(self.product(case), self.open_rounding)
            if other != rounded(self.product(case), "floor"):
                text += (
                    f", compared unrounded; the source does not say how to round, "
                    f"{self.open_rounding.replace('_', ' ')} would make it {plain(other)}"
                )
        return text + modified_sum(rounded(self.product(case), self.rounding), case)


@dataclass(frozen=True, slots=True)
class PerPerimeter:
    """So many for each metre of the pane's edge."""

    per_m: Decimal
    rounding: str = "none"

    def limit(self, case: Case) -> Decimal | None:
        return modified(rounded(self.per_m * case.perimeter_m, self.rounding), case)

    def words(self) -> str:
        return f"{plain(self.per_m)} for each metre of edge"

    def sum(self, case: Case) -> str:
        product = self.per_m * case.perimeter_m
        text = f"{plain(self.per_m)} × {plain(case.perimeter_m)} m of edge = {plain(product)}"
        return text + modified_sum(rounded(product, self.rounding), case)


@dataclass(frozen=True, slots=True)
class Sloped:
    """A count up to a certain area and so many for each further m2, by proportion or for full m2 only."""

    base: Decimal
    plus_per_m2: Decimal
    above_m2: Decimal
    full_m2_only: bool = False

    def product(self, case: Case) -> Decimal:
        further = max(Decimal(0), case.area_m2 - self.above_m2)
        return self.base + self.plus_per_m2 * (rounded(further, "floor") if self.full_m2_only else further)

    def limit(self, case: Case) -> Decimal | None:
        return modified(self.product(case), case)

    def words(self) -> str:
        full = "full " if self.full_m2_only else ""
        return (
            f"{plain(self.base)} and {plain(self.plus_per_m2)} for each further {full}m² "
            f"above {plain(self.above_m2)} m²"
        )

    def sum(self, case: Case) -> str:
        text = f"{self.words()}: {plain(self.product(case))} for {plain(case.area_m2)} m²"
        return text + modified_sum(self.product(case), case)


@dataclass(frozen=True, slots=True)
class ByArea:
    """One allowance for each range of pane area."""

    steps: tuple[tuple[Interval, Allowance], ...]

    def step(self, case: Case) -> Allowance | None:
        """The allowance for the case's area; None where the source leaves that area out."""
        for areas, allowance in self.steps:
            if case.area_m2 in areas:
                return allowance
        return None

    def limit(self, case: Case) -> Decimal | None:
        step = self.step(case)
        return None if step is None else step.limit(case)

    def words(self) -> str:
        return "; ".join(f"pane {areas.words('m²')}: {step.words()}" for areas, step in self.steps)

    def sum(self, case: Case) -> str:
        step = self.step(case)
        if step is None:
            return ""
        return f"pane of {plain(case.area_m2)} m²" + (f": {step.sum(case)}" if step.sum(case) else "")


def modified(limit: Decimal, case: Case) -> Decimal:
    """The limit after the grade's modifiers for the pane's build; a changed count goes up to a whole
    number.
    """
    if case.count_factor != 1:
        limit = rounded(limit * case.count_factor, "up")
    return limit + case.count_plus


def modified_sum(limit: Decimal, case: Case) -> str:
    text = ""
    if case.count_factor != 1:
        product = limit * case.count_factor
        text += f", × {plain(case.count_factor)} for the pane's build = {plain(product)}"
        text += f", up to {plain(rounded(product, 'up'))}"
    if case.count_plus:
        text += f", and {plain(case.count_plus)} more for the pane's build"
    return text
