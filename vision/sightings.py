"""What the eye hands to the pipeline: everything in pixels of the upright photo, nothing in millimetres
yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

FloatArray = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Sighting:
    """One thing seen in a photo, sized in pixels and named with probabilities.

    kind : "bubble", "stone" or "scratch", the likeliest if it is in the glass
    not_glass : None, or the name of what it is instead (see `vision.results.NOT_GLASS`)
    x_px, y_px : middle of the nucleus, or of the line at half its arc length
    length_px, width_px : nucleus, corrected for blur; arc length and width of a line
    length_sd_px, width_sd_px : standard uncertainties
    halo_px : largest dimension of the distorted zone, None where none shows
    angle_deg : long axis in the photo frame, from +x towards +y, in [0, 180)
    score : probability that it is a defect in or on the glass
    kind_scores : "bubble", "stone", "scratch", "not_glass", together 1
    not_glass_scores : probabilities of each thing that is not glass, given that it is not
    contrast : peak of (grey - level) / level in bright field, / 255 in dark field, signed
    significance : height of the best matched response in standard deviations of the noise
    path_px : (M, 2) points along a line, None for spots
    """

    kind: str
    not_glass: str | None
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
    not_glass_scores: dict[str, float]
    contrast: float
    significance: float
    box_px: tuple[int, int, int, int]
    path_px: FloatArray | None = None
    flags: tuple[str, ...] = ()
    features: FloatArray | None = field(default=None, repr=False, compare=False)
