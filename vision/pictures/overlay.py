"""Finds drawn on the photo: shape and letter for each kind, two-tone strokes, legible at any size.

    bubble     open ring, B            stone      filled diamond beside the place, S
    scratch    bar along the line, K   not glass  dotted outline, N

Every stroke is light on a dark rim, so it reads on black and on white ground; colour alone carries no
meaning.
Widths and letters grow with the picture, and numbers are those of the result file.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from vision.frames import Frame
from vision.photo.read import read_colour
from vision.results import ByteImage, Find, Inspection

LIGHT = (244, 232, 190)
QUIET = (196, 202, 205)
DARK = (16, 18, 20)
LETTERS = {"bubble": "B", "stone": "S", "scratch": "K"}
SMALLEST_RING_OF_SIDE = 0.006
DOTS = 28
SHIFT = 4
FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_overlay(data: bytes, inspection: Inspection, name: str = "photo") -> bytes:
    """The photo with its finds drawn, as the bytes of a PNG file. Raises PhotoError like `inspect_photo`."""
    picture = draw_finds(read_colour(data, name), inspection)
    _, coded = cv2.imencode(".png", picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 4])
    return coded.tobytes()


def draw_finds(picture: ByteImage, inspection: Inspection) -> ByteImage:
    """A copy of the photo with its finds. picture : uint8, shape (H, W, 3), red green blue, upright."""
    canvas = np.ascontiguousarray(picture).copy()
    pen = _Pen(canvas, inspection.frame)
    for find in reversed(inspection.finds):  # the likeliest come last and lie on top
        if find.not_glass is not None:
            _not_glass(pen, find)
        elif find.kind == "scratch" and find.path_px is not None:
            _scratch(pen, find)
        elif find.kind == "stone":
            _stone(pen, find)
        else:
            _bubble(pen, find)
    _legend(pen, inspection)
    return canvas


def draw_text(picture: ByteImage, text: str, place: tuple[float, float]) -> None:
    """Write one line at a place given as shares of width and height (left, baseline)."""
    h, w = picture.shape[:2]
    _Pen(picture).text(text, place[0] * w, place[1] * h, LIGHT)


class _Pen:
    """Strokes whose width follows the picture's size."""

    def __init__(self, canvas: ByteImage, frame: Frame | None = None) -> None:
        self.canvas = canvas
        self.frame = frame
        self.height, self.width = canvas.shape[:2]
        side = math.sqrt(self.width * self.height)
        self.stroke = max(1, round(side / 1100))
        self.rim = self.stroke + 2 * max(1, round(side / 1800))
        self.letters = max(0.4, side / 2600)
        self.smallest_ring = max(6.0, SMALLEST_RING_OF_SIDE * side)

    def line(self, points: np.ndarray, closed: bool, colour: tuple[int, int, int]) -> None:
        coded = [np.round(np.asarray(points, np.float64) * (1 << SHIFT)).astype(np.int32)]
        cv2.polylines(self.canvas, coded, closed, DARK, self.rim, cv2.LINE_AA, SHIFT)
        cv2.polylines(self.canvas, coded, closed, colour, self.stroke, cv2.LINE_AA, SHIFT)

    def dot(self, x: float, y: float, radius: float, colour: tuple[int, int, int]) -> None:
        centre = (round(x * (1 << SHIFT)), round(y * (1 << SHIFT)))
        rim = round((radius + self.stroke) * (1 << SHIFT))
        cv2.circle(self.canvas, centre, rim, DARK, -1, cv2.LINE_AA, SHIFT)
        cv2.circle(self.canvas, centre, round(radius * (1 << SHIFT)), colour, -1, cv2.LINE_AA, SHIFT)

    def polygon(self, points: np.ndarray, colour: tuple[int, int, int]) -> None:
        coded = [np.round(np.asarray(points, np.float64) * (1 << SHIFT)).astype(np.int32)]
        cv2.fillPoly(self.canvas, coded, colour, cv2.LINE_AA, SHIFT)
        cv2.polylines(self.canvas, coded, True, DARK, max(1, self.stroke), cv2.LINE_AA, SHIFT)

    def text(self, text: str, x: float, y: float, colour: tuple[int, int, int]) -> None:
        """Write on a dark plate with the baseline's left end at (x, y), moved inside the picture."""
        (wide, high), below = cv2.getTextSize(text, FONT, self.letters, self.stroke)
        pad = 1 + self.stroke
        left = int(min(max(x, pad), max(self.width - wide - pad - 1, pad)))
        base = int(min(max(y, high + pad), self.height - below - pad - 1))
        corner = (left + wide + pad, base + below // 2 + pad)
        cv2.rectangle(self.canvas, (left - pad, base - high - pad), corner, DARK, -1)
        cv2.putText(self.canvas, text, (left, base), FONT, self.letters, colour, self.stroke, cv2.LINE_AA)


def _ring(find: Find, pen: _Pen, gap: float = 1.45) -> np.ndarray:
    """Ellipse round a find, far enough out that the find itself stays in view."""
    a = max(gap * find.length_px / 2, pen.smallest_ring) + pen.rim
    b = max(gap * find.width_px / 2, pen.smallest_ring) + pen.rim
    turn = _photo_angle(find, pen.frame)
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    u, v = a * np.cos(t), b * np.sin(t)
    x = find.x_px + u * math.cos(turn) - v * math.sin(turn)
    y = find.y_px + u * math.sin(turn) + v * math.cos(turn)
    return np.column_stack([x, y])


def _photo_angle(find: Find, frame: Frame | None) -> float:
    """Direction of the find's long axis in the photo, in radians (its `angle_deg` is the sheet's)."""
    turn = math.radians(find.angle_deg)
    if frame is None:
        return turn
    to_sheet = frame.jacobian_at([(find.x_px, find.y_px)])[0]
    along = np.linalg.solve(to_sheet, [math.cos(turn), math.sin(turn)])
    return math.atan2(float(along[1]), float(along[0]))


def _label(
    pen: _Pen, find: Find, letter: str, right: float, top: float, colour: tuple[int, int, int]
) -> None:
    pen.text(f"{find.number}{letter}", right + pen.rim, top, colour)


def _bubble(pen: _Pen, find: Find) -> None:
    ring = _ring(find, pen)
    pen.line(ring, True, LIGHT)
    _label(
        pen, find, LETTERS.get(find.kind, "B"), ring[:, 0].max(), ring[:, 1].min() + pen.smallest_ring, LIGHT
    )


def _stone(pen: _Pen, find: Find) -> None:
    """A lozenge round the place and a small filled one on its corner: the stone itself stays in view."""
    ring = _ring(find, pen)
    x0, y0, x1, y1 = ring[:, 0].min(), ring[:, 1].min(), ring[:, 0].max(), ring[:, 1].max()
    cx, cy, a, b = (x0 + x1) / 2, (y0 + y1) / 2, 0.75 * (x1 - x0), 0.75 * (y1 - y0)
    pen.line(np.array([[cx - a, cy], [cx, cy - b], [cx + a, cy], [cx, cy + b]]), True, LIGHT)
    s = 0.55 * pen.smallest_ring
    pen.polygon(np.array([[cx - s, cy - b], [cx, cy - b - s], [cx + s, cy - b], [cx, cy - b + s]]), LIGHT)
    _label(pen, find, "S", cx + max(0.5 * a, s), cy - b, LIGHT)


def _scratch(pen: _Pen, find: Find) -> None:
    """Two bars that accompany the line on both sides, closed at its ends."""
    path = np.asarray(find.path_px, np.float64)
    if len(path) < 2:
        _bubble(pen, find)
        return
    along = np.gradient(path, axis=0)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None]
    gap = 0.7 * pen.smallest_ring + pen.rim + find.width_px / 2
    pen.line(np.concatenate([path + gap * across, (path - gap * across)[::-1]]), True, LIGHT)
    end = path[int(np.argmin(path[:, 1]))]
    _label(pen, find, "K", end[0] + gap, end[1], LIGHT)


def _not_glass(pen: _Pen, find: Find) -> None:
    x, y, w, h = find.box_px
    pad = pen.rim + 0.5 * pen.smallest_ring
    x0, y0, x1, y1 = x - pad, y - pad, x + w + pad, y + h + pad
    sides = 2 * (x1 - x0 + y1 - y0)
    count = max(12, min(round(sides / (6 * pen.stroke + 4)), 8 * DOTS))
    for k in range(count):
        d = k * sides / count
        if d < x1 - x0:
            place = (x0 + d, y0)
        elif d < x1 - x0 + y1 - y0:
            place = (x1, y0 + d - (x1 - x0))
        elif d < 2 * (x1 - x0) + y1 - y0:
            place = (x1 - (d - (x1 - x0) - (y1 - y0)), y1)
        else:
            place = (x0, y1 - (d - 2 * (x1 - x0) - (y1 - y0)))
        pen.dot(place[0], place[1], 0.8 * pen.stroke, QUIET)
    _label(pen, find, "N", x1, y0 + pen.smallest_ring, QUIET)


def _legend(pen: _Pen, inspection: Inspection) -> None:
    """What the letters mean, and what the photo can size, along the lower border."""
    counted = dict.fromkeys(LETTERS, 0)
    aside = 0
    for find in inspection.finds:
        if find.not_glass is not None:
            aside += 1
        elif find.kind in counted:
            counted[find.kind] += 1
    parts = [f"{letter} {kind} {counted[kind]}" for kind, letter in LETTERS.items()] + [
        f"N not glass {aside}"
    ]
    if inspection.smallest_sized_mm is None:
        parts.append("no scale")
    else:
        parts.append(f"sizes from {inspection.smallest_sized_mm:.2f} mm")
    pen.text("   ".join(parts), 0.012 * pen.width, pen.height - 0.012 * pen.height, LIGHT)
