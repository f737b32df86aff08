"""Which line a file speaks of."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import utc_now, zone
from models.errors import BadValue
from models.records import Line

FIRST_NAME = "L1"


def line_for(session: Session, name: str | None, time_zone: str | None) -> Line:
    """The line of this name; the only line when no name is given; a first line where there is none yet.

    Raises BadValue for an unknown name, or where several lines make a name necessary.
    """
    lines = list(session.scalars(select(Line).order_by(Line.id)))
    if time_zone is not None:
        zone(time_zone)
    if not lines:
        line = Line(
            name=name or FIRST_NAME, plant="Plant", time_zone=time_zone or "UTC", created_at=utc_now()
        )
        session.add(line)
        session.flush()
        return line
    if name is None:
        if len(lines) > 1:
            raise BadValue(f"the plant has the lines {_names(lines)}; say which with --line")
        line = lines[0]
    else:
        found = [line for line in lines if line.name == name]
        if not found:
            raise BadValue(f"there is no line {name!r}; expected one of {_names(lines)}")
        line = found[0]
    if time_zone is not None:
        line.time_zone = time_zone
    return line


def _names(lines: list[Line]) -> str:
    return ", ".join(line.name for line in lines)
