"""A grade file's text from a few plain answers, for people who would rather not write the file.

Only the upper end of each size class is asked for, so that classes made here have neither gaps nor overlaps.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal

from models.grades.errors import BadGrade
from models.grades.numbers import plain

ALLOWANCES = ("not counted", "unlimited", "none", "count", "per_m2", "apart_mm")
"""What a class may allow: the words of the grade files."""
_NEED_A_NUMBER = ("count", "per_m2", "apart_mm")


@dataclass(frozen=True, slots=True)
class ClassAnswer:
    """One class: up to `up_to` mm (None: everything above), that size itself in it or not, and what is
    allowed.
    """

    up_to: Decimal | None
    takes_end: bool
    allowance: str
    number: Decimal | None = None


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """A table of classes for some kinds of fault; `but_not` leaves finer kinds to a table of their own."""

    name: str
    kinds: tuple[str, ...]
    classes: tuple[ClassAnswer, ...]
    but_not: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class GradeAnswers:
    """What the form asks.

    crowd : (most, from size in mm, circle in mm).  spacing : (from size in mm, at least mm apart).
    lines : (longest mm, widest mm, number in a pane); longer and wider lines are not allowed. None leaves a
    rule out.
    """

    id: str
    title: str
    version: str
    source: str
    look_from_mm: Decimal | None
    rounding: str
    tables: tuple[TableAnswer, ...]
    crowd: tuple[int, Decimal, Decimal] | None = None
    spacing: tuple[Decimal, Decimal] | None = None
    lines: tuple[Decimal, Decimal, int] | None = None
    edge_strip_mm: Decimal | None = None


def compose(answers: GradeAnswers) -> str:
    """The grade file's text. Raises BadGrade naming the table and class whose answers cannot be a class."""
    parts = [_head(answers)]
    zone = 'zones = ["pane"]\n' if answers.edge_strip_mm else ""
    for number, table in enumerate(answers.tables, start=1):
        parts.append(_table(table, number, answers.rounding, zone))
    clause = len(answers.tables)
    if answers.spacing is not None:
        clause += 1
        smallest, apart = answers.spacing
        parts.append(
            f'[[grade.rule]]\nname = "spacing of points"\nshape = "separation"\nclause = "{clause}"\n'
            f'kinds = ["point"]\n{zone}size = "[{plain(smallest)}, inf)"\napart_mm = {plain(apart)}\n'
        )
    if answers.crowd is not None:
        clause += 1
        most, smallest, circle = answers.crowd
        parts.append(
            f'[[grade.rule]]\nname = "crowding of points"\nshape = "cluster"\nclause = "{clause}"\n'
            f'kinds = ["point"]\n{zone}size = "[{plain(smallest)}, inf)"\n'
            f"most = {most}\ncircle_mm = {plain(circle)}\n"
        )
    if answers.lines is not None:
        clause += 1
        longest, widest, count = answers.lines
        parts.append(
            f'[[grade.rule]]\nname = "lines"\nshape = "classes"\nclause = "{clause}"\n'
            f'kinds = ["linear"]\n{zone}'
            f'classes = [\n    {{ length = "[0, {plain(longest)}]", width = "[0, {plain(widest)}]", '
            f'count = {count} }},\n    {{ allow = "none" }},\n]\n'
        )
    clause += 1
    parts.append(
        f'[[grade.rule]]\nname = "cracks"\nshape = "classes"\nclause = "{clause}"\nkinds = ["crack"]\n'
        'classes = [{ allow = "none" }]\n'
    )
    return "\n".join(parts)


def _head(answers: GradeAnswers) -> str:
    lines = [
        'standard = "plant grades"',
        'edition = "1"',
        f"version = {_text(answers.version)}",
        f"source = {_text(answers.source)}",
    ]
    if answers.edge_strip_mm:
        lines.append(
            f'zones_words = "a strip of {plain(answers.edge_strip_mm)} mm along the edge is not judged"'
        )
    if answers.look_from_mm is not None:
        lines += ["", "[viewing]", f"distance_mm = {plain(answers.look_from_mm)}"]
    lines += ["", "[area]", "decimals = 2", 'rounding = "half_even"']
    if answers.edge_strip_mm:
        lines += [
            "",
            "[[zone]]",
            'name = "strip"',
            f"to_mm = {plain(answers.edge_strip_mm)}",
            "ignored = true",
        ]
        lines += ["", "[[zone]]", 'name = "pane"']
    lines += ["", "[[grade]]", f"id = {_text(answers.id)}", f"title = {_text(answers.title)}", ""]
    return "\n".join(lines)


def _table(table: TableAnswer, clause: int, rounding: str, zone: str) -> str:
    rows, low, low_in = [], Decimal(0), True
    for place, one in enumerate(table.classes, start=1):
        last = place == len(table.classes)
        if (one.up_to is None) != last:
            raise BadGrade(
                f"{table.name}, class {place}: expected a size up to which it reaches "
                "in all classes but the last"
            )
        if one.up_to is not None and (
            one.up_to < low or (one.up_to == low and (not low_in or not one.takes_end))
        ):
            raise BadGrade(
                f"{table.name}, class {place}: expected a size above {plain(low)} mm, "
                f"got {plain(one.up_to)} mm"
            )
        high = "inf" if one.up_to is None else plain(one.up_to)
        ends = f"{'[' if low_in else '('}{plain(low)}, {high}{']' if one.takes_end and not last else ')'}"
        rows.append(f'    {{ size = "{ends}", {_allowance(table.name, place, one)} }},')
        if one.up_to is not None:
            low, low_in = one.up_to, not one.takes_end
    kinds = ", ".join(_text(kind) for kind in table.kinds)
    but_not = f"but_not = [{', '.join(_text(kind) for kind in table.but_not)}]\n" if table.but_not else ""
    body = "\n".join(rows)
    return (
        f'[[grade.rule]]\nname = {_text(table.name)}\nshape = "classes"\nclause = "{clause}"\n'
        f"kinds = [{kinds}]\n"
        f'{but_not}{zone}product = "{rounding}"\nclasses = [\n{body}\n]\n'
    )


def _allowance(name: str, place: int, one: ClassAnswer) -> str:
    if one.allowance not in ALLOWANCES:
        raise BadGrade(
            f"{name}, class {place}: expected one of {', '.join(ALLOWANCES)}, got {one.allowance!r}"
        )
    if one.allowance not in _NEED_A_NUMBER:
        return f'allow = "{one.allowance}"'
    if one.number is None or one.number <= 0:
        raise BadGrade(f"{name}, class {place}: expected a number above 0 for what is allowed")
    if one.allowance == "count" and one.number != one.number.to_integral_value():
        raise BadGrade(f"{name}, class {place}: expected a whole number of faults, got {plain(one.number)}")
    return f"{one.allowance} = {plain(one.number)}"


def _text(value: str) -> str:
    """A TOML text; JSON writes the same escapes."""
    return json.dumps(" ".join(value.split()), ensure_ascii=False).replace("\x7f", "\\u007f")
