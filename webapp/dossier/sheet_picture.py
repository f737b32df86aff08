"""The sheet in the dossier: what `webapp.figures.sheet_layout` lays out, as it is drawn on paper."""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib.colors import Color, black, white
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from webapp.dossier.style import BOLD, INK, KIND_INK, PALE, QUIET, RULE, SMALL, TEXT, words
from webapp.figures.sheet_layout import SheetLayout
from webapp.figures.sheet_legend import SWATCH, LegendEntry
from webapp.figures.sheet_shapes import Circle, Line, Point, Rect, Shape, Sign, Words

__all__ = ["LOOKS", "SheetLegend", "SheetPicture", "draw_shape", "drawn", "haloed", "polyline"]


@dataclass(frozen=True, slots=True)
class Look:
    """How a role is drawn: its stroke, dashes and fill; of words, their ink and font."""

    ink: Color = INK
    width: float = 0.6
    dash: tuple[float, ...] = ()
    fill: Color | None = None
    font: str = TEXT


LOOKS: dict[str, Look] = {
    "glass": Look(width=0.8, fill=PALE),
    "tile-covered": Look(QUIET, 0.4, fill=RULE),
    "tile-coarse": Look(QUIET, 0.4, (0.6, 1.8)),
    "tile-missing": Look(QUIET, 0.4),
    "tile-unknown": Look(QUIET, 0.4),
    "hatch": Look(QUIET, 0.5),
    "dots": Look(QUIET, 0.9, (0.9, 5.0)),
    "away": Look(RULE, 0.5),
    "photo": Look(QUIET, 0.5, (2.5, 1.8)),
    "by-eye": Look(QUIET, 0.5, (5, 1.6, 1, 1.6)),
    "hole": Look(INK, 0.5, fill=white),
    "under-tag": Look(INK, 0.5, (1, 1), fill=white),
    "zone": Look(QUIET, 0.5, (1.6, 2)),
    "piece": Look(INK, 1.6),
    "counted": Look(INK, 0.8, (3, 1.6)),
    "course": Look(KIND_INK["bar"], 1.0),
    "deciding": Look(INK, 0.8),
    "open-end": Look(INK, 0.7),
    "ask": Look(INK, 1.6),
    "leader": Look(QUIET, 0.4),
    "window": Look(INK, 1.0),
    "axis": Look(QUIET, 0.8),
    "travel": Look(QUIET, 0.9),
    "edge-name": Look(QUIET),
    "tick": Look(QUIET),
    "label": Look(font=BOLD),
    "ask-words": Look(font=BOLD),
    "tile-name": Look(INK),
    "photo-name": Look(QUIET),
}
#: words that may stand on lines
_HALOED = ("label", "ask-words", "tile-name", "photo-name")


class SheetPicture(Flowable):
    """A drawn sheet; one drawing unit is one point."""

    def __init__(self, layout: SheetLayout) -> None:
        super().__init__()
        self.layout = layout

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the drawing."""
        return self.layout.width, self.layout.height

    def draw(self) -> None:
        """Put it on the page."""
        for shape in self.layout.shapes:
            draw_shape(self.canv, shape, self.layout.height, self.layout.letter)


class SheetLegend(Flowable):
    """What the shapes in a drawing mean: samples with their words, in as many rows as the width asks for."""

    def __init__(self, entries: Sequence[LegendEntry], size: float = 6.6) -> None:
        super().__init__()
        self.entries, self.size = tuple(entries), size
        self._rows: list[list[tuple[float, LegendEntry]]] = []

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of all rows."""
        canvas = Canvas("")
        self._rows, x = [[]], 0.0
        for entry in self.entries:
            long = self._sample_width + 4 + canvas.stringWidth(entry.text, TEXT, self.size)
            if x > 0.0 and x + long > available_width:
                self._rows.append([])
                x = 0.0
            self._rows[-1].append((x, entry))
            x += long + 10
        return available_width, self._row * len(self._rows)

    @property
    def _sample_width(self) -> float:
        return SWATCH[0] * self.size / 12.5

    @property
    def _row(self) -> float:
        return self.size * 1.75

    def draw(self) -> None:
        """Put it on the page."""
        c, scale = self.canv, self.size / 12.5
        for number, row in enumerate(self._rows, start=1):
            base = self._row * (len(self._rows) - number) + self.size * 0.45
            for x, entry in row:
                c.saveState()
                c.translate(x, base - self.size * 0.3)
                c.scale(scale, scale)
                for shape in entry.shapes:
                    draw_shape(c, shape, SWATCH[1])
                c.restoreState()
                c.setFillColor(QUIET)
                c.setFont(TEXT, self.size)
                c.drawString(x + self._sample_width + 4, base, entry.text)


def drawn(layout: SheetLayout) -> list[Flowable]:
    """A drawn sheet with what its shapes mean and what it leaves out."""
    notes = (words(note, SMALL) for note in layout.notes)
    return [SheetPicture(layout), SheetLegend(layout.legend), *notes]


def draw_shape(canvas: Canvas, shape: Shape, height: float, letter: float = 6.8) -> None:
    """One shape of a drawing that is `height` units high: its y runs down, the paper's up."""
    canvas.saveState()
    if isinstance(shape, Sign):
        _draw_sign(canvas, shape, height)
    elif isinstance(shape, Words):
        _draw_words(canvas, shape, height, letter)
    else:
        look = LOOKS[shape.role]
        canvas.setStrokeColor(look.ink)
        canvas.setLineWidth(look.width)
        if look.dash:
            canvas.setDash(list(look.dash))
        if look.fill is not None:
            canvas.setFillColor(look.fill)
        fill = int(look.fill is not None)
        if isinstance(shape, Rect):
            y = height - shape.y - shape.height
            canvas.rect(shape.x, y, shape.width, shape.height, stroke=1, fill=fill)
        elif isinstance(shape, Circle):
            canvas.circle(shape.x, height - shape.y, shape.radius, stroke=1, fill=fill)
        elif isinstance(shape, Line):
            for line in shape.lines:
                polyline(canvas, [(x, height - y) for x, y in line], look.ink, look.width)
    canvas.restoreState()


def polyline(canvas: Canvas, points: Sequence[Point], ink: Color, width: float) -> None:
    """A line through points."""
    if len(points) < 2:
        return
    canvas.setStrokeColor(ink)
    canvas.setLineWidth(width)
    canvas.drawPath(_path(canvas, points), stroke=1, fill=0)


def haloed(
    canvas: Canvas,
    x: float,
    y: float,
    text: str,
    size: float,
    anchor: str,
    *,
    on_photo: bool = False,
    ink: Color = black,
    font: str = BOLD,
) -> None:
    """Text with an outline of the opposite shade, so that it is read on any ground."""
    x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * canvas.stringWidth(text, font, size)
    front, back = (white, black) if on_photo else (ink, white)
    for mode, colour, width in ((2, back, size * 0.24), (0, front, 0.1)):
        line = canvas.beginText(x, y)
        line.setFont(font, size)
        line.setTextRenderMode(mode)
        canvas.setFillColor(colour)
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(width)
        line.textOut(text)
        canvas.drawText(line)


def _draw_sign(canvas: Canvas, sign: Sign, height: float) -> None:
    ink = KIND_INK.get(sign.shape, INK)
    canvas.setFillColor(ink)
    for line in sign.lines:
        points = [(x, height - y) for x, y in line]
        if sign.hollow:
            polyline(canvas, points, ink, sign.size * 0.32)
        else:
            canvas.drawPath(_path(canvas, points), stroke=0, fill=1)


def _draw_words(canvas: Canvas, text: Words, height: float, letter: float) -> None:
    look, y = LOOKS[text.role], height - text.y
    if text.role in _HALOED:
        haloed(canvas, text.x, y, text.text, letter, text.anchor, ink=look.ink, font=look.font)
        return
    canvas.setFillColor(look.ink)
    canvas.setFont(look.font, letter)
    canvas.translate(text.x, y)
    if text.turned:
        canvas.rotate(90)
    put = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
    put[text.anchor](0, 0, text.text)


def _path(canvas: Canvas, points: Sequence[Point]) -> object:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    return path
