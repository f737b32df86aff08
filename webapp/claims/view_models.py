"""What the history page shows, worked out from a sheet's history."""

from collections.abc import Mapping
from dataclasses import dataclass

from models.grades import GradeBook
from models.history_records import SheetHistory
from models.notices import Notice
from models.sheet.looked_words import none_words
from webapp.figures.history_rows import DefectRow, FindRow, defect_rows, find_rows, looked_headline
from webapp.figures.photo_figure import LETTER, FindShape, draw_finds
from webapp.figures.sheet_figure import draw_detail, draw_sheet
from webapp.figures.sheet_layout import SheetLayout
from webapp.figures.story import Moment, RulesThen, rules_then, timeline
from webapp.figures.strip_figure import Strip, draw_strip
from webapp.view_helpers import show_time

__all__ = ["HistoryPage", "history_page"]


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """The typed context of the history page."""

    history: SheetHistory
    drawing: SheetLayout
    detail: SheetLayout | None
    strip: Strip | None
    finds: Mapping[int, tuple[FindShape, ...]]
    find_rows: Mapping[int, list[FindRow]]
    defect_rows: list[DefectRow]
    looked: str
    none_words: str
    moments: tuple[Moment, ...]
    rules: RulesThen | None
    notices: tuple[Notice, ...]
    #: size of the labels on photos, in hundredths of the photo's larger side
    letter: float = LETTER


def history_page(history: SheetHistory, book: GradeBook, notices: tuple[Notice, ...] = ()) -> HistoryPage:
    """Gather the page of a sheet."""
    kinds = {number: defect.kind for number, defect in history.counted}
    return HistoryPage(
        history=history,
        drawing=draw_sheet(history, looks=history.statements),
        detail=draw_detail(history, looks=history.statements),
        strip=draw_strip(history.sheet, history.neighbours),
        finds={photo.id: draw_finds(photo, photo.number, kinds) for photo in history.photos},
        find_rows={photo.id: find_rows(photo, show_time) for photo in history.photos},
        defect_rows=defect_rows(history),
        looked=looked_headline(history),
        none_words=none_words(history.sheet.looked_fraction),
        moments=timeline(history),
        rules=None if history.verdict is None else rules_then(history.verdict, book),
        notices=notices,
    )
