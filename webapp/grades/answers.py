"""The form with plain questions about a plant grade, read and checked."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation

from models.errors import BadValue
from models.grades.compose import ClassAnswer, GradeAnswers, TableAnswer

ROWS = 5
"""So many classes below the last one can be given for each table."""

TABLES = (
    ("bubbles", ("bubble",), ()),
    ("other points", ("point",), ("bubble",)),
)
"""The tables of the form: name, kinds, kinds left to another table."""

ALLOWANCE_WORDS = {
    "not counted": "is not counted",
    "unlimited": "allowed in any number",
    "none": "none allowed",
    "count": "so many in a pane",
    "per_m2": "so many for each m²",
    "apart_mm": "any number, so many mm apart",
}

START = {
    "id": "own-grade", "title": "Own grade", "source": "agreed with the customer", "look_from": "1000",
    "rounding": "floor",
    **{f"t{t}_up_to_{i}": size for t in (0, 1) for i, size in enumerate(("0.5", "1.0", "2.0"))},
    **{f"t{t}_allow_{i}": word for t in (0, 1) for i, word in enumerate(("not counted", "per_m2", "count"))},
    **{f"t{t}_number_{i}": number for t in (0, 1) for i, number in ((1, "1"), (2, "1"))},
    **{f"t{t}_allow_last": "none" for t in (0, 1)},
    "crowd_most": "3", "crowd_from": "0.5", "crowd_circle": "200",
    "line_length": "30", "line_width": "0.1", "line_count": "2",
}  # fmt: skip
"""What stands in the form at first."""


def read_answers(form: Mapping[str, str]) -> GradeAnswers:
    """The answers as given. Raises BadValue naming the field, what stands in it and what was expected."""
    for name in ("id", "title", "version", "source"):
        if not form.get(name, "").strip():
            raise BadValue(f"{name}: nothing stands there; expected a text")
    rounding = form.get("rounding", "floor")
    if rounding not in ("floor", "half_even"):
        raise BadValue(f"rounding: {rounding[:20]!r} is none of floor, half_even")
    crowd = _together(form, ("crowd_most", "crowd_from", "crowd_circle"), "crowding")
    spacing = _together(form, ("space_from", "space_apart"), "spacing")
    lines = _together(form, ("line_length", "line_width", "line_count"), "lines")
    return GradeAnswers(
        id=form["id"].strip(),
        title=form["title"].strip(),
        version=form["version"].strip(),
        source=form["source"].strip(),
        look_from_mm=_number(form, "look_from"),
        rounding=rounding,
        tables=tuple(_table(form, place) for place in range(len(TABLES))),
        crowd=None if crowd is None else (_whole(crowd[0], "crowd_most"), crowd[1], crowd[2]),
        spacing=None if spacing is None else (spacing[0], spacing[1]),
        lines=None if lines is None else (lines[0], lines[1], _whole(lines[2], "line_count")),
        edge_strip_mm=_number(form, "strip") or None,
    )


def _table(form: Mapping[str, str], place: int) -> TableAnswer:
    name, kinds, but_not = TABLES[place]
    classes = []
    for row in range(ROWS):
        up_to = _number(form, f"t{place}_up_to_{row}")
        if up_to is None:
            continue
        classes.append(
            ClassAnswer(
                up_to,
                form.get(f"t{place}_end_{row}") == "yes",
                form.get(f"t{place}_allow_{row}", ""),
                _number(form, f"t{place}_number_{row}"),
            )
        )
    last = ClassAnswer(
        None, False, form.get(f"t{place}_allow_last", ""), _number(form, f"t{place}_number_last")
    )
    return TableAnswer(name, kinds, (*classes, last), but_not)


def _number(form: Mapping[str, str], name: str) -> Decimal | None:
    text = form.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or value < 0 or value > 100_000:
        raise BadValue(f"{name.replace('_', ' ')}: {text[:40]!r} is no number from 0 to 100000")
    return value


def _together(form: Mapping[str, str], names: tuple[str, ...], what: str) -> tuple[Decimal, ...] | None:
    """The numbers of a rule that needs all of them or none."""
    numbers = [_number(form, name) for name in names]
    given = [number for number in numbers if number is not None]
    if not given:
        return None
    if len(given) < len(numbers):
        raise BadValue(f"{what}: a number is missing; expected all {len(numbers)} of them, or none")
    return tuple(given)


def _whole(number: Decimal, name: str) -> int:
    if number != number.to_integral_value():
        raise BadValue(f"{name.replace('_', ' ')}: {number} is no whole number")
    return int(number)
