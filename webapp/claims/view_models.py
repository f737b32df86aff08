"""What the history page shows, worked out from a sheet's history."""

from collections.abc import Mapping
from dataclasses import dataclass

from models.grades import GradeBook
from models.history_records import SheetHistory
from models.notices import Notice
from webapp.figures.photo_figure import FindShape, draw_finds
from webapp.figures.sheet_figure import SheetFigure, close_up, draw_sheet
from webapp.figures.story import Moment, RulesThen, rules_then, timeline
from webapp.figures.strip_figure import Strip, draw_strip

__all__ = ["HistoryPage", "history_page"]


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """The typed context of the history page."""

    history: SheetHistory
    drawing: SheetFigure
    detail: SheetFigure | None
    strip: Strip | None
    finds: Mapping[int, tuple[FindShape, ...]]
    moments: tuple[Moment, ...]
    rules: RulesThen | None
    notices: tuple[Notice, ...]


def history_page(history: SheetHistory, book: GradeBook, notices: tuple[Notice, ...] = ()) -> HistoryPage:
    """Gather the page of a sheet."""
    window = close_up(history)
    return HistoryPage(
        history=history,
        drawing=draw_sheet(history),
        detail=None if window is None else draw_sheet(history, 340.0, 300.0, window),
        strip=draw_strip(history.sheet, history.neighbours),
        finds={photo.id: draw_finds(photo) for photo in history.photos},
        moments=timeline(history),
        rules=None if history.verdict is None else rules_then(history.verdict, book),
        notices=notices,
    )
