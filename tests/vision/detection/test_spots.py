"""What stands out is found at every size; noise alone is not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.shapes import blank, blurred, ellipse_cover, subtracted_of
from vision.detection.pyramid import build_pyramid, robust_sd
from vision.detection.spots import find_spots

SIZE = (400, 500)
NOISE = 4.0


def test_noise_of_a_level_is_its_standard_deviation() -> None:
    rng = np.random.default_rng(1)
    image = (3.0 * rng.standard_normal((600, 600))).astype(np.float32)
    mask = np.full((600, 600), 255, np.uint8)
    assert robust_sd(image, mask, 1) == pytest.approx(3.0, rel=0.03)
    image[:50] += 500  # a written-over strip moves neither median nor the 98 % point far
    assert robust_sd(image, mask, 1) < 1e3


@pytest.mark.parametrize("lighting", ["dark_field", "bright_field"])
@pytest.mark.parametrize("size_px", [1.2, 2.5, 5.0, 12.0, 40.0])
def test_spots_of_all_sizes_are_found(lighting: str, size_px: float) -> None:
    """A total signal of 12 times the noise and a pixel peak of at least 1.2 is found within a pixel or a
    quarter."""
    rng = np.random.default_rng(int(size_px * 10))
    sign = 1 if lighting == "dark_field" else -1
    hits = 0
    for _ in range(6):
        x, y = rng.uniform(80, 320, 2)
        cover = blurred(ellipse_cover(SIZE, x, y, size_px / 2, size_px / 2, 0), 0.8)
        height = max(12 * NOISE / np.sqrt((cover**2).sum()), 1.2 * NOISE)
        _, subtracted = subtracted_of(blank(rng, SIZE, NOISE) + sign * height * cover, NOISE)
        seen = find_spots(subtracted, lighting, build_pyramid(subtracted))
        gap = np.hypot(seen.x_px - x, seen.y_px - y)
        hits += bool(len(seen) and gap.min() < max(2.0, 0.3 * size_px))
    assert hits >= 5


def test_clean_noise_gives_hardly_a_candidate() -> None:
    """0.2 megapixels of noise, both signs: fewer than 4 (from our own threshold of 4.6 sd at five scales)."""
    for seed in range(4):
        _, subtracted = subtracted_of(blank(np.random.default_rng(seed), SIZE, NOISE), NOISE)
        assert len(find_spots(subtracted, "bright_field", build_pyramid(subtracted))) < 4


def test_more_marks_than_can_be_kept_are_said_to_be_truncated() -> None:
    rng = np.random.default_rng(2)
    image = blank(rng, SIZE, NOISE)
    image[20::40, 20::40] += 200
    _, subtracted = subtracted_of(image, NOISE)
    seen = find_spots(subtracted, "dark_field", build_pyramid(subtracted), most=50)
    assert seen.truncated
    assert len(seen) == 50
