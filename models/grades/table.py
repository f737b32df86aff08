"""Reading one table of a grade file: each value checked, each complaint with file and key."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from models.grades.errors import BadGrade
from models.grades.kinds import KINDS, known, tidy
from models.grades.numbers import ROUNDINGS, Interval


class Table:
    """A mapping that knows where it stands and which of its keys have been read."""

    def __init__(self, data: Any, where: str) -> None:
        if not isinstance(data, Mapping):
            raise BadGrade(f"{where}: expected a table of keys and values, got {_type(data)}")
        self.data = data
        self.where = where
        self._read: set[str] = set()

    def at(self, key: str) -> str:
        """Where a key stands, for a message."""
        return f"{self.where}: {key}" if ": " not in self.where else f"{self.where}.{key}"

    def fail(self, key: str, expected: str) -> BadGrade:
        """The complaint about a key: what was expected and what is there."""
        return BadGrade(f"{self.at(key)}: expected {expected}, got {_type(self.data.get(key))}")

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def raw(self, key: str) -> Any:
        self._read.add(key)
        return self.data.get(key)

    def text(self, key: str, default: str | None = None) -> str:
        """A text; needed where no default is given."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if not isinstance(value, str) or not value.strip():
            raise self.fail(key, "a text")
        return value.strip()

    def choice(self, key: str, choices: tuple[str, ...], default: str) -> str:
        value = self.text(key, default)
        if value not in choices:
            raise self.fail(key, f"one of {', '.join(choices)}")
        return value

    def rounding(self, key: str, default: str) -> str:
        return self.choice(key, ("none", *ROUNDINGS), default)

    def flag(self, key: str, default: bool) -> bool:
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            raise self.fail(key, "true or false")
        return value

    def number(self, key: str) -> Decimal:
        """A number that is not negative; needed."""
        value = self.maybe(key)
        if value is None:
            raise self.fail(key, "a number")
        return value

    def maybe(self, key: str) -> Decimal | None:
        value = self.raw(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
            raise self.fail(key, "a number")
        decimal = value if isinstance(value, Decimal) else Decimal(repr(value))
        if not decimal.is_finite() or decimal < 0:
            raise self.fail(key, "a number that is not negative")
        return decimal

    def whole(self, key: str) -> int:
        value = self.number(key)
        if value != value.to_integral_value():
            raise self.fail(key, "a whole number")
        return int(value)

    def numbers(self, key: str) -> tuple[Decimal, ...]:
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list):
            raise self.fail(key, "a list of numbers")
        return tuple(Table({key: item}, self.where).number(key) for item in value)

    def interval(self, key: str) -> Interval | None:
        value = self.raw(key)
        if value is None:
            return None
        try:
            return Interval.parse(value)
        except ValueError as problem:
            raise BadGrade(f"{self.at(key)}: {problem}") from None

    def texts(self, key: str) -> tuple[str, ...]:
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.fail(key, "a list of texts")
        return tuple(value)

    def kinds(self, key: str) -> tuple[str, ...]:
        names = tuple(tidy(name) for name in self.texts(key))
        for name in names:
            if not known(name):
                raise BadGrade(f"{self.at(key)}: expected kinds such as {', '.join(KINDS[:3])}, got {name!r}")
        return names

    def table(self, key: str) -> Table | None:
        value = self.raw(key)
        return None if value is None else Table(value, self.at(key))

    def tables(self, key: str) -> tuple[Table, ...]:
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list):
            raise self.fail(key, "a list of tables")
        return tuple(Table(item, f"{self.at(key)}[{i}]") for i, item in enumerate(value))

    def done(self) -> None:
        """Refuse keys that nothing has read: a misspelt key is a rule that would not be applied."""
        for key in self.data:
            if key not in self._read:
                known_keys = ", ".join(sorted(self._read))
                raise BadGrade(f"{self.at(key)}: no such key; expected one of {known_keys}")


def _type(value: Any) -> str:
    return "nothing" if value is None else f"{value!r}"[:60]
