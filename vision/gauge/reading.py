"""Reading a photographed gauge card back: how far sizes are off, and how well they repeat, for each printed
size.

Bias is the mean of what was measured less what is printed. Repeatability is the standard deviation of the
same mark over several photos, pooled over the marks of a size (repeatability standard deviation, ISO
5725-2); spread is that of equal marks within the photos, which also holds what the place in the picture
does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from vision.errors import VisionError
from vision.gauge.card import DOT_SIZES_MM, FIELD_MM, PrintedDot, PrintedLine, dots, lines, tag_corners_mm
from vision.photo.read import read_photo
from vision.photo.setup_file import PhotoSetup
from vision.pipeline import inspect_photo
from vision.results import BRIGHT_FIELD, DARK_FIELD, ByteImage, Find, Inspection, rounded

LIT_GROUND = 70.0
NEAR_MM = 1.2
LINE_NEAR_MM = 1.5
INK = (20, 20, 20)
PALE = (205, 205, 205)


@dataclass(frozen=True, slots=True)
class SizeReading:
    """All marks of one printed size, over all photos.

    printed_mm : the dots' diameter, or the lines' length; marks, found, sized : how many were there to see,
    seen, sized
    mean_mm, bias_mm : None where nothing was sized; repeatability_mm : None with a single photo
    spread_mm : standard deviation over equal marks; worst_mm : largest departure from what is printed
    """

    what: str
    printed_mm: float
    width_mm: float
    marks: int
    found: int
    sized: int
    mean_mm: float | None
    bias_mm: float | None
    repeatability_mm: float | None
    spread_mm: float | None
    worst_mm: float | None
    stated_sd_mm: float | None

    def to_dict(self) -> dict[str, Any]:
        return {
            "what": self.what,
            "printed_mm": self.printed_mm,
            "width_mm": self.width_mm,
            "marks": self.marks,
            "found": self.found,
            "sized": self.sized,
            "mean_mm": rounded(self.mean_mm, 4),
            "bias_mm": rounded(self.bias_mm, 4),
            "repeatability_mm": rounded(self.repeatability_mm, 4),
            "spread_mm": rounded(self.spread_mm, 4),
            "worst_mm": rounded(self.worst_mm, 4),
            "stated_sd_mm": rounded(self.stated_sd_mm, 4),
        }


@dataclass(frozen=True, slots=True)
class CardReading:
    """What the photos of one card gave. mm_per_px,
    smallest_sized_mm, blur_px : the coarsest of the photos."""

    photos: tuple[str, ...]
    lighting: str
    mm_per_px: float
    smallest_sized_mm: float
    blur_px: float
    place_error_mm: float
    sizes: tuple[SizeReading, ...]
    messages: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "photos": list(self.photos),
            "lighting": self.lighting,
            "mm_per_px": rounded(self.mm_per_px, 6),
            "smallest_sized_mm": rounded(self.smallest_sized_mm, 4),
            "blur_px": rounded(self.blur_px, 3),
            "place_error_mm": rounded(self.place_error_mm, 4),
            "sizes": [size.to_dict() for size in self.sizes],
            "messages": list(self.messages),
        }


def card_setup(lighting: str) -> PhotoSetup:
    """The set-up of a photo of the card: its own tags, the part with the marks as field."""
    return PhotoSetup(lighting, field_mm=FIELD_MM, tags=tuple(sorted(tag_corners_mm().items())))


def read_card(
    photos: Sequence[tuple[str, bytes]], inspect: Callable[..., Inspection] = inspect_photo
) -> CardReading:
    """Read one or more photos (name, bytes) of the same page of the card, taken with the same set-up.

    Raises PhotoError for what is no photo, VisionError when the card's tags cannot be seen or the pages
    differ.
    """
    if not photos:
        msg = "gauge: no photo given; expected one or more photos of the gauge card"
        raise VisionError(msg)
    lighting = _lighting(photos[0])
    results = []
    for name, data in photos:
        if _lighting((name, data)) != lighting:
            msg = f"{name}: shows the other page of the card than {photos[0][0]}; expected photos of one page"
            raise VisionError(msg)
        result = inspect(data, card_setup(lighting), name=name)
        if result.scale is None or result.smallest_sized_mm is None:
            reason = result.messages[0] if result.messages else "The card was not recognised."
            msg = (
                f"{name}: {reason.rstrip('.')}; expected a photo of the gauge card with its four tags in view"
            )
            raise VisionError(msg)
        results.append(result)
    readings = [_dot_sizes(size, results) for size in DOT_SIZES_MM]
    readings += [_line_size(length, width, results) for length, width in _line_kinds()]
    scales = [result.scale.mm_per_px for result in results if result.scale is not None]
    return CardReading(
        photos=tuple(name for name, _ in photos),
        lighting=lighting,
        mm_per_px=max(scales),
        smallest_sized_mm=max(result.smallest_sized_mm or 0.0 for result in results),
        blur_px=max(result.blur_px or 0.0 for result in results),
        place_error_mm=_place_error(results),
        sizes=tuple(readings),
        messages=tuple(dict.fromkeys(message for result in results for message in result.messages)),
    )


def _lighting(photo: tuple[str, bytes]) -> str:
    grey = read_photo(photo[1], photo[0]).grey
    h, w = grey.shape
    middle = grey[h // 4 : 3 * h // 4 : 4, w // 4 : 3 * w // 4 : 4]
    return BRIGHT_FIELD if float(np.median(middle)) > LIT_GROUND else DARK_FIELD


def _line_kinds() -> list[tuple[float, float]]:
    return sorted({(line.length_mm, line.width_mm) for line in lines()})


def _dot_match(dot: PrintedDot, result: Inspection) -> Find | None:
    """The find at a dot: the nearest whose middle lies on it or close by."""
    best, best_gap = None, max(NEAR_MM, 0.5 * dot.diameter_mm)
    for find in result.finds:
        if find.path_mm is not None or find.x_mm is None or find.y_mm is None:
            continue
        gap = math.hypot(find.x_mm - dot.x_mm, find.y_mm - dot.y_mm)
        if gap < best_gap:
            best, best_gap = find, gap
    return best


def _line_match(line: PrintedLine, result: Inspection) -> Find | None:
    """The longest find that runs along a line mark."""
    turn = math.radians(line.angle_deg)
    found = []
    for find in result.finds:
        if find.path_mm is None:
            continue
        offset = np.asarray(find.path_mm) - (line.x_mm, line.y_mm)
        across = np.abs(-offset[:, 0] * math.sin(turn) + offset[:, 1] * math.cos(turn))
        along = np.abs(offset[:, 0] * math.cos(turn) + offset[:, 1] * math.sin(turn))
        if np.median(across) < LINE_NEAR_MM and np.median(along) < line.length_mm / 2 + LINE_NEAR_MM:
            found.append(find)
    return max(found, key=lambda find: find.length_px, default=None)


def _dot_sizes(size_mm: float, results: Sequence[Inspection]) -> SizeReading:
    marks = [dot for dot in dots() if dot.diameter_mm == size_mm]
    return _reading(
        "dot", size_mm, size_mm, [[_dot_match(dot, result) for result in results] for dot in marks]
    )


def _line_size(length_mm: float, width_mm: float, results: Sequence[Inspection]) -> SizeReading:
    marks = [line for line in lines() if (line.length_mm, line.width_mm) == (length_mm, width_mm)]
    matched = [[_line_match(line, result) for result in results] for line in marks]
    return _reading("line", length_mm, width_mm, matched)


def _reading(what: str, printed: float, width: float, matched: list[list[Find | None]]) -> SizeReading:
    """matched : for each mark, its find in each photo."""
    finds = [find for row in matched for find in row if find is not None]
    sized = [find.length_mm for find in finds if find.length_mm is not None]
    stated = [
        find.length_sd_mm for find in finds if find.length_mm is not None and find.length_sd_mm is not None
    ]
    values = np.asarray(sized)
    return SizeReading(
        what=what,
        printed_mm=printed,
        width_mm=width,
        marks=sum(len(row) for row in matched),
        found=len(finds),
        sized=len(sized),
        mean_mm=float(values.mean()) if sized else None,
        bias_mm=float(values.mean() - printed) if sized else None,
        repeatability_mm=_repeatability(matched),
        spread_mm=float(values.std(ddof=1)) if len(sized) > 1 else None,
        worst_mm=float(np.abs(values - printed).max()) if sized else None,
        stated_sd_mm=float(np.mean(stated)) if stated else None,
    )


def _repeatability(matched: list[list[Find | None]]) -> float | None:
    """Standard deviation within marks, pooled: the square root of the mean variance weighted by n - 1."""
    total, freedom = 0.0, 0
    for row in matched:
        values = np.asarray([f.length_mm for f in row if f is not None and f.length_mm is not None])
        if len(values) > 1:
            total += float(((values - values.mean()) ** 2).sum())
            freedom += len(values) - 1
    return math.sqrt(total / freedom) if freedom else None


def _place_error(results: Sequence[Inspection]) -> float:
    """Median distance of found dots from where they are printed."""
    gaps = [
        math.hypot((find.x_mm or 0) - dot.x_mm, (find.y_mm or 0) - dot.y_mm)
        for result in results
        for dot in dots()
        if (find := _dot_match(dot, result)) is not None
    ]
    return float(np.median(gaps)) if gaps else math.nan


def reading_table(reading: CardReading) -> list[str]:
    """The reading as a table, one printed size a line."""
    head = (
        f"gauge card, {reading.lighting.replace('_', ' ')}, {len(reading.photos)} photo(s): "
        f"{reading.mm_per_px:.4f} mm per pixel, blur {reading.blur_px:.2f} pixels, sizes from "
        f"{reading.smallest_sized_mm:.2f} mm, places off by {reading.place_error_mm:.3f} mm (median)"
    )
    rows = [
        head,
        "what  printed  width  found    sized  mean mm   bias mm  bias %  repeat.  spread  stated sd  worst",
    ]
    for size in reading.sizes:
        share = None if size.bias_mm is None else 100 * size.bias_mm / size.printed_mm
        rows.append(
            f"{size.what:<5}{size.printed_mm:>7g}{size.width_mm:>8g}{size.found:>5}/{size.marks:<4}"
            f"{size.sized:>5}{_cell(size.mean_mm, 10, 3)}{_cell(size.bias_mm, 10, 3)}{_cell(share, 8, 1)}"
            f"{_cell(size.repeatability_mm, 9, 3)}{_cell(size.spread_mm, 8, 3)}"
            f"{_cell(size.stated_sd_mm, 10, 3)}{_cell(size.worst_mm, 8, 3)}"
        )
    return rows + list(reading.messages)


def _cell(value: float | None, width: int, digits: int) -> str:
    return f"{'-' if value is None else f'{value:.{digits}f}':>{width}}"


def reading_plot(reading: CardReading, width: int = 1200, height: int = 720) -> ByteImage:
    """Bias in per cent over printed dot size, with bars of one
    spread each way; uint8, shape (height, width)."""
    picture = np.full((height, width, 3), 255, np.uint8)
    left, right, top, bottom = 90, width - 30, 60, height - 80
    sizes = [size for size in reading.sizes if size.what == "dot"]
    known = [(s, 100 * s.bias_mm / s.printed_mm) for s in sizes if s.bias_mm is not None]
    reach = max([10.0] + [abs(b) + 100 * (s.spread_mm or 0) / s.printed_mm for s, b in known])
    reach = math.ceil(min(reach, 100.0) / 10) * 10
    low, high = math.log(DOT_SIZES_MM[0] / 1.2), math.log(DOT_SIZES_MM[-1] * 1.2)

    def x_of(mm: float) -> int:
        return round(left + (right - left) * (math.log(mm) - low) / (high - low))

    def y_of(percent: float) -> int:
        return round((top + bottom) / 2 - (bottom - top) / 2 * max(min(percent / reach, 1.0), -1.0))

    for percent in np.linspace(-reach, reach, 9):
        y = y_of(float(percent))
        cv2.line(picture, (left, y), (right, y), INK if abs(percent) < 1e-9 else PALE, 1)
        _write(picture, f"{percent:+.0f} %", (12, y + 5))
    for size in sizes:
        x = x_of(size.printed_mm)
        cv2.line(picture, (x, bottom), (x, bottom + 6), INK, 1)
        _write(picture, f"{size.printed_mm:g}", (x - 12, bottom + 26))
        if size.sized < size.marks:
            _write(picture, f"{size.sized}/{size.marks}", (x - 18, bottom + 46), 0.42)
    limit = x_of(min(max(reading.smallest_sized_mm, DOT_SIZES_MM[0]), DOT_SIZES_MM[-1]))
    for y in range(top, bottom, 12):
        cv2.line(picture, (limit, y), (limit, y + 6), INK, 1)
    _write(picture, "smallest sized", (limit + 6, top + 16), 0.45)
    for size, bias in known:
        x, spread = x_of(size.printed_mm), 100 * (size.spread_mm or 0.0) / size.printed_mm
        cv2.line(picture, (x, y_of(bias - spread)), (x, y_of(bias + spread)), INK, 2, cv2.LINE_AA)
        cv2.circle(picture, (x, y_of(bias)), 6, INK, -1, cv2.LINE_AA)
    _write(picture, f"Bias of measured length, {reading.lighting.replace('_', ' ')}, dots", (left, 32), 0.7)
    _write(
        picture, "printed diameter in mm; n/m: sized of printed; bars: one spread", (left, height - 14), 0.5
    )
    return picture


def _write(picture: ByteImage, text: str, place: tuple[int, int], size: float = 0.5) -> None:
    cv2.putText(picture, text, place, cv2.FONT_HERSHEY_SIMPLEX, size, INK, 1, cv2.LINE_AA)
