"""Light taken out: lamps, fall-off and bands vanish, defects stay, and the noise is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision import StageError
from vision.field.background import local_roughness, mean_of_clipped, noise_by_grey, subtract_background
from vision.field.tubes import _median_of_five
from vision.results import BackgroundSubtracted

H, W = 600, 800
Y, X = np.mgrid[0:H, 0:W].astype(np.float32)
WHOLE = np.full((H, W), 255, np.uint8)

LIGHTS = {
    "even": np.full((H, W), 120.0, np.float32),
    "fall-off": 150 - 60 * ((X - 400) ** 2 + (Y - 300) ** 2) / 250_000,
    "tubes": 120 + 35 * np.cos(X / 40) + 8 * np.cos(X / 20),
    "slanted tubes": 130 + 45 * np.cos((X * 0.12 + Y) / 14) + 12 * np.cos((X * 0.12 + Y) / 7),
    "flicker rows": 130 * (1 + 0.05 * np.cos(2 * np.pi * Y / 90)),
    "lamp edge": (120 + 30 * np.tanh((X + 0.3 * Y - 400) / 25)).astype(np.float32),
}


def photo(light: np.ndarray, rng: np.random.Generator, noise: float = 2.0) -> np.ndarray:
    return np.clip(light + rng.normal(0, noise, light.shape) + 0.5, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("name", LIGHTS)
def test_clean_glass_gives_unit_noise_about_zero_under_any_light(name: str) -> None:
    subtracted = subtract_background(photo(LIGHTS[name], np.random.default_rng(1)), WHOLE, 0.5)
    inner = subtracted.signal[20:-20, 20:-20]
    assert abs(float(np.median(inner))) < 0.1
    assert float(inner.std()) == pytest.approx(1.0, abs=0.15)
    # what is left of the light is small beside the noise, away from the lamp's own edge
    left = cv2.blur(inner, (24, 24))
    assert float(np.percentile(np.abs(left), 97)) < 0.75


@pytest.mark.parametrize("name", ["even", "tubes", "fall-off"])
def test_a_large_stone_keeps_its_contrast(name: str) -> None:
    """A disc of 40 px, well below the median's window, must not be taken for light."""
    light = LIGHTS[name].copy()
    disc = (X - 410) ** 2 + (Y - 290) ** 2 < 20**2
    light[disc] -= 40
    subtracted = subtract_background(photo(light, np.random.default_rng(2)), WHOLE, 0.5)
    assert float(np.median(subtracted.signal[disc])) == pytest.approx(-20, abs=2.5)


def test_a_dark_spot_on_a_lamp_does_not_dim_the_light_round_it() -> None:
    """A median over a steep pattern shifts when some of its samples turn dark; the light must not."""
    light = LIGHTS["slanted tubes"].copy()
    spot = (X - 400) ** 2 + (Y - 258) ** 2 < 12**2
    light[spot] = 20
    subtracted = subtract_background(photo(light, np.random.default_rng(12)), WHOLE, 0.5)
    ring = ((X - 400) ** 2 + (Y - 258) ** 2 < 40**2) & ((X - 400) ** 2 + (Y - 258) ** 2 > 16**2)
    assert abs(float(subtracted.signal[ring].mean())) < 0.25


def test_a_faint_line_survives_bands_along_it() -> None:
    """Flicker bands are rows that rise together; a line of a quarter of the picture's width is not one."""
    light = LIGHTS["flicker rows"].copy()
    light[301, 300:500] -= 3.0
    subtracted = subtract_background(photo(light, np.random.default_rng(3)), WHOLE, 0.3)
    assert float(subtracted.signal[301, 300:500].mean()) == pytest.approx(-1.5, abs=0.3)


def test_masked_places_are_zero_and_do_not_leak() -> None:
    light = LIGHTS["even"].copy()
    light[:, 500:] = 10
    mask = WHOLE.copy()
    mask[:, 500:] = 0
    subtracted = subtract_background(photo(light, np.random.default_rng(4)), mask, 0.3)
    assert not subtracted.signal[:, 500:].any()
    assert abs(float(subtracted.signal[:, 470:500].mean())) < 0.15


def test_noise_follows_brightness() -> None:
    """Shot noise: the variance grows with the light."""
    light = 20 + 200 * X / W
    rng = np.random.default_rng(5)
    grey = np.clip(light + rng.normal(size=light.shape) * np.sqrt(0.5 + 0.05 * light) + 0.5, 0, 255)
    subtracted = subtract_background(grey.astype(np.uint8), WHOLE, 0.3)
    for level in (40, 120, 200):
        expected = np.sqrt(0.5 + 0.05 * level + 1 / 12)
        assert subtracted.noise_of_grey[level] == pytest.approx(expected, rel=0.12)


def test_small_noise_is_not_counted_in_whole_grey_values() -> None:
    """The median deviation of whole numbers jumps; the noise table must not."""
    rng = np.random.default_rng(6)
    grey = photo(np.full((H, W), 12.0, np.float32) + X / W, rng, 0.8)
    subtracted = subtract_background(grey, WHOLE, 0.3)
    assert subtracted.noise_of_grey[12] == pytest.approx(np.sqrt(0.64 + 1 / 12), rel=0.1)


def test_a_rough_part_is_rougher_and_the_rest_is_not() -> None:
    rng = np.random.default_rng(7)
    light = LIGHTS["even"]
    rough = np.where(X < 250, 6.0, 2.0)
    grey = np.clip(light + rough * rng.normal(size=light.shape) + 0.5, 0, 255).astype(np.uint8)
    level = np.full((75, 100), 120, np.float32)
    inside = np.ones((75, 100), bool)
    rough = local_roughness(grey, level, inside, np.full(256, 2.0, np.float32))
    assert float(np.median(rough[:, :20])) == pytest.approx(3.0, rel=0.1)
    assert float(np.median(rough[:, 45:])) == pytest.approx(1.0, abs=0.06)


def test_mean_of_clipped_values_is_the_integral() -> None:
    """Against a plain Monte Carlo mean."""
    z = np.random.default_rng(8).normal(size=400_000)
    for sd in (1.0, 2.5, 6.0):
        drawn = np.minimum(np.abs(sd * z), 4.0).mean()
        assert mean_of_clipped(np.array([sd]))[0] == pytest.approx(drawn, rel=0.005)


def test_level_patch_is_the_level_that_was_subtracted() -> None:
    grey = photo(LIGHTS["tubes"], np.random.default_rng(9))
    subtracted = subtract_background(grey, WHOLE, 0.3)
    patch = subtracted.background_patch(300, 200, 340, 230)
    again = (grey[200:230, 300:340] - patch) / subtracted.signal[200:230, 300:340]
    assert np.allclose(
        again[np.abs(subtracted.signal[200:230, 300:340]) > 0.5], subtracted.noise_at(320, 215), rtol=0.15
    )
    assert subtracted.background_at(320.5, 215.5) == pytest.approx(float(patch[15, 20]), abs=1e-3)


def test_odd_sizes_and_tiny_photos_work() -> None:
    rng = np.random.default_rng(10)
    for shape in ((64, 64), (71, 133), (90, 401)):
        subtracted = subtract_background(
            photo(np.full(shape, 90, np.float32), rng), np.full(shape, 255, np.uint8)
        )
        assert subtracted.signal.shape == shape
        assert np.isfinite(subtracted.signal).all()


def test_all_masked_gives_all_zero() -> None:
    subtracted = subtract_background(
        photo(LIGHTS["even"], np.random.default_rng(1)), np.zeros((H, W), np.uint8)
    )
    assert isinstance(subtracted, BackgroundSubtracted)
    assert not subtracted.signal.any()
    assert np.isfinite(
        noise_by_grey(WHOLE, subtracted.background_small, np.zeros_like(subtracted.background_small, bool))
    ).all()


def test_shapes_must_agree() -> None:
    with pytest.raises(StageError, match="differ in shape"):
        subtract_background(WHOLE, WHOLE[:-1])


def test_the_middle_of_five_is_the_median_with_repeated_ends() -> None:
    rows = np.random.default_rng(4).normal(size=(40, 31)).astype(np.float32)
    wide = np.pad(rows, ((0, 0), (2, 2)), mode="edge")
    expected = np.median(np.stack([wide[:, k : k + 31] for k in range(5)]), axis=0)
    assert np.array_equal(_median_of_five(rows), expected.astype(np.float32))
