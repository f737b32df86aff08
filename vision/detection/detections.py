"""What the detector is given, and what it hands back: everything in pixels of the upright photo, nothing in
millimetres yet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.results import BackgroundSubtracted, ByteImage

FloatArray = NDArray[np.floating]


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorInput:
    """A photo, or a part of one, ready for the detector.

    grey : uint8, shape (H, W), the photo; subtracted : the same without its background
    lighting : "dark_field" or "bright_field"; blur_px : standard deviation of the blur
    mm_per_px : None when nobody knows the scale
    """

    grey: ByteImage
    subtracted: BackgroundSubtracted
    lighting: str
    blur_px: float
    mm_per_px: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Detection:
    """One thing seen in a photo, sized in pixels and named with probabilities.

    kind : "bubble", "stone" or "scratch", the likeliest if it is in the glass
    artefact : None, or the surface artefact that it is instead (see `results.ARTEFACTS`)
    x_px, y_px : middle of the nucleus, or of the line at half its arc length
    length_px, width_px : nucleus, corrected for blur; arc length and width of a line
    length_sd_px, width_sd_px : standard uncertainties
    halo_px : largest dimension of the distorted zone, None where none shows
    angle_deg : long axis in the photo frame, from +x towards +y, in [0, 180)
    score : probability that it is a defect in or on the glass
    kind_scores : "bubble", "stone", "scratch", "not_glass", together 1
    artefact_scores : probabilities of each surface artefact, given that it is one
    contrast : peak of (grey - level) / level in bright field, / 255 in dark field, signed
    significance : height of the best matched response in standard deviations of the noise
    path_px : (M, 2) points along a line, None for spots
    """

    kind: str
    artefact: str | None
    x_px: float
    y_px: float
    length_px: float
    width_px: float
    length_sd_px: float
    width_sd_px: float
    halo_px: float | None
    angle_deg: float
    score: float
    kind_scores: dict[str, float]
    artefact_scores: dict[str, float]
    contrast: float
    significance: float
    box_px: tuple[int, int, int, int]
    path_px: FloatArray | None = None
    flags: tuple[str, ...] = ()
