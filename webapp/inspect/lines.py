"""The page on which an inspector starts: lines and their next sheets."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import inspections
from models.records import Photo, Sheet
from webapp.inspect.news import news_for_line

SHOWN = 6


@dataclass(frozen=True, slots=True)
class WaitingSheet:
    """A sheet that waits, with what is known of it."""

    id: int
    label: str
    words: str


@dataclass(frozen=True, slots=True)
class LineCard:
    """One line as the page shows it; `mine` are the sheets that this inspector has in work."""

    id: int
    name: str
    plant: str
    waiting: int
    mine: tuple[Sheet, ...]
    following: tuple[WaitingSheet, ...]
    news: tuple[str, ...]

    @property
    def waiting_words(self) -> str:
        """How many sheets wait, as a sentence."""
        if not self.waiting:
            return "No sheet waits."
        count = "1 sheet waits" if self.waiting == 1 else f"{self.waiting} sheets wait"
        return f"{count}; next is {self.following[0].label}."


@dataclass(frozen=True, slots=True)
class LinesPage:
    """All lines."""

    lines: tuple[LineCard, ...]


def lines_page(session: Session, user_id: int) -> LinesPage:
    """The page for this inspector."""
    counted = select(Sheet.line_id, func.count()).where(Sheet.state == "waiting").group_by(Sheet.line_id)
    waiting = {row[0]: row[1] for row in session.execute(counted)}
    mine = session.scalars(
        select(Sheet).where(Sheet.state == "in_work", Sheet.taken_by == user_id).order_by(Sheet.taken_at)
    ).all()
    return LinesPage(
        tuple(
            LineCard(
                line.id,
                line.name,
                line.plant,
                waiting.get(line.id, 0),
                tuple(sheet for sheet in mine if sheet.line_id == line.id),
                _following(session, line.id),
                news_for_line(session, line.id),
            )
            for line in inspections.lines(session)
        )
    )


def _following(session: Session, line_id: int) -> tuple[WaitingSheet, ...]:
    """The next sheets in the ribbon's order."""
    query = select(Sheet).where(Sheet.line_id == line_id, Sheet.state == "waiting")
    sheets = session.scalars(query.order_by(Sheet.ribbon_start_m, Sheet.id).limit(SHOWN)).all()
    counted = select(Photo.sheet_id, func.count()).where(Photo.sheet_id.in_([s.id for s in sheets]))
    photos = {row[0]: row[1] for row in session.execute(counted.group_by(Photo.sheet_id))}
    return tuple(WaitingSheet(s.id, s.label, _words(s, photos.get(s.id, 0))) for s in sheets)


def _words(sheet: Sheet, photos: int) -> str:
    size = f"{sheet.width_mm:.0f} × {sheet.length_mm:.0f} × {sheet.thickness_mm:g} mm"
    taken = "no photo yet" if not photos else "1 photo" if photos == 1 else f"{photos} photos"
    return f"{size}, {taken}"
