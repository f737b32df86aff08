"""What the dossier draws: signs of kinds and verdicts, photos with their finds, the neighbours."""

import io
from collections.abc import Mapping

from reportlab.lib.colors import black, white
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

from models.history_records import PhotoHistory
from webapp.dossier.sheet_picture import draw_shape, haloed, polyline
from webapp.dossier.style import BOLD, INK, PALE, QUIET, RULE, TEXT
from webapp.figures.marks import Mark
from webapp.figures.photo_figure import draw_finds
from webapp.figures.sheet_shapes import Point, Sign
from webapp.figures.strip_figure import Strip

__all__ = ["KindSign", "PhotoPicture", "StripPicture", "VerdictSign"]


class KindSign(Flowable):
    """A kind's sign and word in a table cell."""

    def __init__(self, mark: Mark, label: str = "") -> None:
        super().__init__()
        self.mark, self.label = mark, label or mark.label

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the sign."""
        return available_width, 9.5

    def draw(self) -> None:
        """Put it on the page."""
        draw_shape(self.canv, Sign(self.mark.shape, 5.0, 5.1, 3.2), 9.5)
        self.canv.setFillColor(INK)
        self.canv.setFont(TEXT, 7.6)
        self.canv.drawString(13, 1.8, self.label)


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


class PhotoPicture(Flowable):
    """A photo with its finds drawn in two strokes, a dark one under a light one.

    jpeg : the upright picture.  number : the photo's among those of its sheet, from 1.
    kinds : of each defect of the sheet by its number.  width, most : room across and down, points.
    """

    LETTER = 8.0

    def __init__(
        self,
        jpeg: bytes,
        photo: PhotoHistory,
        number: int,
        kinds: Mapping[int, str],
        width: float,
        most: float,
    ) -> None:
        super().__init__()
        width_px, height_px = photo.width_px or 1, photo.height_px or 1
        self.jpeg = jpeg
        self.per_px = min(width / width_px, most / height_px)
        self.width, self.height = width_px * self.per_px, height_px * self.per_px
        self.shapes = draw_finds(photo, number, kinds, letter_px=self.LETTER / self.per_px)

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Put it on the page."""
        c = self.canv
        c.drawImage(ImageReader(io.BytesIO(self.jpeg)), 0, 0, self.width, self.height)
        for shape in self.shapes:
            for ink, width in ((black, 2.2), (white, 0.9)):
                for line in shape.lines:
                    polyline(c, [self._at(point) for point in line], ink, width)
            if shape.label:
                x, y = self._at((shape.label_x, shape.label_y))
                haloed(c, x, y, shape.label, self.LETTER, shape.anchor, on_photo=True)

    def _at(self, point: Point) -> Point:
        return point[0] * self.per_px, self.height - point[1] * self.per_px


class StripPicture(Flowable):
    """The sheet among its neighbours, as `webapp.figures.strip_figure` lays it out."""

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
