"""Blur and modulation transfer against what ISO 12233 measures on a slanted edge.

Source: ISO 12233 (edge-based spatial frequency response): a straight edge slanted by a few degrees, projected
along itself into quarter-pixel bins, differentiated, Fourier transformed (procedure from memory of the 2017
edition). The oracle is analytic: a Gaussian point spread of standard deviation s has the transfer exp(-2 pi^2
s^2 f^2), and a pixel that collects light over its whole width multiplies it by sin(pi f) / (pi f).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from vision.errors import StageError
from vision.gauge.edge_response import gaussian_mtf, slanted_edge_mtf


def edge(
    blur_px: float, degrees: float, side: int = 96, fine: int = 1, noise: float = 0.0, seed: int = 0
) -> np.ndarray:
    """A dark-to-light edge in linear light, 10 to 200; `fine` samples a pixel axis make the pixel's own
    width.
    """
    places = (np.arange(side * fine) + 0.5) / fine
    distance = (places[None, :] - side / 2) * np.cos(np.deg2rad(degrees)) - (
        places[:, None] - side / 2
    ) * np.sin(np.deg2rad(degrees))
    step = 10 + 95 * (1 + erf(distance / (blur_px * np.sqrt(2))))
    patch = step.reshape(side, fine, side, fine).mean(axis=(1, 3))
    return patch + noise * np.random.default_rng(seed).standard_normal(patch.shape)


@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.2, 2.0])
@pytest.mark.parametrize("degrees", [4.0, 7.5])
def test_a_gaussian_edge_gives_the_gaussian_transfer(blur_px, degrees):
    """Point samples, no noise: within 0.03 up to Nyquist (quarter-pixel bins pass 0.97 there)."""
    mtf = slanted_edge_mtf(edge(blur_px, degrees))
    below = mtf.cycles_per_px <= 0.5
    f = mtf.cycles_per_px[below]
    assert mtf.modulation[below] == pytest.approx(np.exp(-2 * np.pi**2 * blur_px**2 * f**2), abs=0.03)


def test_a_pixels_own_width_multiplies_the_transfer_by_its_sinc():
    mtf = slanted_edge_mtf(edge(0.7, 5.0, fine=8))
    below = mtf.cycles_per_px <= 0.5
    f = mtf.cycles_per_px[below]
    assert mtf.modulation[below] == pytest.approx(np.exp(-2 * np.pi**2 * 0.49 * f**2) * np.sinc(f), abs=0.03)


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.6])
def test_the_frequency_of_half_modulation(blur_px):
    """exp(-2 pi^2 s^2 f^2) = 1/2 at f = sqrt(ln 2 / 2) / (pi s); noise of 1 % of the step moves it by under 4
    %.
    """
    expected = np.sqrt(np.log(2) / 2) / (np.pi * blur_px)
    assert slanted_edge_mtf(edge(blur_px, 5.0)).mtf50 == pytest.approx(expected, rel=0.02)
    noisy = [slanted_edge_mtf(edge(blur_px, 5.0, noise=1.9, seed=seed)).mtf50 for seed in range(5)]
    assert np.median(noisy) == pytest.approx(expected, rel=0.04)


def test_the_analytic_transfer_is_the_formula():
    f = np.linspace(0, 1, 21)
    assert gaussian_mtf(0.9, f) == pytest.approx(np.exp(-2 * np.pi**2 * 0.81 * f**2), abs=1e-12)


@pytest.mark.parametrize("patch", [np.full((40, 40), 80.0), np.zeros((8, 8)), edge(0.8, 0.0)])
def test_a_patch_without_a_slanted_edge_is_refused(patch):
    with pytest.raises(StageError, match="slanted edge"):
        slanted_edge_mtf(patch)
