"""The distorted zone round a nucleus, measured apart from it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.detection.profiles import polar
from vision.detection.pyramid import Pyramid

Array = NDArray[Any]

# All by hand, origin unknown; tests/vision/detection/test_halo.py measures drawn halos of 1.8 to 3.2 nuclei.
RADII = np.concatenate((np.arange(1.0, 2.5, 0.1), np.arange(2.5, 5.01, 0.25))).astype(np.float32)
"""Rings, in half sizes of the nucleus; no halo of more than 5 nuclei is measured."""
RAYS = 24
"""Samples round each ring."""
BASE_RINGS = 4
"""The outermost rings, which stand for the ground."""
SHOWS_SIGMA, SHOWS_SHARE = 3.0, 0.01
"""A ring shows whose mean stands over the ground by so many sd of such a mean and by this share of the
peak,"""
ROUGH_SIGMA, ROUGH_SHARE, ROUGH_QUANTILE = 2.2, 0.03, 0.75
"""or whose departures, at this quantile, exceed so many sd of a sample and this share of the peak."""
LEAST_NOISE_SD, LEAST_MEAN_SD = 0.3, 1e-3
"""The noise of a sample and of a mean are taken to be at least this, sd of a pixel."""
SKIRT_BLURS = 2.5
"""Rings nearer to the outline than so many sd of the blur do not count: they show the blur's own skirt."""
LEAST_RATIO = 1.25
"""A halo is at least so many times as large as its nucleus."""
MISSES = 2
"""The halo ends where so many rings in a row do not show."""
MAD_TO_SD = 1.4826
"""Standard deviation over median absolute deviation of normal noise (derived)."""


def halo_lengths(
    pyramid: Pyramid,
    x: Array,
    y: Array,
    length_px: Array,
    width_px: Array,
    angle_deg: Array,
    peak: Array,
    blur_px: float,
) -> Array:
    """Largest dimension of each halo, px; 0 where none shows. All arrays shape (N,).

    Rings that follow the nucleus are compared with the noise of their own mean; the halo ends where two
    rings in a row no longer stand out. The blur's skirt is not a halo: it does not count.
    """
    if not len(x):
        return np.zeros(0, np.float32)
    a, b = np.maximum(length_px / 2, 1.0), np.maximum(width_px / 2, 1.0)
    raw, _, _ = polar(pyramid, x, y, a, b, angle_deg, RADII, RAYS)
    outer = raw[:, :, -BASE_RINGS:]
    base = np.median(outer, axis=(1, 2))
    noise = MAD_TO_SD * np.median(np.abs(outer - base[:, None, None]), axis=(1, 2))
    mean = np.median(raw, axis=1) - base[:, None]
    rough = np.quantile(np.abs(raw - base[:, None, None]), ROUGH_QUANTILE, axis=1)
    step = np.gradient(RADII)
    pixels = 2 * np.pi * RADII * step * a[:, None] * b[:, None]
    sd = np.maximum(noise[:, None] / np.sqrt(np.maximum(np.minimum(pixels, RAYS), 1.0)), LEAST_MEAN_SD)
    shows = (np.abs(mean) > SHOWS_SIGMA * sd) & (np.abs(mean) > SHOWS_SHARE * peak[:, None])
    shows |= (rough > ROUGH_SIGMA * np.maximum(noise, LEAST_NOISE_SD)[:, None]) & (
        rough > ROUGH_SHARE * peak[:, None]
    )
    outside = (RADII - 1.0) * b[:, None] > SKIRT_BLURS * blur_px
    first = outside.argmax(1)
    result = np.zeros(len(x), np.float32)
    for i in range(len(x)):
        run = shows[i] & outside[i]
        last, misses, before = -1, 0, False
        for k in range(first[i], len(RADII)):
            if run[k]:
                # one ring alone may be chance
                last, misses = (k if before or last >= 0 else last), 0
            else:
                misses += 1
                if misses == MISSES:
                    break
            before = bool(run[k])
        if last >= 0 and RADII[last] >= LEAST_RATIO:
            result[i] = RADII[last] * length_px[i]
    return result
