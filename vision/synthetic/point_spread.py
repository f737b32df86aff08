"""The point spread of a camera: lens, defocus and motion, as all renderers blur with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Blur:
    """Point spread: Gaussian (diffraction, optics, demosaicing) with a defocus disc and a straight motion."""

    gaussian_px: float = 0.6
    disc_radius_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0

    @property
    def sigma_px(self) -> float:
        """Standard deviation per axis of the whole point spread, pixel box excluded."""
        return float(np.sqrt(self.gaussian_px**2 + self.disc_radius_px**2 / 4 + self.motion_px**2 / 24))


def spread(values: Plane, blur: Blur, per_px: int) -> Plane:
    """Apply the point spread on a grid of `per_px` samples a pixel (borders mirrored)."""
    out = values
    if blur.gaussian_px > 0:
        out = cv2.GaussianBlur(out, (0, 0), blur.gaussian_px * per_px, borderType=cv2.BORDER_REPLICATE)
    if blur.disc_radius_px > 0:
        out = cv2.filter2D(out, -1, _disc(blur.disc_radius_px * per_px), borderType=cv2.BORDER_REPLICATE)
    if blur.motion_px > 0:
        kernel = _streak(blur.motion_px * per_px, blur.motion_deg)
        out = cv2.filter2D(out, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def _disc(radius: float) -> Plane:
    reach = int(np.ceil(radius + 1))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    kernel = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _streak(length: float, angle_deg: float) -> Plane:
    reach = int(np.ceil(length / 2 + 1))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    along, across = np.abs(x * c + y * s), np.abs(y * c - x * s)
    kernel = (np.clip(length / 2 + 0.5 - along, 0, 1) * np.clip(1 - across, 0, 1)).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)
