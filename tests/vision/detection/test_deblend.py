"""Spots that hang together with something larger are candidates of their own."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.shapes import blank, subtracted_of
from vision.detection.deblend import LARGE, deblend
from vision.detection.pyramid import build_pyramid
from vision.detection.spots import find_spots

X, Y = 300.0, 210.0


def _scene(kind: str, seed: int) -> np.ndarray:
    """A soft bright band over a dark field with a ring, a disc or nothing on it; grey values."""
    image = np.full((420, 640), 20, np.float32)
    y, x = np.mgrid[:420, :640] + 0.5
    image += 14 * np.exp(-(((y - 196) / 14) ** 4)) * (np.abs(x - 310) < 260)
    gap = np.hypot(x - X, y - Y)
    if kind == "ring":
        image += 60 * np.exp(-(((gap - 12) / 1.3) ** 2))
    elif kind == "disc":
        image += 60 * np.clip(9.5 - gap, 0, 1)
    return np.asarray(
        cv2.GaussianBlur(image, (0, 0), 0.7) + blank(np.random.default_rng(seed), (420, 640), 2.0, 0)
    )


@pytest.mark.parametrize(("kind", "size_px"), [("ring", 26), ("disc", 18)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_spot_on_a_wide_mark_is_found_beside_it(kind: str, size_px: int, seed: int) -> None:
    _, subtracted = subtracted_of(_scene(kind, seed), 2.0, 20.0)
    seen = find_spots(subtracted, "dark_field", build_pyramid(subtracted))
    size = seen.box_px[:, 2:].max(1)
    hit = (np.hypot(seen.x_px - X, seen.y_px - Y) < 4) & (np.abs(size - size_px) < 0.45 * size_px)
    assert hit.any()
    assert (size > 200).any()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_plain_mark_is_not_cut_into_ripples(seed: int) -> None:
    _, subtracted = subtracted_of(_scene("plain", seed), 2.0, 20.0)
    seen = find_spots(subtracted, "dark_field", build_pyramid(subtracted))
    on_band = (np.abs(seen.y_px - 196) < 14) & (seen.box_px[:, 2:].max(1) < 60)
    assert np.count_nonzero(on_band) <= 2


def test_small_round_parts_are_left_whole() -> None:
    y, x = np.mgrid[:40, :40]
    side = LARGE // 2
    on = (np.abs(x - 20) < side / 2) & (np.abs(y - 20) < side / 2)
    ys, xs = np.nonzero(on)
    strength = 5.0 + 30.0 * np.exp(-np.hypot(xs - 20.0, ys - 20.0))
    box = np.array([[xs.min(), ys.min(), np.ptp(xs) + 1, np.ptp(ys) + 1]])
    boxes, areas, peaks = deblend(xs, ys, np.zeros(xs.size, int), strength, box, np.array([xs.size]))
    assert boxes.shape == (0, 4)
    assert areas.size == peaks.size == 0


def test_parts_of_a_sprawling_one_keep_their_place_height_and_size() -> None:
    """Two square blocks of known place and height on a thin frame."""
    height = np.zeros((80, 120), np.float32)
    height[10:70, 10:12] = height[10:12, 10:110] = 5.0
    height[40:46, 8:14] = 60.0
    height[8:14, 80:86] = 25.0
    ys, xs = np.nonzero(height)
    box = np.array([[xs.min(), ys.min(), np.ptp(xs) + 1, np.ptp(ys) + 1]])
    boxes, areas, peaks = deblend(xs, ys, np.zeros(xs.size, int), height[ys, xs], box, np.array([xs.size]))
    assert peaks.tolist() == [60.0, 25.0]
    assert boxes.tolist() == [[8, 40, 6, 6], [80, 8, 6, 6]]
    assert areas.tolist() == pytest.approx([36, 36], abs=1)


def test_nothing_gives_nothing() -> None:
    none = np.zeros(0, int)
    boxes, _, _ = deblend(none, none, none, np.zeros(0), np.zeros((0, 4), int), np.zeros(0))
    assert boxes.shape == (0, 4)
