"""How small a nucleus a photo can size, and the standard uncertainty of sizes that no network estimates.

A half-height outline of a feature narrower than the blur tells its light, not its size: two sizes of equal
light look alike. Below about two pixels and a blur and a half (of its own standard deviation, twice) sizes
are not given. The limit is checked against rendered photos: above it nine in ten are found and sized within
the stated uncertainty (tests/bench/detection.py). Sizes of bubbles and stones bring their own uncertainty,
fitted with them (`spot_sizes`). All sizes here are in photo pixels.
"""

from __future__ import annotations

import math

LEAST_PX = 2.0
"""Shortest nucleus that is sized in a photo without blur (by hand, then checked as said above)."""
BLURS = 2.0
"""Shortest nucleus that is sized, in standard deviations of the blur (as `LEAST_PX`)."""

# Length of a scratch (by hand): both ends together are found to a pixel, worse in proportion to how little
# the line stands out, and its course is good to a per cent.
LINE_ENDS_SD_PX, LINE_ENDS_SD_PX_AT_HEIGHT_1, LINE_COURSE_REL_SD = 1.0, 10.0, 0.01
# Width of a scratch (by hand): a line far thinner than the blur tells nothing of its width, which is
# uncertain by half of what is seen, and by less as the width itself grows.
LEAST_LINE_WIDTH_SD_PX, SEEN_WIDTH_SHARE, OWN_WIDTH_SHARE = 0.3, 0.5, 0.3
# A flat disc with a sharp edge (by hand): its outline is good to an eighth of a pixel, and to a per cent of
# it.
DISC_SD_PX, DISC_REL_SD = 0.12, 0.01


def smallest_sized_px(blur_px: float) -> float:
    """Shortest nucleus, in px, that can be sized at a blur of standard deviation `blur_px`.

    Raises ValueError for a negative blur.
    """
    if blur_px < 0:
        msg = f"blur: {blur_px} px; expected a standard deviation >= 0"
        raise ValueError(msg)
    return float((LEAST_PX**2 + (BLURS * blur_px) ** 2) ** 0.5)


def line_length_sd_px(length_px: float, height_sd: float) -> float:
    """Standard uncertainty of a line's arc length, px. height_sd : of the whole line over the noise, sd."""
    ends = LINE_ENDS_SD_PX + LINE_ENDS_SD_PX_AT_HEIGHT_1 / max(height_sd, 1)
    return math.hypot(ends, LINE_COURSE_REL_SD * length_px)


def line_width_sd_px(width_px: float, seen_width_px: float) -> float:
    """Standard uncertainty of a line's width, px. seen_width_px : with the blur still in it."""
    return max(LEAST_LINE_WIDTH_SD_PX, SEEN_WIDTH_SHARE * seen_width_px - OWN_WIDTH_SHARE * width_px)
