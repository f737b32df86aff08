"""What the sheet page says of what was looked at, and of finds that may be one."""

from dataclasses import dataclass

from flask import url_for
from sqlalchemy.orm import Session

from models import inspections
from models.inspections import SheetSeen
from models.records import Look, Sheet, User
from models.sheet.look_words import look_words
from models.sheet.looked import LookedAt
from webapp.view_helpers import show_time


@dataclass(frozen=True, slots=True)
class LookLine:
    """One look on record."""

    words: str
    url: str


@dataclass(frozen=True, slots=True)
class DoubtLine:
    """Two finds that may be one defect; `url` takes the answer "one" or "two"."""

    first: str
    second: str
    words: str
    url: str


@dataclass(frozen=True, slots=True)
class LookedView:
    """The part of the page about what was looked at."""

    headline: str
    looks: tuple[LookLine, ...]
    tiles: tuple[str, ...]


def looked_view(session: Session, sheet_id: int, looked: LookedAt) -> LookedView:
    """What was looked at by eye, by whom, and what all comes to."""
    looks = inspections.looks_of(session, sheet_id)
    sheet = session.get_one(Sheet, sheet_id)
    return LookedView(
        headline=looked_headline(looked),
        looks=tuple(
            LookLine(_words(session, sheet, look), url_for("inspect.take_back_look", look_id=look.id))
            for look in looks
        ),
        tiles=tuple(tile.name for tile in looked.tiles),
    )


def looked_headline(looked: LookedAt) -> str:
    """By eye and by photo, in whole per cent rounded down."""
    parts = [
        f"{int(100 * fraction + 1e-9)} % by {way}"
        for way, fraction in (("eye", looked.eye_fraction), ("photo", looked.photo_fraction))
        if fraction > 0
    ]
    return f"Looked at: {', '.join(parts)}" if parts else "Looked at: nothing yet"


def doubt_lines(seen: SheetSeen) -> tuple[DoubtLine, ...]:
    """The pairs of which a person has to say whether they are one defect; those dismissed do not matter."""
    lines = []
    for doubt in seen.joined.doubts:
        first, second = seen.in_place(doubt.first), seen.in_place(doubt.second)
        if first.counts and second.counts:
            url = url_for("inspect.say_pair", first_id=first.find.id, second_id=second.find.id)
            lines.append(DoubtLine(first.name, second.name, doubt.says, url))
    return tuple(lines)


def _words(session: Session, sheet: Sheet, look: Look) -> str:
    by = look.looked_by or (
        "" if look.recorded_by is None else session.get_one(User, look.recorded_by).full_name
    )
    when = "" if look.looked_at is None else show_time(look.looked_at)
    how = look_words(inspections.statement_of(look), sheet.width_mm, sheet.length_mm)
    return ", ".join(filter(None, (how, by, when)))
