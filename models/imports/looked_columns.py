"""What a file of sheets says of who looked at a sheet: the columns looked_at, looked_by, looked_time and way.

`yes` alone is enough; who, when and how may be unknown. An empty `looked_at` says nothing: nobody knows.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from models.imports.rows import Row, RowRefused
from models.records import LOOK_WAYS
from models.sheet.looked import LookStatement

COLUMNS = ("looked_at", "looked_by", "looked_time", "way")
STATES = {"waiting": "waiting", "in_work": "in work", "finished": "finished", "passed_by": "passed by"}
FRACTION = {True: 1.0, False: 0.0}  # part of the sheet, for `yes` and `no`: both speak of the whole sheet
WORD = {True: "yes", False: "no"}
#: columns beside looked_at and the fields of a statement that hold them
DETAILS = (("looked_by", "looked_by"), ("looked_time", "looked_at"), ("way", "way"))


def read_look(row: Row) -> LookStatement | None:
    """The statement of a row, None where it says nothing. Raises RowRefused."""
    said = row.text_or_empty("looked_at", 200)
    if said.casefold() not in ("", "yes", "no"):
        raise RowRefused(f"looked_at is {said[:40]!r}; expected yes, no or empty")
    given = next((column for column, _ in DETAILS if row.cells.get(column, "")), None)
    if said.casefold() != "yes":
        if given is not None:
            raise RowRefused(f"{given} is given but looked_at is {said or 'empty'}; expected yes")
        return LookStatement(looked=False) if said else None
    way = row.text_or_empty("way", 200)
    if way and way.casefold() not in LOOK_WAYS:
        raise RowRefused(f"way is {way[:40]!r}; expected {', '.join(LOOK_WAYS)} or empty")
    return LookStatement(
        way=way.casefold() or None,
        looked_at=row.time_or_none("looked_time"),
        looked_by=row.text_or_empty("looked_by", 200) or None,
    )


def joined(there: LookStatement | None, told: LookStatement | None, state: str) -> LookStatement | None:
    """What the books say with what a row adds; `there` itself where it adds nothing.

    state : of the sheet; one that this program's booth has, or had, is spoken for by the booth

    Raises RowRefused where the two contradict each other.
    """
    if told is None:
        return there
    if there is None:
        if state == "recorded":
            return told
        if state == "passed_by" and not told.looked:
            return None
        raise RowRefused(
            f"looked_at is {WORD[told.looked]!r} but the sheet is {STATES[state]} in the booth here, and the"
            " booth says what was looked at; expected an empty looked_at"
        )
    if there.looked != told.looked:
        raise RowRefused(f"looked_at is {WORD[told.looked]!r} but {WORD[there.looked]!r} is in the books")
    fresh: dict[str, Any] = {}
    for column, name in DETAILS:
        new, old = getattr(told, name), getattr(there, name)
        if new is not None and old is None:
            fresh[name] = new
        elif new is not None and new != old:
            raise RowRefused(f"{column} is {_shown(new)!r} but {_shown(old)!r} is in the books")
    return replace(there, **fresh) if fresh else there


def look_row(sheet_id: int, look: LookStatement, now: datetime) -> dict[str, Any]:
    """A statement as a row of the table of looks."""
    return {
        "sheet_id": sheet_id, "looked": look.looked, "way": look.way, "looked_at": look.looked_at,
        "looked_by": look.looked_by, "recorded_at": now, "source": "import", "current": True,
    }  # fmt: skip


def _shown(value: Any) -> str:
    return value.isoformat() if isinstance(value, datetime) else str(value)
