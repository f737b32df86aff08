"""The modulation transfer of a slanted edge: how much of the contrast of fine detail a camera keeps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.errors import StageError
from vision.geometry.normal_distribution import normal_pdf

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mtf:
    """Modulation transfer of an edge. cycles_per_px, modulation :
    shape (N,); mtf50 : where it falls to one half."""

    cycles_per_px: Floats
    modulation: Floats

    @property
    def mtf50(self) -> float:
        below = np.flatnonzero(self.modulation < 0.5)
        if not len(below) or below[0] == 0:
            return float(self.cycles_per_px[-1])
        i = int(below[0])
        m0, m1 = self.modulation[i - 1], self.modulation[i]
        f0, f1 = self.cycles_per_px[i - 1], self.cycles_per_px[i]
        return float(f0 + (m0 - 0.5) / (m0 - m1) * (f1 - f0))


def slanted_edge_mtf(patch: NDArray[np.generic], oversampling: int = 4) -> Mtf:
    """Modulation transfer function of a nearly upright edge.

    patch : shape (H, W), linear light, one straight edge from top to bottom slanted by about 2 to 15 degrees
    The steps are those of ISO 12233 (edge spatial frequency response): centroid of each row's derivative,
    straight line through them, all pixels projected along it into bins of 1 / oversampling px, derivative,
    Hamming window, discrete Fourier transform, and the correction for the finite difference.
    Raises StageError when the patch holds no such edge.
    """
    image = np.asarray(patch, np.float64)
    if image.ndim != 2 or min(image.shape) < 16:
        msg = f"slanted edge: patch of shape {image.shape}; expected at least 16 x 16 pixels"
        raise StageError(msg)
    h, w = image.shape
    rows = np.arange(h)
    derivative = np.zeros_like(image)
    derivative[:, 1:-1] = (image[:, 2:] - image[:, :-2]) / 2.0
    centre = _row_centres(derivative, np.full(h, (w - 1) / 2.0))
    slope, start = np.polyfit(rows, centre, 1)
    for _ in range(2):  # again with the window about the line, so that noise far from the edge counts less
        centre = _row_centres(derivative, start + slope * rows)
        slope, start = np.polyfit(rows, centre, 1)
    if not np.isfinite(slope) or abs(slope) > 1.0:
        msg = "slanted edge: no nearly upright edge found in the patch"
        raise StageError(msg)
    if abs(slope) * h < 1.0:
        msg = "slanted edge: the edge crosses less than one pixel column; expected a slant of some degrees"
        raise StageError(msg)
    distance = (np.arange(w)[None, :] - (start + slope * rows)[:, None]) / np.sqrt(1.0 + slope * slope)
    half = int(min(w / 2 - 2, 64)) * oversampling
    index = np.floor(distance * oversampling + half + 0.5).astype(int)
    inside = (index >= 0) & (index <= 2 * half)
    count = np.bincount(index[inside], minlength=2 * half + 1)
    total = np.bincount(index[inside], weights=image[inside], minlength=2 * half + 1)
    places = np.arange(2 * half + 1)
    spread = np.interp(places, places[count > 0], total[count > 0] / count[count > 0])
    line = np.zeros_like(spread)
    line[1:-1] = (spread[2:] - spread[:-2]) / 2.0
    line *= np.hamming(len(line))
    transform = np.abs(np.fft.rfft(line))
    if transform[0] <= 0:
        msg = "slanted edge: the patch has no step of brightness"
        raise StageError(msg)
    frequency = np.fft.rfftfreq(len(line), d=1.0 / oversampling)
    modulation = transform / transform[0]
    # a difference over two bins passes sin(x) / x of each frequency
    x = 2.0 * np.pi * frequency / oversampling
    correction = np.ones_like(x)
    correction[1:] = np.minimum(x[1:] / np.maximum(np.abs(np.sin(x[1:])), 1e-3), 10.0)
    keep = frequency <= 1.0
    return Mtf(np.asarray(frequency[keep]), np.asarray((modulation * correction)[keep], np.float64))


def _row_centres(derivative: Floats, about: Floats) -> Floats:
    """Centroid of each row's derivative under a Hamming-like window about a column."""
    w = derivative.shape[1]
    offset = np.arange(w)[None, :] - about[:, None]
    window = np.where(np.abs(offset) < w / 2, 0.54 + 0.46 * np.cos(2 * np.pi * offset / w), 0.0)
    weight = derivative * window
    total = weight.sum(axis=1)
    safe = np.where(np.abs(total) < 1e-12, np.nan, total)
    centre = (weight * np.arange(w)).sum(axis=1) / safe
    known = np.isfinite(centre)
    if known.sum() < 8:
        msg = "slanted edge: the patch has no step of brightness"
        raise StageError(msg)
    result: Floats = np.interp(np.arange(len(centre)), np.flatnonzero(known), centre[known])
    return result


def gaussian_mtf(blur_px: float, cycles_per_px: Floats) -> Floats:
    """Modulation of a Gaussian blur, exp(-2 pi^2 sigma^2 f^2): what `slanted_edge_mtf` gives for one."""
    return np.asarray(normal_pdf(2 * np.pi * blur_px * cycles_per_px) * np.sqrt(2 * np.pi), np.float64)
