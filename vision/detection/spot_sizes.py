"""Size of a nucleus: the half-height outline, corrected for blur by a fit over many known shapes.

A half-height outline is right for a wide, evenly lit disc. It is too long for a spot near the size of the
blur and for a thin ring, too short for a core that fades outwards. How much, depends on the profile along
the rays, which the networks see; they give the logarithm of true over apparent length and width, and how far
off it is likely to be.

A bare disc, flat inside, with an edge no softer than the blur and nothing round it, needs no learning:
its half-height outline is its size but for the little that blur rounds off a curved edge. The more a nucleus
is like that, the more it is sized so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.classification.networks import Head
from vision.detection.profiles import Outline
from vision.detection.uncertainty import DISC_REL_SD, DISC_SD_PX

Array = NDArray[Any]
SIZE_OUTPUTS = ("log_length", "log_width", "log_length_sd", "log_width_sd")
LARGEST_CORRECTION = 1.2
"""Largest log ratio of true to apparent size, in training and at work: a factor of 3.3 (by hand)."""
SMALLEST_REL_SD, LARGEST_REL_SD = 0.01, 1.0
"""Bounds of the relative standard uncertainty that the networks may state (by hand)."""
KIND_DOUBT = 1e-3
"""Added to the probabilities of bubble and stone, so that neither is ruled out when both are small."""
BLURS_OFF, LEAST_LEFT, LEAST_SIZE_PX = 2.0, 0.35, 0.3
"""Taken off an outline in quadrature: so many sd of the blur (by hand; 2.355 would be a Gaussian's width at
half height), but this share of the outline and this many px are left (by hand). The networks are fitted on
it."""

# How far a nucleus is a bare disc. Each pair: wholly up to the first figure, not at all from the second on
# (by hand, origin unknown). The first three in units of the peak, the last in the width of a sharp edge at
# this blur.
INSIDE = ("mean_0.05", "mean_0.25", "mean_0.45")
AROUND = ("mean_1.60", "mean_2.00", "mean_2.40")
UNEVEN_INSIDE, GRAIN_INSIDE, SIGNAL_AROUND, EDGE_IN_BLURS = (
    (0.06, 0.12),
    (0.06, 0.10),
    (0.02, 0.05),
    (1.5, 2.2),
)
EDGE_WIDTH = 1.56
"""From 15 to 70 % of its height an edge blurred by sd 1 is so wide: quantiles of the normal distribution."""
MOST_ROUNDED_OFF = 0.25
"""Blur is taken to shorten a disc by at most this share of its length: the formula holds for small
curvature."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of N nuclei in px, standard uncertainties beside them, blur taken out."""

    length_px: Array
    width_px: Array
    length_sd_px: Array
    width_sd_px: Array


def apparent_px(outline_px: Array, blur_px: Array | float) -> Array:
    """Sizes to correct, px, shape (N,): the outline's own with a Gaussian's share of the blur taken off in
    quadrature.

    outline_px : lengths or widths of half-height outlines, shape (N,); blur_px : one number, or shape (N,)
    """
    blur = BLURS_OFF * blur_px
    size = np.sqrt(np.maximum(outline_px**2 - blur**2, (LEAST_LEFT * outline_px) ** 2))
    return np.maximum(size, LEAST_SIZE_PX)


def disc_likeness(table: Array, names: list[str], shape: Outline, blur_px: float) -> Array:
    """How far N nuclei are flat discs with a sharp edge on an empty ground: 1 wholly, 0 not at all."""
    column = {name: table[:, k] for k, name in enumerate(names)}
    inside = np.stack([column[name] for name in INSIDE])
    around = np.abs(np.stack([column[name] for name in AROUND])).max(0)
    edge_px = (np.exp(column["long_fall_0.15"]) - np.exp(column["long_fall_0.70"])) * shape.length_px / 2
    return np.asarray(
        _ramp(np.ptp(inside, axis=0), UNEVEN_INSIDE)
        * _ramp(np.maximum(column["spread_0.15"], column["spread_0.45"]), GRAIN_INSIDE)
        * _ramp(around, SIGNAL_AROUND)
        * _ramp(edge_px / (EDGE_WIDTH * blur_px), EDGE_IN_BLURS)
    )


def _ramp(value: Array, limits: tuple[float, float]) -> Array:
    return np.clip((limits[1] - value) / (limits[1] - limits[0]), 0.0, 1.0)


def disc_sizes(shape: Outline, blur_px: float) -> tuple[Array, Array]:
    """Length and width of bare discs, px, each shape (N,).

    Blur of variance s2 draws the half-height line of an edge of curvature k inwards by s2 k / 2 (level sets
    under diffusion move by their curvature; derived here). At the ends of an ellipse's long axis
    k = 2 length / width2, at those of its short axis k = 2 width / length2.
    """
    length = np.maximum(shape.length_px, LEAST_SIZE_PX)
    width = np.maximum(shape.width_px, LEAST_SIZE_PX)
    more = 2 * blur_px**2
    return length + np.minimum(
        more * length / width**2, length * MOST_ROUNDED_OFF
    ), width + more * width / length**2


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
    length, width = apparent_px(shape.length_px, blur_px), apparent_px(shape.width_px, blur_px)
    share = rows[:, :2] + KIND_DOUBT
    share = share / share.sum(1, keepdims=True)
    each = np.stack([head.numbers(table, names) for head in heads])
    shift = np.clip(each[:, :, :2], -LARGEST_CORRECTION, LARGEST_CORRECTION)
    rel = np.clip(np.exp(each[:, :, 2:4]), SMALLEST_REL_SD, LARGEST_REL_SD)
    weight = share.T[:, :, None]
    mean = (weight * shift).sum(0)
    spread = np.sqrt((weight * (rel**2 + (shift - mean) ** 2)).sum(0))
    length, width = length * np.exp(mean[:, 0]), width * np.exp(mean[:, 1])
    disc = share[:, 1] * disc_likeness(table, names, shape, blur_px)  # gas is never flat inside
    plain = disc_sizes(shape, blur_px)
    length = length ** (1 - disc) * plain[0] ** disc
    width = width ** (1 - disc) * plain[1] ** disc
    own = DISC_REL_SD + DISC_SD_PX / np.stack(plain, axis=1)
    spread = np.sqrt((1 - disc)[:, None] * spread**2 + disc[:, None] * own**2)
    long, short = np.maximum(length, width), np.minimum(length, width)
    spread = np.minimum(spread, LARGEST_REL_SD)
    return Sizes(
        long.astype(np.float32),
        short.astype(np.float32),
        (long * spread[:, 0]).astype(np.float32),
        (short * spread[:, 1]).astype(np.float32),
    )
