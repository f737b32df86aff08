"""Textures and edges that several renderers draw with."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], grain: float) -> Array:
    """Zero-mean unit-sd noise of a given grain (fine samples)."""
    small = (max(3, int(shape[0] / grain) + 2), max(3, int(shape[1] / grain) + 2))
    out = cv2.resize(rng.normal(size=small).astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return (out - out.mean()) / (out.std() + 1e-6)


def soft(edge: Array, width: float) -> Array:
    """1 inside (edge < 0), 0 outside, linear over `width`."""
    return np.clip(0.5 - edge / max(width, 1e-3), 0, 1)
