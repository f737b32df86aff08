"""Paper, type and ink of the dossier."""

from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import CondPageBreak, Flowable, Paragraph, Table, TableStyle

PAGE = A4
MARGIN = 17 * mm
TOP = 24 * mm
FOOT = 20 * mm
WIDTH = PAGE[0] - 2 * MARGIN

INK = HexColor("#101418")
QUIET = HexColor("#4a545b")
RULE = HexColor("#b9c1c6")
PALE = HexColor("#eef1f2")
KIND_INK: dict[str, Color] = {
    "ring": HexColor("#00507a"),
    "diamond": HexColor("#7a4b00"),
    "bar": HexColor("#7a2f5f"),
}

TEXT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
_FONTS = Path(__file__).parent.parent / "static" / "vendor" / "dejavu-2.37"


def register_fonts() -> None:
    """Make the embedded fonts known; they hold Latin, Greek and Cyrillic letters."""
    if TEXT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(TEXT, str(_FONTS / "DejaVuSans.ttf")))
        pdfmetrics.registerFont(TTFont(BOLD, str(_FONTS / "DejaVuSans-Bold.ttf")))
        pdfmetrics.registerFontFamily(TEXT, normal=TEXT, bold=BOLD, italic=TEXT, boldItalic=BOLD)


BODY = ParagraphStyle("body", fontName=TEXT, fontSize=8.6, leading=12.2, textColor=INK)
SMALL = ParagraphStyle("small", BODY, fontSize=7.2, leading=10, textColor=QUIET)
CELL = ParagraphStyle("cell", BODY, fontSize=7.6, leading=10)
NUMBER = ParagraphStyle("number", CELL, alignment=TA_RIGHT)
HEAD = ParagraphStyle("head", CELL, textColor=QUIET)
NUMBER_HEAD = ParagraphStyle("number head", HEAD, alignment=TA_RIGHT)
TITLE = ParagraphStyle("title", BODY, fontName=BOLD, fontSize=19, leading=24)
SECTION = ParagraphStyle(
    "section", BODY, fontName=BOLD, fontSize=11.2, leading=15, spaceBefore=11, spaceAfter=4
)
LARGE = ParagraphStyle("large", BODY, fontName=BOLD, fontSize=13.5, leading=18)


#: a heading, the head of its table and two rows of three lines
HEADING_ROOM = 40 * mm


def words(text: object, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain words: nothing in them is taken as markup."""
    return Paragraph(escape(str(text)).replace("\n", "<br/>"), style)


def section(text: str) -> list[Flowable]:
    """The heading of what may run over pages; it does not stay alone at the foot of one."""
    return [CondPageBreak(HEADING_ROOM), words(text, SECTION)]


def facts(rows: list[tuple[str, str]], width: float) -> Table:
    """Names at the left, what they stand for at the right."""
    name_width = min(width * 0.34, 34 * mm)
    table = Table(
        [[words(name, HEAD), words(value, CELL)] for name, value in rows],
        colWidths=[name_width, width - name_width],
    )
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 4),
                ("TOPPADDING", (0, 0), (-1, -1), 1.6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
            ]
        )
    )
    return table


def grid(
    heads: list[str], rows: list[list[object]], shares: list[float], numbers: tuple[int, ...] = ()
) -> Table:
    """A table with a head that is repeated on each page.

    shares  : parts of the width, one a column
    numbers : columns set flush right
    A cell may be a flowable or a list of them; anything else is set as words.
    """
    whole = sum(shares)

    def cell(value: object, column: int) -> object:
        if hasattr(value, "wrap") or isinstance(value, list):
            return value
        return words(value, NUMBER if column in numbers else CELL)

    head = [words(text, NUMBER_HEAD if n in numbers else HEAD) for n, text in enumerate(heads)]
    table = Table(
        [head, *([cell(value, n) for n, value in enumerate(row)] for row in rows)],
        colWidths=[WIDTH * share / whole for share in shares],
        repeatRows=1,
    )
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 4),
                ("TOPPADDING", (0, 0), (-1, -1), 2.2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
            ]
        )
    )
    return table
