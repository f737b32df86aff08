"""The gauge card: a printable file that is true to scale, and photos of it read back."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest

from vision import VisionError
from vision.gauge.card import (
    DOT_SIZES_MM,
    DOTS_EACH,
    FIELD_MM,
    PAGE_MM,
    POINTS_PER_MM,
    RULER_MM,
    TAG_NUMBERS,
    TAG_PLACES_MM,
    bar_corners_mm,
    card_pdf,
    dots,
    lines,
    tag_squares_mm,
)
from vision.gauge.reading import CardReading, SizeReading, read_card, reading_plot, reading_table

MM_PER_PX = 0.14
FINE = 4


def card_photo(rng: np.random.Generator, negative: bool = False, blur_px: float = 0.8) -> bytes:
    """A square-on photo of one page, each mark sampled sixteen times a pixel before the lens."""
    width, height = (round(side / MM_PER_PX) for side in PAGE_MM)
    scale = FINE / MM_PER_PX
    ground, mark, ink, paper = (0.01, 0.55, 0.02, 0.55) if negative else (0.6, 0.04, 0.04, 0.6)
    page = np.full((height * FINE, width * FINE), ground, np.float32)
    for number, (x, y) in zip(TAG_NUMBERS, TAG_PLACES_MM, strict=True):
        fill(page, scale, (x - 3.5, y - 3.5, 28.0, 28.0), paper)
        for square in tag_squares_mm(number, x, y):
            fill(page, scale, square, ink)
    shift = 4
    for dot in dots():
        centre = tuple(round((v * scale - 0.5) * (1 << shift)) for v in (dot.x_mm, dot.y_mm))
        cv2.circle(
            page, centre, round(dot.diameter_mm / 2 * scale * (1 << shift)), mark, -1, cv2.LINE_8, shift
        )
    for line in lines():
        corners = (np.array(bar_corners_mm(line)) * scale - 0.5) * (1 << shift)
        cv2.fillPoly(page, [np.round(corners).astype(np.int32)], mark, cv2.LINE_8, shift)
    light = cv2.resize(page, (width, height), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    grey = 255 * light ** (1 / 2.2) + rng.normal(0, 1.5, light.shape)
    coded = np.clip(grey + 0.5, 0, 255).astype(np.uint8)
    return cv2.imencode(".png", coded, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()


def fill(page: np.ndarray, scale: float, box: tuple[float, float, float, float], value: float) -> None:
    x, y, w, h = (round(v * scale) for v in box)
    page[y : y + h, x : x + w] = value


@pytest.fixture(scope="module")
def reading() -> CardReading:
    rng = np.random.default_rng(21)
    return read_card([("a.png", card_photo(rng)), ("b.png", card_photo(rng))])


def test_every_dot_that_can_be_sized_is_found_in_its_place(reading: CardReading) -> None:
    assert reading.lighting == "bright_field"
    assert reading.mm_per_px == pytest.approx(MM_PER_PX, rel=2e-3)
    assert reading.place_error_mm < 0.05
    for size in reading.sizes:
        if size.what == "dot" and size.printed_mm >= 1.0:
            assert size.marks == 2 * DOTS_EACH
            assert size.found >= 0.9 * size.marks


def test_sizes_come_back_with_bias_and_repeatability(reading: CardReading) -> None:
    dot = {size.printed_mm: size for size in reading.sizes if size.what == "dot"}
    for printed in (1.0, 2.0, 3.0):
        size = dot[printed]
        assert size.mean_mm == pytest.approx(printed, rel=0.25)
        assert size.bias_mm == pytest.approx((size.mean_mm or 0) - printed)
        assert size.repeatability_mm is not None
        assert size.repeatability_mm < 0.15 * printed


def test_table_and_plot_show_every_size(reading: CardReading) -> None:
    table = reading_table(reading)
    assert sum(row.startswith("dot") for row in table) == len(DOT_SIZES_MM)
    picture = reading_plot(reading)
    assert picture.shape == (720, 1200, 3)
    assert (picture < 60).any()


def test_other_page_is_told_by_its_ground() -> None:
    rng = np.random.default_rng(22)
    dark = card_photo(rng, negative=True)
    assert read_card([("n.png", dark)]).lighting == "dark_field"
    with pytest.raises(VisionError, match=r"p.png: shows the other page of the card than n.png"):
        read_card([("n.png", dark), ("p.png", card_photo(rng))])


def test_no_photo_and_no_card() -> None:
    with pytest.raises(VisionError, match="no photo given"):
        read_card([])
    grey = np.full((600, 800), 180, np.uint8)
    with pytest.raises(VisionError, match=r"x.png: No reference tags .*; expected a photo of the gauge card"):
        read_card([("x.png", cv2.imencode(".png", grey)[1].tobytes())])


def test_repeatability_is_the_pooled_deviation_within_marks() -> None:
    """By hand: two marks, measured (1.0, 1.2) and (2.0, 2.0, 2.3): sqrt((0.02 + 0.06) / 3)."""

    class Seen:
        def __init__(self, length_mm: float) -> None:
            self.length_mm = length_mm
            self.length_sd_mm = 0.1

    from vision.gauge.reading import _reading

    found = [[Seen(1.0), Seen(1.2), None], [Seen(2.0), Seen(2.0), Seen(2.3)]]
    size: SizeReading = _reading("dot", 1.5, 1.5, found)  # type: ignore[arg-type]
    assert size.repeatability_mm == pytest.approx(np.sqrt((0.02 + 0.06) / 3))
    assert (size.marks, size.found, size.sized) == (6, 5, 5)
    assert size.bias_mm == pytest.approx(1.7 - 1.5)


def test_pdf_is_true_to_scale() -> None:
    """A4 is 297 x 210 mm (ISO 216); a point is 1/72 inch. Ruler ticks lie a millimetre apart."""
    pdf = card_pdf()
    width, height = re.search(rb"MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf).groups()  # type: ignore[union-attr]
    assert float(width) * 25.4 / 72 == pytest.approx(297.0, abs=1e-3)
    assert float(height) * 25.4 / 72 == pytest.approx(210.0, abs=1e-3)
    ticks = [float(x) for x in re.findall(rb"\n([\d.]+) [\d.]+ 0.3402 [\d.]+ re f", pdf)][: RULER_MM + 1]
    assert np.allclose(np.diff(ticks) / POINTS_PER_MM, 1.0, atol=1e-3)
    assert (ticks[-1] - ticks[0]) / POINTS_PER_MM == pytest.approx(RULER_MM, abs=1e-3)


def test_pdf_cross_references_point_at_their_objects() -> None:
    pdf = card_pdf()
    start = int(re.search(rb"startxref\n(\d+)\n%%EOF", pdf).group(1))  # type: ignore[union-attr]
    assert pdf[start : start + 4] == b"xref"
    places = re.findall(rb"(\d{10}) 00000 n ", pdf[start:])
    for number, place in enumerate(places, start=1):
        assert pdf[int(place) :].startswith(b"%d 0 obj" % number)


def test_marks_keep_apart_and_inside_the_field() -> None:
    x0, y0, x1, y1 = FIELD_MM
    marks = [(d.x_mm, d.y_mm, d.diameter_mm / 2) for d in dots()]
    for i, (x, y, r) in enumerate(marks):
        assert x0 + r < x < x1 - r
        assert y0 + r < y < y1 - r
        for u, v, s in marks[:i]:
            assert np.hypot(x - u, y - v) > 2 * (r + s) or np.hypot(x - u, y - v) > 7.5
    for line in lines():
        for x, y in bar_corners_mm(line):
            assert x0 < x < x1
            assert y0 < y < y1
