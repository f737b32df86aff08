"""Halos are measured apart from their nuclei."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.shapes import blank, blurred, ellipse_cover, subtracted_of
from vision.detection.halo import halo_lengths
from vision.detection.pyramid import build_pyramid


def halo_of(rng: np.random.Generator, ratio: float, share: float) -> float:
    size = (160, 160)
    core = ellipse_cover(size, 80.3, 79.6, 9, 9, 0)
    zone = ellipse_cover(size, 80.3, 79.6, 9 * ratio, 9 * ratio, 0) if ratio else np.zeros(size)
    light = blurred(core + share * np.clip(zone - core, 0, 1), 0.8)
    _, subtracted = subtracted_of(blank(rng, size, 2.0) + 150 * light, 2.0)
    one = (np.array([v], np.float32) for v in (80.3, 79.6, 18, 18, 0, 75))
    return float(halo_lengths(build_pyramid(subtracted), *one, 0.8)[0])


@pytest.mark.parametrize("ratio", [1.8, 2.4, 3.2])
def test_a_halo_is_measured_apart_from_its_core(ratio: float) -> None:
    for seed in range(3):
        assert halo_of(np.random.default_rng(seed), ratio, 0.1) == pytest.approx(18 * ratio, rel=0.15)


def test_a_core_without_halo_has_none() -> None:
    for seed in range(5):
        assert halo_of(np.random.default_rng(seed), 0, 0) == 0
