"""Where on the sheet the photo lies and how large its pixels are there, with everything that speaks against
it.

A scale that cannot be trusted is no scale: the result then carries a sentence and no frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames import Frame
from vision.geometry.blur import blur_of_tags
from vision.geometry.scale import FEWEST_TAGS, FrameFit, fit_frame
from vision.geometry.tags import SeenTag, find_tags, refined
from vision.photo.setup_file import PhotoSetup
from vision.results import ByteImage, Scale

SCALES_AGREE = 0.05
EXTENTS_AGREE = 0.05
EXTENTS_SAME_RATIO = 0.02
WORST_RELATIVE_SD = 0.02
STRONGEST_K1 = 0.4
USUAL_GAMMA = 2.2
TONE_CURVE_SHIFT = 0.2  # a tone curve of gamma 2.2 moves edges outwards by about 0.43 of the blur


@dataclass(frozen=True, slots=True)
class Placed:
    """frame, scale : None when the photo cannot be sized; blur_px :
    from the tags, None without; flags and messages."""

    frame: Frame | None
    scale: Scale | None
    tags: tuple[SeenTag, ...] = ()
    blur_px: float | None = None
    flags: tuple[str, ...] = ()
    messages: tuple[str, ...] = ()


def place_photo(grey: ByteImage, setup: PhotoSetup | None) -> Placed:
    """Place an upright photo on the sheet by its set-up."""
    if setup is None:
        text = "No set-up was given: finds are shown for review, without sizes or places on the sheet."
        return Placed(None, None, flags=("no_scale",), messages=(text,))
    if setup.tags:
        return _by_tags(grey, setup)
    if setup.mm_per_px is not None and setup.field_mm is not None:
        return _by_given_scale(grey, setup, setup.mm_per_px, setup.field_mm)
    text = "The set-up has neither tags nor mm_per_px: finds are shown for review, without sizes."
    return Placed(None, None, flags=("no_scale",), messages=(text,))


def _by_tags(grey: ByteImage, setup: PhotoSetup) -> Placed:
    setup_tags = dict(setup.tags)
    seen = find_tags(grey, setup_tags)
    blur = blur_of_tags(seen)
    found, missing = (
        [tag.number for tag in seen],
        [n for n in setup_tags if n not in {tag.number for tag in seen}],
    )

    def unsized(flag: str, text: str) -> Placed:
        return Placed(None, None, tuple(seen), blur, (flag, "no_scale"), (text,))

    if len(setup_tags) < FEWEST_TAGS:
        return unsized(
            "setup_contradicts",
            f"The set-up names {len(setup_tags)} reference tags; "
            f"at least {FEWEST_TAGS} are needed to give sizes.",
        )
    if not seen:
        text = "No reference tags were found in the photo; finds are shown without sizes."
        return unsized("tags_missing", text)
    fit, left_out = fit_frame(seen, setup_tags, grey.shape[1], grey.shape[0])
    if fit is not None and blur is not None:
        curved = fit.edge_shift_px < -TONE_CURVE_SHIFT * blur
        seen = refined(grey, seen, USUAL_GAMMA if curved else 1.0)
        blur = blur_of_tags(seen)
        fit, left_out = fit_frame(seen, setup_tags, grey.shape[1], grey.shape[0])
    if fit is None:
        if len(found) >= FEWEST_TAGS:
            text = f"The sides of {_named(found)} cannot be measured (too small, blurred or covered)"
        else:
            text = f"Only {_named(found)} of the {len(setup_tags)} reference tags can be seen"
        return unsized("tags_missing", f"{text}; {FEWEST_TAGS} tags are needed, so no sizes are given.")
    if not fit.trusted:
        worst = max(fit.of_tag_px, key=lambda number: fit.of_tag_px[number])
        return unsized(
            "tags_disagree",
            f"The tags do not lie where the set-up says (misfit {fit.residual_mm:.2g} mm, most at tag "
            f"{worst}); no sizes are given. Check corners_mm in the set-up.",
        )
    doubt = _doubt(fit, grey.shape, setup)
    if doubt is not None:
        return unsized("setup_contradicts", doubt)
    flags: list[str] = []
    messages: list[str] = []
    if missing:
        flags.append("tags_missing")
        messages.append(f"Not found: {_named(missing)}. The scale rests on {_named(list(fit.used))}.")
    if left_out is not None:
        flags.append("tags_disagree")
        messages.append(f"Tag {left_out} does not fit the others (moved or partly hidden?) and was left out.")
    middle = _middle(fit.frame, setup, grey.shape)
    scale = Scale(
        mm_per_px=float(fit.frame.mm_per_px_at(middle)[0]),
        source="tags",
        residual_mm=fit.residual_mm,
        relative_sd=float(fit.relative_sd_at(middle)[0]),
    )
    return Placed(fit.frame, scale, tuple(seen), blur, tuple(flags), tuple(messages))


def _doubt(fit: FrameFit, shape: tuple[int, ...], setup: PhotoSetup) -> str | None:
    """A reason not to believe a fit whose tags agree with each other."""
    h, w = shape[0], shape[1]
    corners = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h], [w / 2.0, h / 2.0]])
    if abs(fit.frame.k1) > STRONGEST_K1 or not np.all(np.isfinite(fit.frame.px_to_mm(corners))):
        return (
            "The tags give no usable view of the sheet; no sizes are given. Check corners_mm in the set-up."
        )
    worst = float(fit.relative_sd_at(corners).max())
    if worst > WORST_RELATIVE_SD:
        return (
            f"The tags lie too close together to scale the whole photo (uncertain by {100 * worst:.0f} % at "
            "its border); no sizes are given. Put the tags near the corners of the field."
        )
    middle = _middle(fit.frame, setup, shape)
    measured = float(fit.frame.mm_per_px_at(middle)[0])
    if setup.mm_per_px is not None and abs(measured / setup.mm_per_px - 1.0) > SCALES_AGREE:
        return (
            f"The set-up contradicts the photo: mm_per_px is {setup.mm_per_px:g}, the tags give "
            f"{measured:.4g}; no sizes are given."
        )
    if setup.field_mm is not None:
        x0, y0, x1, y1 = setup.field_mm
        field_px = fit.frame.mm_to_px([((x0 + x1) / 2, (y0 + y1) / 2)])[0]
        if not (-0.5 * w <= field_px[0] <= 1.5 * w and -0.5 * h <= field_px[1] <= 1.5 * h):
            return (
                "The set-up contradicts the photo: field_mm lies outside what the photo shows; "
                "no sizes are given."
            )
    return None


def _by_given_scale(
    grey: ByteImage, setup: PhotoSetup, mm_per_px: float, field_mm: tuple[float, float, float, float]
) -> Placed:
    x0, y0, x1, y1 = field_mm
    wide, high = grey.shape[1] * mm_per_px, grey.shape[0] * mm_per_px
    ratio_x, ratio_y = wide / (x1 - x0), high / (y1 - y0)
    spans = (
        f"The set-up contradicts the photo: at {mm_per_px:g} mm per pixel it spans {wide:.0f} x {high:.0f} "
        f"mm, the field {x1 - x0:.0f} x {y1 - y0:.0f} mm."
    )
    text = None
    if _turned(ratio_x, ratio_y, wide, high, x1 - x0, y1 - y0):
        text = f"{spans} Does it lie on its side? No sizes are given."
    elif ratio_x < 1 - EXTENTS_AGREE and abs(ratio_x / ratio_y - 1) < EXTENTS_SAME_RATIO:
        text = f"{spans} Was the photo made smaller? No sizes are given."
    if text is not None:
        return Placed(None, None, flags=("setup_contradicts", "no_scale"), messages=(text,))
    return Placed(Frame.square_on(mm_per_px, x0, y0), Scale(mm_per_px, "given", 0.0))


def _turned(ratio_x: float, ratio_y: float, wide: float, high: float, field_x: float, field_y: float) -> bool:
    """Whether the photo would fit the field if it were turned by a quarter, and does not as it is."""
    fits = abs(ratio_x - 1) < EXTENTS_AGREE and abs(ratio_y - 1) < EXTENTS_AGREE
    fits_turned = abs(high / field_x - 1) < EXTENTS_AGREE and abs(wide / field_y - 1) < EXTENTS_AGREE
    return fits_turned and not fits


def _middle(frame: Frame, setup: PhotoSetup, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """The field's middle in the photo, or the photo's own where
    the field's lies outside; shape (1, 2), px."""
    h, w = shape[0], shape[1]
    if setup.field_mm is not None:
        x0, y0, x1, y1 = setup.field_mm
        middle = frame.mm_to_px([((x0 + x1) / 2, (y0 + y1) / 2)])
        if 0 <= middle[0, 0] <= w and 0 <= middle[0, 1] <= h:
            return middle
    return np.array([[w / 2.0, h / 2.0]])


def _listed(numbers: list[int]) -> str:
    return ", ".join(str(number) for number in numbers) or "none"


def _named(numbers: list[int]) -> str:
    return ("tag " if len(numbers) == 1 else "tags ") + _listed(numbers)
