"""Outlines against analytic shapes."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.shapes import blank, blurred, ellipse_cover, subtracted_of
from vision.detection.profiles import ellipse, outline
from vision.detection.pyramid import build_pyramid


def points(
    a: float, b: float, angle_deg: float, x: float, y: float, turns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    u, v = a * np.cos(turns), b * np.sin(turns)
    return (x + u * c - v * s)[None], (y + u * s + v * c)[None]


@pytest.mark.parametrize("seed", range(6))
def test_two_arcs_give_the_whole_ellipse(seed: int) -> None:
    """Weight on two opposite arcs of 80 degrees only, as a bubble shows them in dark field."""
    rng = np.random.default_rng(seed)
    a, b, angle = rng.uniform(5, 20), 5.0, rng.uniform(0, 180)
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    px, py = points(a, b, angle, 1.0, -2.0, t)
    length, width, cx, cy, fits = ellipse(px, py, (np.abs(np.cos(t - 0.7)) > 0.77).astype(float)[None])
    assert fits[0]
    assert length[0] == pytest.approx(2 * max(a, b), rel=0.01)
    assert width[0] == pytest.approx(2 * min(a, b), rel=0.01)
    assert (cx[0], cy[0]) == pytest.approx((1.0, -2.0), abs=0.05)


@pytest.mark.parametrize("lighting", ["dark_field", "bright_field"])
def test_half_height_outline_of_wide_discs_needs_no_correction(lighting: str) -> None:
    """Far wider than the blur, half height is the edge: axes to 2 %, places to 0.1 px, at random sub-pixel
    places."""
    rng = np.random.default_rng(5)
    sign = 1 if lighting == "dark_field" else -1
    for _ in range(8):
        x, y = 60 + rng.random(2)
        a, b, angle = rng.uniform(8, 18), 7.0, rng.uniform(0, 180)
        cover = blurred(ellipse_cover((120, 120), x, y, a, b, angle), 0.8)
        _, subtracted = subtracted_of(blank(rng, (120, 120), 2.0, 128) + sign * 80 * cover, 2.0, 128)
        at = np.array([60.0], np.float32)
        shape = outline(build_pyramid(subtracted), at, at, np.array([a], np.float32), lighting)
        assert shape.length_px[0] == pytest.approx(2 * a, rel=0.02)
        assert shape.width_px[0] == pytest.approx(2 * b, rel=0.03)
        assert np.hypot(shape.x_px[0] - x, shape.y_px[0] - y) < 0.1
        assert shape.sign[0] == sign
