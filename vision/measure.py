"""Size of a nucleus: the half-height outline, corrected for blur by a fit over many known shapes.

A half-height outline is right for a wide, evenly lit disc. It is too long for a spot near the size of the
blur and for a thin ring, too short for a core that fades outwards. How much, depends on the profile along
the rays, which the learner sees; it gives the logarithm of true over apparent length and width, and how far
off it is likely to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.learner import Head
from vision.profiles import Outline

Array = NDArray[Any]
SIZE_OUTPUTS = ("log_length", "log_width", "log_length_sd", "log_width_sd")
LARGEST_CORRECTION = 1.2
SMALLEST_REL_SD, LARGEST_REL_SD = 0.01, 1.0


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of N nuclei in px, standard uncertainties beside them, blur taken out."""

    length_px: Array
    width_px: Array
    length_sd_px: Array
    width_sd_px: Array


def apparent(shape: Outline, blur_px: float) -> tuple[Array, Array]:
    """Length and width to correct: the outline with a Gaussian's share of the blur taken off in quadrature,
    px."""
    blur = 2.0 * blur_px
    length = np.sqrt(np.maximum(shape.length_px**2 - blur**2, (0.35 * shape.length_px) ** 2))
    width = np.sqrt(np.maximum(shape.width_px**2 - blur**2, (0.35 * shape.width_px) ** 2))
    return np.maximum(length, 0.3), np.maximum(width, 0.3)


def sizes_of(
    heads: tuple[Head, Head], table: Array, names: list[str], shape: Outline, blur_px: float, rows: Array
) -> Sizes:
    """Sizes from outline and features.

    heads : the corrections of a bubble and of a stone; rows : probabilities over `kinds.CLASSES`, which weigh
    the two. Where they disagree and the kind is in doubt, that doubt is part of the uncertainty.
    """
    if not len(table):
        empty = np.zeros(0, np.float32)
        return Sizes(empty, empty, empty, empty)
    length, width = apparent(shape, blur_px)
    share = rows[:, :2] + 1e-3
    share = share / share.sum(1, keepdims=True)
    each = np.stack([head.numbers(table, names) for head in heads])
    shift = np.clip(each[:, :, :2], -LARGEST_CORRECTION, LARGEST_CORRECTION)
    rel = np.clip(np.exp(each[:, :, 2:4]), SMALLEST_REL_SD, LARGEST_REL_SD)
    weight = share.T[:, :, None]
    mean = (weight * shift).sum(0)
    spread = np.sqrt((weight * (rel**2 + (shift - mean) ** 2)).sum(0))
    length, width = length * np.exp(mean[:, 0]), width * np.exp(mean[:, 1])
    long, short = np.maximum(length, width), np.minimum(length, width)
    spread = np.minimum(spread, LARGEST_REL_SD)
    return Sizes(
        long.astype(np.float32),
        short.astype(np.float32),
        (long * spread[:, 0]).astype(np.float32),
        (short * spread[:, 1]).astype(np.float32),
    )
