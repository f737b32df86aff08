"""Thin lines at random places: one find each, whole, joined where broken, none on noise."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.shapes import blank, blurred, line_light, subtracted_of
from vision.detection.line_fits import Line
from vision.detection.line_sums import _doublings, find_stretches
from vision.detection.lines import find_lines
from vision.detection.pyramid import build_pyramid
from vision.detection.spots import find_spots

SIZE = (700, 900)
NOISE = 4.0
MM_PER_PX = 0.2


def lines_of(image: np.ndarray) -> list[Line]:
    _, subtracted = subtracted_of(image, NOISE)
    pyramid = build_pyramid(subtracted)
    return find_lines(pyramid, "dark_field", find_spots(subtracted, "dark_field", pyramid))


def straight(rng: np.random.Generator, length: float) -> np.ndarray:
    turn = rng.uniform(0, np.pi)
    way = np.array([np.cos(turn), np.sin(turn)])
    middle = np.array([SIZE[1] / 2, SIZE[0] / 2]) + rng.uniform(-60, 60, 2)
    return middle + np.linspace(-0.5, 0.5, 60)[:, None] * length * way


def covered(line: Line, path: np.ndarray, within_px: float = 2.0) -> float:
    gap = np.hypot(path[:, None, 0] - line.path_px[None, :, 0], path[:, None, 1] - line.path_px[None, :, 1])
    return float(np.mean(gap.min(1) < within_px))


def test_sums_of_a_level_picture_count_its_samples() -> None:
    """Each stretch that stays inside sums exactly its own number of samples."""
    for level, sums in _doublings(np.ones((128, 150), np.int16)):
        inside = sums[:, :, : 150 - 64]
        assert np.all(inside == 2**level)


@pytest.mark.parametrize(
    ("slope", "upright"), [(0, False), (17, False), (-40, False), (9, True), (-63, True)]
)
def test_a_drawn_stretch_is_found_where_it_was_drawn(slope: int, upright: bool) -> None:
    image = np.zeros((192, 192), np.int16)
    for i in range(64):
        image[90 + round(slope * i / 63), 64 + i] = 60
    rng = np.random.default_rng(3)
    image = (image + rng.normal(0, 12, image.shape)).astype(np.int16)
    found = find_stretches(image.T.copy() if upright else image, both_signs=False)
    best = int(found.height.argmax())
    ends = np.array([found.start[best], found.end[best]])
    ends = ends[:, ::-1] if upright else ends
    ends = ends[np.argsort(ends[:, 0])]
    along = (ends[:, 0] - 64) / 63 * slope + 90
    assert np.all(np.abs(ends[:, 1] - along) <= 2.5)


@pytest.mark.parametrize("seed", range(5))
def test_a_faint_scratch_of_100_mm_is_one_find(seed: int) -> None:
    """0.05 mm wide, 100 mm long at 0.2 mm a pixel, its best pixels 2.5 times the noise: one line, length to
    3 %."""
    rng = np.random.default_rng(seed)
    path = straight(rng, 100 / MM_PER_PX)
    light = blurred(line_light(SIZE, path, 0.05 / MM_PER_PX), 0.8)
    image = blank(rng, SIZE, NOISE) + light / light.max() * 2.5 * NOISE
    lines = lines_of(image)
    assert len(lines) == 1
    assert covered(lines[0], path) > 0.95
    assert abs(lines[0].length_px * MM_PER_PX / 100 - 1) < 0.03


@pytest.mark.parametrize("seed", range(3))
def test_a_broken_scratch_is_joined(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    path = straight(rng, 420)
    light = np.zeros(SIZE)
    for first, last in ((0, 17), (21, 38), (43, 59)):
        light += line_light(SIZE, path[first : last + 1], 0.4)
    image = blank(rng, SIZE, NOISE) + blurred(light, 0.8) / blurred(light, 0.8).max() * 4 * NOISE
    lines = lines_of(image)
    assert len(lines) == 1
    assert abs(lines[0].length_px / 420 - 1) < 0.03


@pytest.mark.parametrize("radius", [180.0, 400.0])
def test_a_curved_scratch_keeps_its_arc_length(radius: float) -> None:
    rng = np.random.default_rng(7)
    turn = np.linspace(-0.6, 0.6, 100)
    path = np.column_stack((450 + radius * np.sin(turn), 100 + radius * np.cos(turn)))
    light = blurred(line_light(SIZE, path, 0.4), 0.8)
    lines = lines_of(blank(rng, SIZE, NOISE) + light / light.max() * 5 * NOISE)
    assert len(lines) == 1
    assert abs(lines[0].length_px / (1.2 * radius) - 1) < 0.03


def test_two_crossing_scratches_are_two() -> None:
    rng = np.random.default_rng(9)
    first = np.column_stack((np.linspace(200, 700, 60), np.linspace(200, 480, 60)))
    second = np.column_stack((np.linspace(240, 640, 60), np.linspace(560, 120, 60)))
    light = blurred(line_light(SIZE, first, 0.4) + line_light(SIZE, second, 0.4), 0.8)
    lines = lines_of(blank(rng, SIZE, NOISE) + light / np.quantile(light[light > 0], 0.98) * 5 * NOISE)
    assert len(lines) == 2
    assert max(covered(line, first) for line in lines) > 0.9
    assert max(covered(line, second) for line in lines) > 0.9


def test_noise_and_spots_are_no_lines() -> None:
    rng = np.random.default_rng(11)
    image = blank(rng, SIZE, NOISE)
    for _ in range(12):
        x, y = rng.uniform(50, 650, 2)
        image[int(y) - 3 : int(y) + 4, int(x) - 3 : int(x) + 4] += 120
    assert lines_of(image) == []
