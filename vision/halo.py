"""The distorted zone round a nucleus, measured apart from it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.candidates import Pyramid
from vision.profiles import polar

Array = NDArray[Any]
RADII = np.concatenate((np.arange(1.0, 2.5, 0.1), np.arange(2.5, 5.01, 0.25))).astype(np.float32)
RAYS = 24
SHOWS_SIGMA = 3.0
SHOWS_SHARE = 0.01
LEAST_RATIO = 1.25


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
    rings in a row no longer stand out. The blur's skirt is not a halo: the first 2.5 blurs outside of the
    outline do not count.
    """
    if not len(x):
        return np.zeros(0, np.float32)
    a, b = np.maximum(length_px / 2, 1.0), np.maximum(width_px / 2, 1.0)
    raw, _, _ = polar(pyramid, x, y, a, b, angle_deg, RADII, RAYS)
    outer = raw[:, :, -4:]
    base = np.median(outer, axis=(1, 2))
    noise = 1.4826 * np.median(np.abs(outer - base[:, None, None]), axis=(1, 2))
    mean = np.median(raw, axis=1) - base[:, None]
    rough = np.quantile(np.abs(raw - base[:, None, None]), 0.75, axis=1)
    step = np.gradient(RADII)
    pixels = 2 * np.pi * RADII * step * a[:, None] * b[:, None]
    sd = np.maximum(noise[:, None] / np.sqrt(np.maximum(np.minimum(pixels, RAYS), 1.0)), 1e-3)
    shows = (np.abs(mean) > SHOWS_SIGMA * sd) & (np.abs(mean) > SHOWS_SHARE * peak[:, None])
    shows |= (rough > 2.2 * np.maximum(noise, 0.3)[:, None]) & (rough > 0.03 * peak[:, None])
    outside = (RADII - 1.0) * b[:, None] > 2.5 * blur_px
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
                if misses == 2:
                    break
            before = bool(run[k])
        if last >= 0 and RADII[last] >= LEAST_RATIO:
            result[i] = RADII[last] * length_px[i]
    return result
