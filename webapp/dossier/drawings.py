"""What the dossier draws: signs of kinds and verdicts, the sheet, photos with their finds, the neighbours."""

import io
from collections.abc import Sequence

from reportlab.lib.colors import black, white
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from webapp.dossier.style import BOLD, INK, KIND_INK, PALE, QUIET, RULE, TEXT
from webapp.figures.marks import Mark
from webapp.figures.photo_figure import FindShape
from webapp.figures.sheet_figure import SheetFigure
from webapp.figures.strip_figure import Strip

__all__ = ["KindSign", "PhotoPicture", "SheetPicture", "StripPicture", "VerdictSign"]

#: a sign or a path in the figures' own words is SVG path data of M and L alone
Points = list[tuple[float, float]]


def path_points(data: str) -> Points:
    """The points of path data made by our own figures ("M1 2 L3 4 L5 6")."""
    return [
        (float(x), float(y))
        for x, y in (pair.split() for pair in data.lstrip("M").replace(" L", "|").split("|") if pair)
    ]


def draw_mark(canvas: Canvas, mark: Mark, x: float, y: float, size: float) -> None:
    """The sign of a kind with its middle at (x, y)."""
    ink = KIND_INK[mark.shape]
    canvas.saveState()
    canvas.setStrokeColor(ink)
    canvas.setFillColor(ink)
    canvas.setLineWidth(size * 0.32)
    if mark.shape == "ring":
        canvas.circle(x, y, size * 0.8, stroke=1, fill=0)
    elif mark.shape == "diamond":
        path = canvas.beginPath()
        path.moveTo(x, y + size)
        path.lineTo(x + size, y)
        path.lineTo(x, y - size)
        path.lineTo(x - size, y)
        path.close()
        canvas.drawPath(path, stroke=0, fill=1)
    elif mark.shape == "bar":
        canvas.rect(x - size * 0.28, y - size * 1.3, size * 0.56, size * 2.6, stroke=0, fill=1)
    else:
        canvas.setDash(1, 1.6)
        canvas.circle(x, y, size * 0.9, stroke=1, fill=0)
    canvas.restoreState()


class KindSign(Flowable):
    """A kind's sign, letter and word in a table cell."""

    def __init__(self, mark: Mark, label: str = "") -> None:
        super().__init__()
        self.mark, self.label = mark, label or mark.label

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the sign."""
        return available_width, 9.5

    def draw(self) -> None:
        """Put it on the page."""
        draw_mark(self.canv, self.mark, 4, 4.4, 3)
        self.canv.setFillColor(INK)
        self.canv.setFont(BOLD, 7.6)
        self.canv.drawString(11, 1.8, self.mark.letter)
        self.canv.setFont(TEXT, 7.6)
        self.canv.drawString(19, 1.8, self.label)


#: strokes of the verdict signs in parts of their size; None lifts the pen
_VERDICT_LINES: dict[str, list[tuple[float, float] | None]] = {
    "accept": [(0.1, 0.45), (0.35, 0.15), (0.85, 0.85)],
    "reject": [(0.1, 0.1), (0.8, 0.85), None, (0.8, 0.1), (0.1, 0.85)],
    "downgrade": [(0.45, 0.9), (0.45, 0.1), (0.15, 0.42), None, (0.45, 0.1), (0.75, 0.42)],
    "": [(0.1, 0.45), (0.3, 0.45), None, (0.5, 0.45), (0.7, 0.45)],
}


class VerdictSign(Flowable):
    """A verdict as a drawn sign and words."""

    def __init__(self, outcome: str | None, text: str, size: float = 13.0) -> None:
        super().__init__()
        self.outcome, self.text, self.size = outcome, text, size

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of sign and words."""
        return available_width, self.size * 1.5

    def draw(self) -> None:
        """Put it on the page."""
        canvas, s = self.canv, self.size
        canvas.setStrokeColor(INK)
        canvas.setFillColor(INK)
        canvas.setLineWidth(s * 0.13)
        canvas.setLineCap(1)
        lines: list[tuple[float, float] | None] = _VERDICT_LINES.get(self.outcome or "", _VERDICT_LINES[""])
        path = canvas.beginPath()
        pen_up = True
        for point in lines:
            if point is None:
                pen_up = True
                continue
            x, y = point[0] * s, point[1] * s + s * 0.25
            if pen_up:
                path.moveTo(x, y)
            else:
                path.lineTo(x, y)
            pen_up = False
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.setFont(BOLD, s)
        canvas.drawString(s * 1.25, s * 0.42, self.text)


class SheetPicture(Flowable):
    """The sheet to scale, as `webapp.figures.sheet_figure` lays it out, y downwards."""

    def __init__(self, figure: SheetFigure) -> None:
        super().__init__()
        self.figure = figure

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the drawing."""
        return self.figure.width, self.figure.height

    def draw(self) -> None:
        """Put it on the page."""
        f, c = self.figure, self.canv
        c.setStrokeColor(INK)
        c.setFillColor(PALE)
        c.setLineWidth(0.8)
        c.rect(f.x, self._y(f.y + f.sheet_height), f.sheet_width, f.sheet_height, stroke=1, fill=1)
        c.setLineWidth(0.5)
        c.setStrokeColor(QUIET)
        c.saveState()
        c.setDash(2.5, 2.5)
        for x, y, width, height, _name in f.photos:
            c.rect(x, self._y(y + height), width, height, stroke=1, fill=0)
        c.restoreState()
        self._names()
        c.setStrokeColor(INK)
        for x, y, radius in f.circles:
            c.circle(x, self._y(y), radius, stroke=1, fill=0)
        for shape in f.shapes:
            if shape.path:
                _polyline(c, [(px, self._y(py)) for px, py in path_points(shape.path)], KIND_INK["bar"], 1.1)
            draw_mark(c, shape.mark, shape.x, self._y(shape.y), 3.4)
            if shape.deciding:
                c.setLineWidth(0.9)
                c.circle(shape.x, self._y(shape.y), 6.5, stroke=1, fill=0)
            if shape.label:
                _haloed(c, shape.label_x, self._y(shape.label_y), shape.label, 6.8, shape.anchor)
        if f.inner is not None:
            x, y, width, height = f.inner
            c.setLineWidth(1.2)
            c.setStrokeColor(INK)
            c.rect(x, self._y(y + height), width, height, stroke=1, fill=0)

    def _y(self, down: float) -> float:
        return float(self.figure.height - down)

    def _names(self) -> None:
        f, c = self.figure, self.canv
        c.setFillColor(QUIET)
        c.setFont(TEXT, 6.6)
        middle = f.x + f.sheet_width / 2
        c.drawString(f.x, self._y(f.y - 4), "leading edge" if f.edges[0] else "part of the sheet, enlarged")
        c.saveState()
        c.translate(f.x - 5, self._y(f.y))
        c.rotate(90)
        c.drawRightString(0, 0, "left side" if f.edges[1] else "")
        c.restoreState()
        c.setStrokeColor(QUIET)
        c.setLineWidth(1)
        c.lines(
            [
                (middle, self._y(f.y - 10), middle, self._y(f.y - 26)),
                (middle, self._y(f.y - 26), middle - 3, self._y(f.y - 21)),
                (middle, self._y(f.y - 26), middle + 3, self._y(f.y - 21)),
            ]
        )
        c.drawString(middle + 7, self._y(f.y - 18), "travel")
        foot = f.y + f.sheet_height + 12
        c.lines(
            [
                (f.x, self._y(foot), f.x, self._y(foot + 4)),
                (f.x, self._y(foot + 4), f.x + f.bar, self._y(foot + 4)),
                (f.x + f.bar, self._y(foot + 4), f.x + f.bar, self._y(foot)),
            ]
        )
        c.drawString(f.x + f.bar + 5, self._y(foot + 5), f.bar_text)


class PhotoPicture(Flowable):
    """A photo with its finds drawn in two strokes, a dark one under a light one.

    jpeg : the upright picture; width_px, height_px : size of the upright photo that the shapes count in
    """

    def __init__(
        self,
        jpeg: bytes,
        width_px: int,
        height_px: int,
        shapes: Sequence[FindShape],
        width: float,
        most: float,
    ) -> None:
        super().__init__()
        self.jpeg, self.shapes = jpeg, shapes
        self.per_px = min(width / width_px, most / height_px)
        self.width, self.height = width_px * self.per_px, height_px * self.per_px

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Put it on the page."""
        c = self.canv
        c.drawImage(ImageReader(io.BytesIO(self.jpeg)), 0, 0, self.width, self.height)
        for shape in self.shapes:
            x, y = shape.x * self.per_px, self.height - shape.y * self.per_px
            points = [
                (px * self.per_px, self.height - py * self.per_px) for px, py in path_points(shape.path)
            ]
            for ink, width in ((black, 2.2), (white, 0.9)):
                c.saveState()
                if shape.state == "dismissed":
                    c.setDash(1, 2.4)
                if points:
                    _polyline(c, points, ink, width)
                else:
                    c.setStrokeColor(ink)
                    c.setLineWidth(width)
                    c.circle(x, y, max(shape.radius * self.per_px, 4.0), stroke=1, fill=0)
                c.restoreState()
            side = 1 if shape.anchor == "start" else -1
            _haloed(
                c,
                x + side * 6.0,
                y + 3.0,
                f"{shape.mark.letter}{shape.number}",
                6.8,
                shape.anchor,
                on_photo=True,
            )


class StripPicture(Flowable):
    """The sheet among its neighbours, as `webapp.figures.sheet_figure` lays it out."""

    def __init__(self, strip: Strip) -> None:
        super().__init__()
        self.strip = strip

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the drawing."""
        return self.strip.width, self.strip.height

    def draw(self) -> None:
        """Put it on the page."""
        s, c = self.strip, self.canv
        c.setFont(TEXT, 6.6)
        c.setFillColor(QUIET)
        c.setStrokeColor(QUIET)
        c.setLineWidth(1)
        head = s.height - 11
        c.lines([(2, head, 24, head), (2, head, 7, head + 3), (2, head, 7, head - 3)])
        c.drawString(29, head - 2.4, "the glass travels this way; sheets at the right were cut later")
        c.setStrokeColor(RULE)
        for y in (s.top, s.top + s.across):
            c.line(0, s.height - y, s.width, s.height - y)
        for sheet in s.sheets:
            c.setFillColor(PALE)
            c.setStrokeColor(INK)
            c.setLineWidth(2.0 if sheet.here else 0.5)
            y = s.height - sheet.y - sheet.height
            c.rect(sheet.x + 1, y, max(sheet.width - 2, 1), sheet.height, stroke=1, fill=1)
            if not sheet.roomy:
                continue
            c.setFillColor(INK)
            middle = sheet.x + sheet.width / 2
            c.setFont(BOLD if sheet.here else TEXT, 6.4)
            c.drawCentredString(middle, y + sheet.height / 2 + 2, sheet.label)
            c.setFont(TEXT, 6.0)
            c.drawCentredString(middle, y + sheet.height / 2 - 7, sheet.text)
        c.setFillColor(QUIET)
        for x, text in s.breaks:
            c.drawCentredString(x, s.height - s.top - s.across / 2, f"… {text} …")


def _polyline(canvas: Canvas, points: Points, ink: object, width: float) -> None:
    canvas.setStrokeColor(ink)
    canvas.setLineWidth(width)
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    canvas.drawPath(path, stroke=1, fill=0)


def _haloed(
    canvas: Canvas, x: float, y: float, text: str, size: float, anchor: str, *, on_photo: bool = False
) -> None:
    """Text with an outline of the opposite shade, so that it is read on any ground."""
    if anchor == "end":
        x -= canvas.stringWidth(text, BOLD, size)
    for mode, width in ((2, size * 0.3), (0, 0.0)):
        words = canvas.beginText(x, y)
        words.setFont(BOLD, size)
        words.setTextRenderMode(mode)
        outline = mode == 2
        light = on_photo != outline
        canvas.setFillColor(white if light else black)
        canvas.setStrokeColor(white if light else black)
        canvas.setLineWidth(width or 0.1)
        words.textOut(text)
        canvas.drawText(words)
