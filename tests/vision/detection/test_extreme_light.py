"""Photos with hardly any light, too much, or one or two grey values: each gives an answer, no fault."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision import Inspection, PhotoSetup, inspect_photo
from vision.detection.spot_features import tone_slope
from vision.results import BackgroundSubtracted

SETUPS = ["bright_field", "dark_field", None]
BLACK, WHITE = 0, 255


def inspected(grey: np.ndarray, lighting: str | None) -> Inspection:
    """Through the whole pipeline, from a file's bytes; None: nobody said how the photo was taken."""
    h, w = grey.shape
    setup = None
    if lighting is not None:
        said = {"lighting": lighting, "mm_per_px": 0.1, "field_mm": [0, 0, w * 0.1, h * 0.1]}
        setup = PhotoSetup.from_dict(said, where="set-up")
    data = cv2.imencode(".png", np.clip(np.rint(grey), BLACK, WHITE).astype(np.uint8))[1].tobytes()
    return inspect_photo(data, setup, name="photo.png")


def answers(result: Inspection) -> None:
    """Sizes are numbers, and what is blown out or black is not seen glass."""
    for find in result.finds:
        for value in (find.score, find.contrast, find.length_px, find.width_px, *find.kind_scores.values()):
            assert math.isfinite(value)
    if {"blown_out", "too_dark"} & set(result.flags):
        assert result.covered_fraction in (None, 0.0)
        assert result.finds == ()


def with_spots(grey: np.ndarray, depth: float) -> np.ndarray:
    rng = np.random.default_rng(8)
    h, w = grey.shape
    out = grey.astype(float)
    for _ in range(12):
        y, x, r = rng.integers(8, h - 8), rng.integers(8, w - 8), rng.integers(1, 5)
        out[y - r : y + r, x - r : x + r] += depth
    return out


@pytest.mark.parametrize("lighting", SETUPS)
@pytest.mark.parametrize("base", [0, 1, 2, 4, 128, 246, 249, 250, 252, 254, 255])
def test_even_light_from_black_to_blown(base: int, lighting: str | None) -> None:
    rng = np.random.default_rng(base)
    h, w = 180, 240
    depth = -60.0 if base > 100 else 60.0
    answers(inspected(np.full((h, w), float(base)), lighting))
    for noise in (0.3, 2.0):
        answers(inspected(with_spots(rng.normal(base, noise, (h, w)), depth), lighting))


@pytest.mark.parametrize("lighting", SETUPS)
@pytest.mark.parametrize(("one", "other"), [(0, 1), (0, 255), (1, 254), (128, 255), (200, 249), (249, 255)])
def test_two_grey_values(one: int, other: int, lighting: str | None) -> None:
    rng = np.random.default_rng(one + other)
    y, x = np.mgrid[:180, :240]
    middle = np.hypot(x - 120, y - 90)
    for where in (x < 120, (x // 8 + y // 8) % 2 == 0, rng.random(x.shape) < 0.002, middle < 60, middle > 60):
        answers(inspected(np.where(where, float(one), float(other)), lighting))


@settings(max_examples=25, deadline=None)
@given(
    st.integers(100, 420),
    st.integers(100, 420),
    st.floats(120, 250),
    st.sampled_from([246.0, 249.0, 250.0, 252.0, 254.0, 255.0]),
    st.floats(0.05, 0.8),
    st.floats(0.05, 0.8),
    st.sampled_from(["bands", "waves", "patch"]),
    st.sampled_from(SETUPS),
)
def test_light_that_crosses_near_the_top(h, w, base, top, rise_across, rise_down, form, lighting):  # type: ignore[no-untyped-def]
    """Where bright rows cross bright columns, the light is reckoned above what a pixel can hold."""
    answers(inspected(crossing(h, w, base, top, rise_across, rise_down, form), lighting))


def crossing(
    h: int, w: int, base: float, top: float, rise_across: float, rise_down: float, form: str
) -> np.ndarray:
    def profile(n: int, rise: float) -> np.ndarray:
        at = np.arange(n)
        if form == "bands":
            return 1 + rise * (at % 120 < 60)
        if form == "waves":
            return 1 + rise * np.sin(at / 30)
        return 1 + rise * (abs(at - n / 2) < n / 4)

    rng = np.random.default_rng(h * w)
    light = base * np.outer(profile(h, rise_down), profile(w, rise_across)) + rng.normal(0, 1, (h, w))
    return with_spots(np.minimum(light, top), -60.0)


@pytest.mark.parametrize("lighting", ["bright_field", None])
@pytest.mark.parametrize("form", ["bands", "waves", "patch"])
@pytest.mark.parametrize("base", [160.0, 190.0, 205.0])
def test_a_nearly_blown_photo_is_inspected(base: float, form: str, lighting: str | None) -> None:
    answers(inspected(crossing(420, 420, base, 249.0, 0.5, 0.5, form), lighting))


def test_the_slope_of_the_noise_stays_within_its_table() -> None:
    """By hand: noise goes with the root of the light up to 255 and is not known above; the slope is 0.5."""
    noise = np.sqrt(np.arange(256.0)).astype(np.float32)
    for brightest in (255.0, 256.0, 300.0, 1000.0):
        level = np.tile(np.linspace(25.0, brightest, 60, dtype=np.float32), (60, 1))
        level[:, 40:] = brightest
        subtracted = BackgroundSubtracted(
            np.zeros((480, 480), np.float32), np.ones((480, 480), np.uint8), level, 8, noise
        )
        assert tone_slope(subtracted) == pytest.approx(0.5, abs=0.02)
