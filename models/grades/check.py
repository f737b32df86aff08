"""What is odd about a grade that somebody writes: gaps and overlaps of classes, kinds without a rule.

For the page on which a plant writes its own grades. A gap is no error, standards have them; but it should be
meant.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

from models.grades.allowance import ByArea
from models.grades.classes import ClassTable, SizeClass
from models.grades.errors import BadGrade
from models.grades.grade import Grade
from models.grades.kinds import family
from models.grades.load import grades_from_dict, grades_from_text
from models.grades.numbers import Interval, plain

_USUAL = ("bubble", "stone", "scratch")


def check_grade(data: dict[str, Any] | str, *, where: str = "grade") -> list[str]:
    """Sentences on everything odd in a grade file's content (a TOML text, or its tables); empty if all is
    well.

    A file that cannot be read as a grade gives one sentence with the key.
    """
    try:
        if isinstance(data, str):
            grades = grades_from_text(data, where=where)
        else:
            grades = grades_from_dict(data, where=where)
    except BadGrade as problem:
        return [str(problem)]
    many = len(grades) > 1
    return [f"{grade.id}: {text}" if many else text for grade in grades for text in oddities(grade)]


def oddities(grade: Grade) -> list[str]:
    """Sentences on gaps and overlaps in the grade's classes and on usual kinds that no rule names."""
    texts = []
    for rule in grade.rules:
        if isinstance(rule, ClassTable):
            texts += [f"{rule.origin.name}: {text}" for text in _table(rule)]
    for kind in _USUAL:
        if not any(_names(rule.who.kinds, kind) for rule in grade.rules if rule.who.kinds):
            texts.append(f"no rule is about a {kind}: a sheet with one will not be judged")
    return texts


def _names(kinds: tuple[str, ...], kind: str) -> bool:
    return not family(kind).isdisjoint(kinds)


def _table(rule: ClassTable) -> Iterator[str]:
    for intensity in dict.fromkeys(row.intensity for row in rule.classes):
        rows = [row for row in rule.classes if row.intensity == intensity]
        measures = {_measures(row) for row in rows}
        if measures <= {("size",), ("length",), ("width",), ("halo",)} and len(measures) == 1:
            ((measure,),) = measures
            about = f"{intensity} {measure}" if intensity else measure
            yield from _line([getattr(row, measure) for row in rows], about, "mm")
        elif not any(_takes_the_rest(row) for row in rows):
            yield (
                "its classes look at different measures and none takes what is left over: "
                "a fault in none of them will not be judged"
            )
    for row in rule.classes:
        if isinstance(row.allowance, ByArea):
            yield from _line([areas for areas, _ in row.allowance.steps], "pane", "m²")


def _takes_the_rest(row: SizeClass) -> bool:
    """Whether the row takes every fault: no condition, or one that every size meets."""
    intervals = [getattr(row, measure) for measure in _measures(row)]
    return all(one.low == 0 and one.low_in and one.high is None for one in intervals)


def _measures(row: SizeClass) -> tuple[str, ...]:
    return tuple(name for name in ("size", "length", "width", "halo") if getattr(row, name) is not None)


def _line(intervals: Sequence[Interval], measure: str, unit: str) -> Iterator[str]:
    """Gaps and overlaps of intervals that should fill the line from 0 up; a gap below the first is one
    too.
    """
    ordered = sorted(intervals, key=lambda one: (one.low, not one.low_in))
    reached, closed = Decimal(0), False  # everything below `reached` is covered, `reached` itself if `closed`
    first = True
    for one in ordered:
        if first and one.low == 0:
            closed = one.low_in or unit == "m²"
        if one.low > reached or (one.low == reached and not closed and not one.low_in and not first):
            yield _gap(reached, closed, one, measure, unit)
        elif not first and (one.low < reached or (one.low == reached and closed and one.low_in)):
            until = plain(reached if one.high is None else min(one.high, reached))
            if one.low == reached:
                yield f"{measure} exactly {plain(reached)} {unit} is in two classes, the first one counts"
            else:
                span = f"from {plain(one.low)} to {until}"
                yield f"{measure} {span} {unit} is in two classes, the first one counts"
        first = False
        if one.high is None:
            return
        if one.high > reached or (one.high == reached and one.high_in):
            reached, closed = one.high, one.high_in
    yield f"{measure} {'over' if closed else 'from'} {plain(reached)} {unit} is in no class"


def _gap(reached: Decimal, closed: bool, one: Interval, measure: str, unit: str) -> str:
    if one.low == reached:
        return f"{measure} exactly {plain(reached)} {unit} is in no class"
    start = f"{'over' if closed else 'from'} {plain(reached)}"
    return f"{measure} {start} {'to under' if one.low_in else 'up to'} {plain(one.low)} {unit} is in no class"
