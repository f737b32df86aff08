"""The gauge card: printed dots and lines of known sizes, with which a plant proves its own set-up.

One page shows dark marks on white (for bright field), one white marks on black (for dark field). Shapes are
written as
PDF outlines, so they are as true as the printer; a ruler on each page tells whether the print is to scale.
Card millimetres: x right, y down from the page's top left corner (A4 across).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2

from vision.geometry.tag_sides import MODULES_ACROSS
from vision.photo.setup_file import TAG_DICTIONARY, Corners

PAGE_MM = (297.0, 210.0)
TAG_NUMBERS = (46, 47, 48, 49)  # the last of the dictionary: a plant's own tags are numbered from 0
TAG_MM = 21.0
TAG_PLACES_MM = ((12.0, 15.0), (264.0, 15.0), (264.0, 174.0), (12.0, 174.0))
DOT_SIZES_MM = (0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
DOTS_EACH = 10
LINES_MM = ((8.0, 0.2), (12.0, 0.1), (20.0, 0.3), (30.0, 0.1), (40.0, 0.2), (60.0, 0.1))  # length, width
DOT_ROWS_FROM_MM, DOT_ROW_MM = 24.0, 8.6
FIELD_MM = (45.0, 18.0, 252.0, 176.0)
RULER_FROM_MM, RULER_Y_MM, RULER_MM = 48.0, 186.0, 200
POINTS_PER_MM = 72.0 / 25.4
CIRCLE = 0.5522847498  # control points of four Bezier arcs that make a circle to 0.03 %


@dataclass(frozen=True, slots=True)
class PrintedDot:
    """A round mark. All in card mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class PrintedLine:
    """A straight mark with square ends; angle from +x towards +y."""

    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float


@lru_cache(maxsize=1)
def dots() -> tuple[PrintedDot, ...]:
    """All dots, in rows of one size. Their places step by odd
    fractions, so that pixels cut them in different ways."""
    found = []
    for row, size in enumerate(DOT_SIZES_MM):
        y = DOT_ROWS_FROM_MM + row * DOT_ROW_MM
        for k in range(DOTS_EACH):
            x = 56.0 + 19.0 * k + 0.37 * ((k * 7 + row * 3) % 5)
            found.append(PrintedDot(x, y + 0.23 * ((k * 3 + row) % 4), size))
    return tuple(found)


@lru_cache(maxsize=1)
def lines() -> tuple[PrintedLine, ...]:
    """All lines, in three rows below the dots, lying a little askew."""
    rows = ((148.0, (0, 1, 2, 3)), (157.0, (4, 5)), (166.0, (3, 4)))
    found = []
    for y, members in rows:
        x = 56.0
        for k in members:
            length, width = LINES_MM[k]
            angle = 3.0 * ((k * 5 + int(y)) % 3 - 1) + 0.7
            found.append(PrintedLine(x + length / 2, y, length, width, angle % 180.0))
            x += length + 14.0
    return tuple(found)


def tag_corners_mm() -> dict[int, Corners]:
    """The card's four tags as a set-up names them."""
    corners: dict[int, Corners] = {}
    for number, (x, y) in zip(TAG_NUMBERS, TAG_PLACES_MM, strict=True):
        corners[number] = ((x, y), (x + TAG_MM, y), (x + TAG_MM, y + TAG_MM), (x, y + TAG_MM))
    return corners


def tag_squares_mm(number: int, x_mm: float, y_mm: float) -> list[tuple[float, float, float, float]]:
    """The dark squares of one tag: x, y, width, height in card mm; neighbours in a row are one strip."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
    dark = cv2.aruco.generateImageMarker(dictionary, number, MODULES_ACROSS, borderBits=1) < 128
    module = TAG_MM / MODULES_ACROSS
    strips = []
    for i, row in enumerate(dark):
        j = 0
        while j < MODULES_ACROSS:
            run = 0
            while j + run < MODULES_ACROSS and row[j + run]:
                run += 1
            if run:
                strips.append((x_mm + j * module, y_mm + i * module, run * module, module))
            j += max(run, 1)
    return strips


def card_pdf() -> bytes:
    """Both pages as a PDF file."""
    pages = [_page(negative) for negative in (False, True)]
    objects = [b"<< /Type /Catalog /Pages 2 0 R >>"]
    kids = " ".join(f"{4 + 2 * k} 0 R" for k in range(len(pages)))
    objects.append(f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode())
    objects.append(b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>")
    width, height = (side * POINTS_PER_MM for side in PAGE_MM)
    for k, content in enumerate(pages):
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.3f} {height:.3f}] "
            f"/Contents {5 + 2 * k} 0 R "
            "/Resources << /Font << /F1 3 0 R >> >> >>".encode()
        )
        objects.append(b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content))
    out = bytearray(b"%PDF-1.4\n")
    places = []
    for number, body in enumerate(objects, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)
    return bytes(out)


def _page(negative: bool) -> bytes:
    ground, mark = ("0 g", "1 g") if negative else ("1 g", "0 g")
    ops = [ground, _box(0, 0, *PAGE_MM), "1 g"]
    for number, (x, y) in zip(TAG_NUMBERS, TAG_PLACES_MM, strict=True):
        rim = 1.2 * TAG_MM / MODULES_ACROSS
        ops += ["1 g", _box(x - rim, y - rim, TAG_MM + 2 * rim, TAG_MM + 2 * rim), "0 g"]
        ops += [_box(*square) for square in tag_squares_mm(number, x, y)]
    ops.append(mark)
    ops += [_disc(dot) for dot in dots()]
    ops += [_bar(line) for line in lines()]
    for k in range(RULER_MM + 1):
        tall = 5.0 if k % 10 == 0 else 3.5 if k % 5 == 0 else 2.2
        ops.append(_box(RULER_FROM_MM + k - 0.06, RULER_Y_MM - tall, 0.12, tall))
    ops += [_text(RULER_FROM_MM + k - 2, RULER_Y_MM + 4.0, 8, f"{k}") for k in range(0, RULER_MM + 1, 50)]
    for row, size in enumerate(DOT_SIZES_MM):
        ops.append(_text(38.0, DOT_ROWS_FROM_MM + row * DOT_ROW_MM + 1.2, 8, f"{size:g}"))
    light = "dark field (white marks)" if negative else "bright field (dark marks)"
    ops.append(_text(48.0, 9.0, 10, f"Gauge card, {light}, dots in mm. Print at 100 % on matt paper."))
    ops.append(
        _text(
            48.0, 199.0, 8,
            "Check with a steel rule: 200 mm have to be 200 mm. Lay the card flat where the sheet lies,",
        )
    )  # fmt: skip
    ops.append(
        _text(
            48.0, 203.5, 8,
            "light and photograph it as you do the glass, several times, and run: lehrbook gauge PHOTO...",
        )
    )  # fmt: skip
    return "\n".join(ops).encode("ascii")


def _at(x_mm: float, y_mm: float) -> str:
    return f"{x_mm * POINTS_PER_MM:.4f} {(PAGE_MM[1] - y_mm) * POINTS_PER_MM:.4f}"


def _box(x: float, y: float, w: float, h: float) -> str:
    return f"{_at(x, y + h)} {w * POINTS_PER_MM:.4f} {h * POINTS_PER_MM:.4f} re f"


def _disc(dot: PrintedDot) -> str:
    x, y, r = dot.x_mm, dot.y_mm, dot.diameter_mm / 2
    k = CIRCLE * r
    return (
        f"{_at(x + r, y)} m {_at(x + r, y + k)} {_at(x + k, y + r)} {_at(x, y + r)} c "
        f"{_at(x - k, y + r)} {_at(x - r, y + k)} {_at(x - r, y)} c "
        f"{_at(x - r, y - k)} {_at(x - k, y - r)} {_at(x, y - r)} c "
        f"{_at(x + k, y - r)} {_at(x + r, y - k)} {_at(x + r, y)} c f"
    )


def bar_corners_mm(line: PrintedLine) -> list[tuple[float, float]]:
    """The four corners of a line mark, in order round it."""
    turn = math.radians(line.angle_deg)
    ux, uy = math.cos(turn) * line.length_mm / 2, math.sin(turn) * line.length_mm / 2
    vx, vy = -math.sin(turn) * line.width_mm / 2, math.cos(turn) * line.width_mm / 2
    signs = ((1, 1), (1, -1), (-1, -1), (-1, 1))
    return [(line.x_mm + a * ux + b * vx, line.y_mm + a * uy + b * vy) for a, b in signs]


def _bar(line: PrintedLine) -> str:
    first, *rest = bar_corners_mm(line)
    return f"{_at(*first)} m " + " ".join(f"{_at(*corner)} l" for corner in rest) + " h f"


def _text(x: float, y: float, size: float, text: str) -> str:
    escaped = text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
    return f"BT /F1 {size:g} Tf {_at(x, y)} Td ({escaped}) Tj ET"
