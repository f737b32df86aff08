"""Rows of a CSV file with their line numbers, and checks that name line, column and what was expected."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from models.clock import parse_time
from models.errors import BadValue

MOST_TOLD = 20
LONGEST_CELL = 20_000


def _unreadable(error: Exception) -> str:
    """Why a file is no CSV, for people."""
    if isinstance(error, UnicodeDecodeError):
        return "cannot be read as CSV in UTF-8; expected text, saved with the encoding UTF-8"
    return f"cannot be read as CSV in UTF-8; expected plain cells with commas between them ({error})"


class RowRefused(BadValue):
    """One row cannot go in; the text says which column and why."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """A refused row: its line number in the file (the header is line 1) and the reason."""

    line: int
    reason: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}"


@dataclass
class Tally:
    """What became of the rows of one file."""

    read: int = 0
    added: int = 0
    same: int = 0
    changed: int = 0
    refused: list[Refusal] = field(default_factory=list)
    refused_count: int = 0
    warnings: list[str] = field(default_factory=list)

    def refuse(self, line: int, reason: str) -> None:
        self.refused_count += 1
        if len(self.refused) < MOST_TOLD:
            self.refused.append(Refusal(line, reason))


@dataclass(frozen=True)
class Row:
    """One row: line number and cells by column, stripped; a missing cell is an empty text."""

    line: int
    cells: Mapping[str, str]

    def text(self, column: str, longest: int = 200) -> str:
        value = self.cells.get(column, "")
        if not value:
            raise RowRefused(f"{column} is empty; expected a text")
        if len(value) > longest:
            raise RowRefused(f"{column} has {len(value)} characters; expected at most {longest}")
        return value

    def text_or_empty(self, column: str, longest: int = LONGEST_CELL) -> str:
        value = self.cells.get(column, "")
        if len(value) > longest:
            raise RowRefused(f"{column} has {len(value)} characters; expected at most {longest}")
        return value

    def time(self, column: str) -> datetime:
        value = self.cells.get(column, "")
        if not value:
            raise RowRefused(f"{column} is empty; expected ISO 8601 with offset")
        try:
            return parse_time(value, where=column)
        except BadValue as error:
            raise RowRefused(str(error)) from None

    def time_or_none(self, column: str) -> datetime | None:
        return self.time(column) if self.cells.get(column, "") else None

    def number(
        self, column: str, *, low: float = -math.inf, high: float = math.inf, above: bool = False
    ) -> float:
        """A finite number from `low` to `high`; `above` leaves `low` itself out."""
        text = self.cells.get(column, "")
        try:
            value = float(text)
        except ValueError:
            raise RowRefused(f"{column} is {text[:40]!r}; expected a number") from None
        if not math.isfinite(value):
            raise RowRefused(f"{column} is {text[:40]!r}; expected a finite number")
        if value < low or value > high or (above and value == low):
            raise RowRefused(f"{column} is {value:g}; expected {_range(low, high, above)}")
        return value

    def number_or_none(self, column: str, *, low: float = -math.inf, high: float = math.inf) -> float | None:
        return self.number(column, low=low, high=high) if self.cells.get(column, "") else None


def _range(low: float, high: float, above: bool) -> str:
    if math.isinf(high):
        return f"{'more than' if above else 'at least'} {low:g}"
    if math.isinf(low):
        return f"at most {high:g}"
    return f"{low:g} to {high:g}"


class CsvFile:
    """A CSV file of known columns: UTF-8 (a byte order mark is skipped), header line first, comma between.

    required : columns that must stand in the header; optional : columns that may
    Raises BadValue for a file without header, without a required column, or with a column twice.
    """

    def __init__(self, path: Path, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> None:
        self.path = path
        self.required = required
        self.known = set(required) | set(optional)
        self.unknown = self._check_header()

    def _check_header(self) -> list[str]:
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            try:
                header = next(csv.reader(file), None)
            except (csv.Error, UnicodeDecodeError) as error:
                raise BadValue(f"{self.path.name}, line 1: {_unreadable(error)}") from None
        if not header or not any(cell.strip() for cell in header):
            raise BadValue(f"{self.path.name}: is empty; expected a header line {', '.join(self.required)}")
        names = [cell.strip() for cell in header]
        missing = [name for name in self.required if name not in names]
        if missing:
            raise BadValue(
                f"{self.path.name}, line 1: column {missing[0]} is missing;"
                f" expected the columns {', '.join(self.required)}"
            )
        twice = sorted({name for name in names if name in self.known and names.count(name) > 1})
        if twice:
            raise BadValue(f"{self.path.name}, line 1: column {twice[0]} stands there twice; expected once")
        self.names = names
        return [name for name in names if name not in self.known]

    def warning(self) -> str | None:
        """The columns kept aside, in a sentence; None where all are known."""
        if not self.unknown:
            return None
        named = ", ".join(name or "(no name)" for name in self.unknown)
        return f"{self.path.name}: unknown column kept aside: {named}"

    def rows(self, tally: Tally) -> Iterator[Row]:
        """All rows; a row with too few or too many cells is refused in `tally`, empty lines are skipped."""
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file)
            next(reader, None)
            start = reader.line_num + 1
            try:
                for cells in reader:
                    line, start = start, reader.line_num + 1
                    if not cells or (len(cells) == 1 and not cells[0].strip()):
                        continue
                    tally.read += 1
                    if len(cells) != len(self.names):
                        tally.refuse(
                            line, f"has {len(cells)} cells; expected {len(self.names)} as in the header"
                        )
                        continue
                    yield Row(line, {n: c.strip() for n, c in zip(self.names, cells, strict=True)})
            except (csv.Error, UnicodeDecodeError) as error:
                raise BadValue(f"{self.path.name}, near line {start}: {_unreadable(error)}") from None
