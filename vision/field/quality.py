"""Photos that decode but cannot be trusted: too dark, blown
out, badly lit, of something else, out of focus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.geometry.blur import OUT_OF_FOCUS_PX
from vision.results import BRIGHT_FIELD, DARK_FIELD, BackgroundSubtracted, ByteImage

SATURATED = 250
MOST_SATURATED = 0.35
DARKEST_BRIGHT_FIELD = 16.0
BRIGHTEST_DARK_FIELD = 125.0
BLACK = 1
MOST_BLACK = 0.6
LIT_MARK = 30
ROUGH_RATIO = 4.0
ROUGH_SD = 5.0
ROUGHEST_SD = 28.0
STRONG_SD = 8.0
FEWEST_STRONG = 6
ONE_SIDED = 4
EVENLY_LIT_BLACK = 60.0


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that is wrong with a photo. `ends` : nothing in
    it can be judged, so nothing is looked for."""

    flag: str
    message: str
    ends: bool = False


def check_light(
    grey: ByteImage, mask: ByteImage, lighting: str, hidden_fraction: float = 0.0
) -> list[Condition]:
    """Whether the field is exposed as the lighting wants it; works on a sparse sample of the pixels.

    hidden_fraction : share of the field that the mask leaves out because it is saturated
    """
    if hidden_fraction > MOST_SATURATED:
        return [_blown_out(hidden_fraction)]
    step = max(1, int(np.sqrt(grey.size / 100_000)))
    values = grey[::step, ::step][mask[::step, ::step] > 0]
    if values.size < 100:
        return []
    middle = float(np.median(values))
    saturated = float(np.mean(values >= SATURATED))
    if saturated > MOST_SATURATED:
        return [_blown_out(saturated)]
    if lighting == BRIGHT_FIELD and middle < DARKEST_BRIGHT_FIELD:
        text = f"The photo is too dark for bright field (grey value {middle:.0f} of 255); expose it longer."
        return [Condition("too_dark", text, ends=True)]
    if lighting == DARK_FIELD:
        top = float(np.percentile(values, 99.9))
        if np.mean(values <= BLACK) > MOST_BLACK and top < LIT_MARK:
            text = (
                "The photo is too dark: most of it is black, faint defects would not show; expose it longer."
            )
            return [Condition("too_dark", text, ends=True)]
        if middle > BRIGHTEST_DARK_FIELD:
            text = (
                f"The set-up says dark field, but the ground of the photo is bright (grey value {middle:.0f} "
                "of 255); check the lighting in the set-up."
            )
            return [Condition("wrong_lighting", text, ends=True)]
    return []


def _blown_out(share: float) -> Condition:
    text = f"The photo is blown out: {100 * share:.0f} % of the field is saturated; expose it less."
    return Condition("blown_out", text, ends=True)


def guess_lighting(grey: ByteImage) -> str:
    """The likelier lighting of a photo without a set-up."""
    return BRIGHT_FIELD if float(np.median(grey[::8, ::8])) > EVENLY_LIT_BLACK else DARK_FIELD


def check_subject(grey: ByteImage, subtracted: BackgroundSubtracted, lighting: str) -> list[Condition]:
    """Whether the photo shows smoothly lit glass under the lighting that the set-up names.

    Roughness far above the fine noise means something else than glass. Marks that scatter are brighter than
    a dark ground; on a lit ground nearly everything is darker than it.
    """
    rough, fine = roughness(grey, subtracted)
    if rough > ROUGHEST_SD or (rough > ROUGH_SD and rough > ROUGH_RATIO * max(fine, 1.0)):
        text = "The photo does not look like a lit sheet of glass; nothing was looked for in it."
        return [Condition("not_a_sheet", text, ends=True)]
    sample = subtracted.signal[::5, ::5]
    bright, dark = int(np.count_nonzero(sample > STRONG_SD)), int(np.count_nonzero(sample < -STRONG_SD))
    middle = float(np.median(subtracted.background_small))
    if lighting == BRIGHT_FIELD and middle < EVENLY_LIT_BLACK and bright > FEWEST_STRONG + ONE_SIDED * dark:
        text = (
            "The set-up says bright field, but the ground is dark and the marks are bright; check the "
            "lighting in the set-up."
        )
        return [Condition("wrong_lighting", text, ends=True)]
    if lighting == DARK_FIELD and middle > EVENLY_LIT_BLACK and dark > FEWEST_STRONG + ONE_SIDED * bright:
        text = (
            "The set-up says dark field, but the ground is lit and the marks are dark; check the lighting in "
            "the set-up."
        )
        return [Condition("wrong_lighting", text, ends=True)]
    return []


def roughness(grey: ByteImage, subtracted: BackgroundSubtracted) -> tuple[float, float]:
    """Typical departure of pixels from the light behind them, and
    of pixels from their near neighbours (as sd)."""
    step = max(2, int(np.sqrt(grey.size / 40_000)))
    inside = subtracted.mask[::step, ::step] > 0
    if inside.sum() < 200:
        return 0.0, 0.0
    ys, xs = np.arange(0, grey.shape[0], step), np.arange(0, grey.shape[1], step)
    rows = np.minimum(ys // subtracted.block_px, subtracted.background_small.shape[0] - 1)
    columns = np.minimum(xs // subtracted.block_px, subtracted.background_small.shape[1] - 1)
    light = subtracted.background_small[np.ix_(rows, columns)]
    here = grey[::step, ::step].astype(np.float32)
    rough = _spread((here - light)[inside])
    near = grey[np.ix_(ys, np.minimum(xs + 2, grey.shape[1] - 1))].astype(np.float32)
    fine = _spread((near - here)[inside]) / np.sqrt(2.0)
    return rough, float(fine)


def _spread(values: NDArray[np.float32]) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def check_focus(blur_px: float | None) -> list[Condition]:
    """Out of focus: sizes are still corrected for the blur, but small defects are gone."""
    if blur_px is None or blur_px <= OUT_OF_FOCUS_PX:
        return []
    text = (
        f"The photo is out of focus (blur {blur_px:.1f} pixels); small defects do not show. "
        "Focus and take it again."
    )
    return [Condition("out_of_focus", text)]
