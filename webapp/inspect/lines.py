"""The page on which an inspector starts: lines and their next sheets."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import inspections
from models.records import Sheet


@dataclass(frozen=True, slots=True)
class LineCard:
    """One line as the page shows it; `mine` are the sheets that this inspector has in work."""

    id: int
    name: str
    plant: str
    waiting: int
    mine: tuple[Sheet, ...]
    following: Sheet | None

    @property
    def waiting_words(self) -> str:
        """How many sheets wait, as a sentence."""
        if not self.waiting:
            return "No sheet waits."
        count = "1 sheet waits" if self.waiting == 1 else f"{self.waiting} sheets wait"
        return f"{count}; next is {self.following.label}." if self.following else f"{count}."


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
                inspections.next_sheet(session, line.id),
            )
            for line in inspections.lines(session)
        )
    )
