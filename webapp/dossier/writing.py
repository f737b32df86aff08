"""From a sheet's history to the bytes of its dossier."""

import io
from collections.abc import Callable
from typing import Any

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from models.history_records import PhotoHistory, SheetHistory
from webapp.dossier.pages import story
from webapp.dossier.style import BOLD, FOOT, INK, MARGIN, PAGE, QUIET, RULE, TEXT, TOP, WIDTH, register_fonts

__all__ = ["sheet_dossier"]

#: gives the upright JPEG of a photo, None where its bytes are missing
PhotoBytes = Callable[[PhotoHistory], bytes | None]


def sheet_dossier(history: SheetHistory, photo_bytes: PhotoBytes) -> bytes:
    """The dossier of a sheet as PDF.

    The same history and photo bytes give the same bytes again: the file's dates are fixed, its
    identifier is worked out from its contents, and no page says when it was printed.
    """
    register_fonts()
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=PAGE,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=TOP,
        bottomMargin=FOOT,
        title=f"Dossier of sheet {history.sheet.label}",
        author=f"{history.sheet.plant}, line {history.sheet.line}",
        subject="History of a sheet of float glass",
        creator="Lehrbook",
        invariant=1,
        lang="en",
    )
    frame = Frame(MARGIN, FOOT, WIDTH, PAGE[1] - TOP - FOOT, 0, 0, 0, 0)
    document.addPageTemplates([PageTemplate("page", [frame])])
    document.build(story(history, photo_bytes), canvasmaker=_numbered(history))
    return out.getvalue()


def _numbered(history: SheetHistory) -> type[Canvas]:
    """A canvas that knows on each page how many there are, and draws head and foot."""

    class Numbered(Canvas):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self._kept: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - reportlab's own name
            self._kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, state in enumerate(self._kept, start=1):
                self.__dict__.update(state)
                _head_and_foot(self, history, number, len(self._kept))
                super().showPage()
            super().save()

    return Numbered


def _head_and_foot(canvas: Canvas, history: SheetHistory, number: int, of: int) -> None:
    sheet = history.sheet
    canvas.saveState()
    canvas.setFillColor(INK)
    canvas.setFont(BOLD, 8.6)
    canvas.drawString(MARGIN, PAGE[1] - 13 * mm, f"Sheet {sheet.label}")
    canvas.setFillColor(QUIET)
    canvas.setFont(TEXT, 7.6)
    canvas.drawRightString(PAGE[0] - MARGIN, PAGE[1] - 13 * mm, f"{sheet.plant}, line {sheet.line}")
    canvas.setStrokeColor(RULE)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN, PAGE[1] - 15.5 * mm, PAGE[0] - MARGIN, PAGE[1] - 15.5 * mm)
    canvas.line(MARGIN, 14.5 * mm, PAGE[0] - MARGIN, 14.5 * mm)
    state = "no act on record"
    if history.acts:
        last = history.acts[-1]
        state = f"record as of entry {last.id} of the hash chain, {last.hash[:24]}"
    canvas.drawString(MARGIN, 10.5 * mm, state)
    canvas.drawRightString(PAGE[0] - MARGIN, 10.5 * mm, f"page {number} of {of}")
    canvas.restoreState()
