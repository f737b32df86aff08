"""Exact numbers: intervals with open and closed ends, and the rounding rules that standards name.

All judging is done in decimal arithmetic: 2.2 times 1.08 is 2.376 and not a binary neighbour of it, and a
bubble of 2.0 mm is exactly 2 mm.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from functools import lru_cache

_SHAPE = re.compile(r"^\s*([\[(])\s*([-0-9.]+)\s*,\s*(inf|[-0-9.]+)\s*([\])])\s*$")

ROUNDINGS = {
    "floor": ROUND_FLOOR,
    "half_even": ROUND_HALF_EVEN,
    "half_up": ROUND_HALF_UP,
    "up": ROUND_CEILING,
}
"""Rounding names of the grade files. `half_even` is the rule of JIS Z 8401 and GB/T 8170."""


@lru_cache(maxsize=65536)
def exact(value: float | int | Decimal) -> Decimal:
    """The decimal number a person would read: 0.1 is 0.1, whatever the machine keeps."""
    if isinstance(value, Decimal):
        return value
    return Decimal(repr(value)) if isinstance(value, float) else Decimal(value)


def plain(value: Decimal) -> str:
    """A decimal without exponent and without trailing zeros."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def number(value: Decimal | int | None) -> int | float | None:
    """A plain number for JSON: an int where the value is whole."""
    if value is None or isinstance(value, int):
        return value
    return int(value) if value == value.to_integral_value() else float(value)


@dataclass(frozen=True, slots=True)
class Interval:
    """A range of numbers whose ends say whether they belong to it. `high` None means no upper end."""

    low: Decimal
    high: Decimal | None
    low_in: bool = True
    high_in: bool = False

    @classmethod
    def parse(cls, text: str) -> Interval:
        """`"[0.5, 1.0)"` takes in 0.5 and leaves out 1.0; `"(3, inf)"` has no upper end.

        Raises ValueError with a sentence when the text is no interval.
        """
        found = _SHAPE.match(text) if isinstance(text, str) else None
        if found is None:
            raise ValueError(f"expected an interval such as [0.5, 1.0) or (3, inf), got {text!r}")
        try:
            low = Decimal(found[2])
            high = None if found[3] == "inf" else Decimal(found[3])
        except ArithmeticError:
            raise ValueError(f"expected numbers at both ends of the interval {text!r}") from None
        if high is not None and (high < low or (high == low and (found[1], found[4]) != ("[", "]"))):
            raise ValueError(f"the interval {text!r} holds no number")
        return cls(low, high, found[1] == "[", found[4] == "]" and high is not None)

    def __contains__(self, value: Decimal) -> bool:
        if value < self.low or (value == self.low and not self.low_in):
            return False
        return self.high is None or value < self.high or (value == self.high and self.high_in)

    def __str__(self) -> str:
        high = "inf" if self.high is None else plain(self.high)
        return f"{'[' if self.low_in else '('}{plain(self.low)}, {high}{']' if self.high_in else ')'}"

    def words(self, unit: str = "mm") -> str:
        """The interval as a person says it: `from 0.5 to under 1 mm`, `over 3 mm`."""
        low, high = plain(self.low), None if self.high is None else plain(self.high)
        if high is None:
            if self.low == 0:
                return "of any size"
            return f"{'from' if self.low_in else 'over'} {low} {unit}"
        if self.low == self.high:
            return f"exactly {low} {unit}"
        top = f"{'up to' if self.high_in else 'under'} {high} {unit}"
        if self.low == 0:
            return top
        return (
            f"{'from' if self.low_in else 'over'} {low} {'to' if self.high_in else 'to under'} {high} {unit}"
        )

    def ends(self) -> tuple[Decimal, ...]:
        """The ends at which something changes: 0 and infinity are none."""
        ends = () if self.low == 0 else (self.low,)
        return ends if self.high is None else (*ends, self.high)


def rounded(value: Decimal, how: str) -> Decimal:
    """`value` as a whole number by one of ROUNDINGS; `none` leaves it as it is."""
    return value if how == "none" else value.to_integral_value(rounding=ROUNDINGS[how])


def rounded_at(value: Decimal, decimals: int | None, how: str) -> Decimal:
    """`value` kept to so many decimals; None keeps all of them."""
    if decimals is None or how == "none":
        return value
    return value.quantize(Decimal(1).scaleb(-decimals), rounding=ROUNDINGS[how])


def up_to_multiple(value: Decimal, step: Decimal) -> Decimal:
    """The next multiple of `step` that is not less than `value` (lengths go up to full 5 mm)."""
    return (value / step).to_integral_value(rounding=ROUND_CEILING) * step
