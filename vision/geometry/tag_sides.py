"""The sides of a reference tag, each fitted to a hundredth of a pixel.

A side is a straight step from ink to paper, smeared by the photo's blur. It is fitted through all the pixels
beside it at once, and the same fit gives the blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry.step_fit import LEAST_STEP, left_over, search_step, settle_step, slope_across
from vision.results import ByteImage

MODULES_ACROSS = 7  # five of the code and a black border of one on each side
GOLDEN_SHARE = 0.6180339887498949  # its multiples fall evenly and never repeat a pattern
PIECES_PER_SIDE = 6
ROUGH_PIXELS, FINE_PIXELS = 300, 800
ROUGH_SETTLED_PX, FINE_SETTLED_PX = 0.1, 0.004
NEAR_BLURS = 2.5
PIXEL_BLUR_PX = 0.29  # a pixel averages over its own width, which has this standard deviation
SHARPENED_BLUR_PX = 0.2  # sharpening by the camera makes steps look narrower than a pixel can show
WIDEST_START = 0.4  # of the window

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TagSide:
    """One fitted side of a tag.

    points_px : places on the side, shape (N, 2); blur_px : standard deviation of the step's smear
    misfit : root mean square of the fit's residuals over the height of the step
    """

    points_px: Floats
    blur_px: float
    misfit: float


Sides = tuple[TagSide | None, ...]


def rough_sides(grey: ByteImage, corners_px: Floats) -> tuple[Floats, Sides]:
    """Corners to a tenth of a pixel and the four sides, from corners known to a module.

    grey : uint8, shape (H, W); corners_px : shape (4, 2), clockwise from the tag's own top left
    """
    corners = _snapped(grey, corners_px)
    sides = _fit_round(grey, corners, None, 1.0, ROUGH_PIXELS)
    return meeting_points(corners, sides), sides


def fine_sides(grey: ByteImage, corners_px: Floats, sides: Sides, gamma: float) -> Sides:
    """The four sides again, from good corners, with a window that fits the blur.

    gamma : of the camera whose grey values are light ** (1 / gamma). A tone curve bends the smeared step,
    and a fit that does not know it errs by a few hundredths of a pixel, to and fro with the side's place
    between the pixels.
    """
    fine = _fit_round(grey, corners_px, _blur_of(sides), gamma, FINE_PIXELS)
    return tuple(new or old for new, old in zip(fine, sides, strict=True))


def _snapped(grey: ByteImage, corners: Floats) -> Floats:
    """Corners moved to the tag's outer border, where the search took the border's inner side for it.

    Across each side the mean grey value is read from one and a half modules inside to as far outside; the
    border's outer side is the first steep rise outwards of its darkest place, because only the border is
    ink all along.
    """
    middle = corners.mean(axis=0)
    lines = []
    for i in range(4):
        start, end = corners[i], corners[(i + 1) % 4]
        length = float(np.linalg.norm(end - start))
        along = (end - start) / max(length, 1e-9)
        across = np.array([along[1], -along[0]])
        reach = max(1.5 * length / MODULES_ACROSS, 3.0)
        t = np.arange(-reach, reach + 0.25, 0.5)
        s = np.linspace(0.2, 0.8, 24) * length
        places = start + s[None, :, None] * along + t[:, None, None] * across
        u, v = (np.ascontiguousarray(places[..., k] - 0.5, np.float32) for k in (0, 1))
        profile = cv2.remap(grey, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).mean(axis=1)
        offset = _first_rise(t, profile)
        lines.append((start + offset * across, along))
    moved = corners.copy()
    for i in range(4):
        (p, d), (q, e) = lines[i - 1], lines[i]
        matrix = np.column_stack([d, -e])
        if abs(np.linalg.det(matrix)) > 0.1:
            moved[i] = p + d * np.linalg.solve(matrix, q - p)[0]
    size, was = np.linalg.norm(moved - middle, axis=1), np.linalg.norm(corners - middle, axis=1)
    return moved if np.all((size > 0.7 * was) & (size < 1.6 * was)) else corners


def _first_rise(t: Floats, profile: Floats) -> float:
    """Where a profile, sampled at t (half a pixel apart), first
    rises steeply after its lowest place; else 0."""
    rise = np.concatenate([[0, 0], profile[4:] - profile[:-4], [0, 0]])
    rise[: int(profile[: 2 * len(t) // 3].argmin())] = 0
    steep = max(LEAST_STEP, 0.25 * float(rise.max()))
    peaks = (rise >= steep) & (rise >= np.roll(rise, 1)) & (rise > np.roll(rise, -1))
    return float(t[int(peaks.argmax())]) if peaks.any() else 0.0


def _blur_of(sides: Sides) -> float | None:
    known = [side.blur_px for side in sides if side is not None]
    return float(np.median(known)) if known else None


def _fit_round(grey: ByteImage, corners: Floats, blur_px: float | None, gamma: float, pixels: int) -> Sides:
    return tuple(_fit_side(grey, corners[i], corners[(i + 1) % 4], blur_px, gamma, pixels) for i in range(4))


def meeting_points(corners: Floats, sides: Sides) -> Floats:
    """Corners as the crossing points of the fitted sides; a corner beside a failed side stays."""
    better = corners.copy()
    for i in range(4):
        before, after = sides[i - 1], sides[i]
        if before is None or after is None:
            continue
        p, d = _line(before.points_px)
        q, e = _line(after.points_px)
        matrix = np.column_stack([d, -e])
        if abs(np.linalg.det(matrix)) > 0.1:
            better[i] = p + d * np.linalg.solve(matrix, q - p)[0]
    return better


def _line(points: Floats) -> tuple[Floats, Floats]:
    middle = points.mean(axis=0)
    direction = np.linalg.svd(points - middle)[2][0]
    return middle, direction


def _fit_side(
    grey: ByteImage, start: Floats, end: Floats, blur_px: float | None, gamma: float, pixels: int
) -> TagSide | None:
    """Fit grey = dark(s) + step(s) * Phi((t - c(s)) / blur), s along the side, t outwards across it."""
    length = float(np.linalg.norm(end - start))
    module = length / MODULES_ACROSS
    if length < 10:
        return None
    along = (end - start) / length
    across = np.array([along[1], -along[0]])  # outwards: corners run clockwise with y down
    reach = min(0.62 * module, 14.0) if blur_px is None else min(0.8 * module, max(2.5, 4.0 * blur_px))
    s, t, value = _band(grey, start, along, across, length, reach)
    if value.size < 40:
        return None
    if gamma != 1.0:
        value = 255.0 * (value / 255.0) ** gamma
    unit = 2.0 * s / length - 1.0
    some: NDArray[np.intp] | slice = slice(None)
    if value.size > pixels:
        # even strides would take the same few columns of an upright side in every row
        some = (np.arange(pixels) * GOLDEN_SHARE % 1.0 * value.size).astype(np.intp)
    sample = unit[some], t[some], value[some]
    # a side that is not found yet may lie anywhere in the window
    step = search_step(*sample, max(1.0, blur_px or WIDEST_START * reach), reach)
    if step is None:
        return None
    least_px = PIXEL_BLUR_PX if blur_px is None else SHARPENED_BLUR_PX
    step = settle_step(
        step, *sample, least_px, reach, ROUGH_SETTLED_PX if blur_px is None else FINE_SETTLED_PX
    )
    if step is None:
        return None
    height, sigma = abs(step[2] - step[0]), float(step[6])
    misfit = float(np.sqrt(np.mean(left_over(step, *sample) ** 2))) / max(height, 1e-6)
    if height < LEAST_STEP or misfit > 0.2 or sigma > reach or abs(step[4]) > reach:
        return None
    # a sharp side shows in few pixels: all of them tell where it runs
    near = np.abs(t - step[4] - step[5] * unit) < NEAR_BLURS * sigma
    places = _places(step, unit[near], t[near], value[near])
    if len(places) < PIECES_PER_SIDE - 2:
        return None
    points = [start + along * ((at + 1.0) / 2.0 * length) + across * offset for at, offset in places]
    return TagSide(np.array(points), sigma, misfit)


def _places(step: Floats, unit: Floats, t: Floats, value: Floats) -> list[tuple[float, float]]:
    """Where the side runs, piece by piece: (along in -1..1, across in px), from pixels near it."""
    gradient, residual = slope_across(step, unit, t), left_over(step, unit, t, value)
    piece = np.clip((unit + 1.0) / 2.0 * PIECES_PER_SIDE, 0, PIECES_PER_SIDE - 1).astype(int)
    places = []
    for k in range(PIECES_PER_SIDE):
        here = piece == k
        weight = float(np.sum(gradient[here] ** 2))
        if weight <= 0:
            continue
        middle = float(np.sum(unit[here] * gradient[here] ** 2)) / weight
        shift = float(np.sum(gradient[here] * residual[here])) / weight
        if abs(shift) < 1.0:
            places.append((middle, step[4] + step[5] * middle + shift))
    return places


def _band(
    grey: ByteImage, start: Floats, along: Floats, across: Floats, length: float, reach: float
) -> tuple[Floats, Floats, Floats]:
    """Pixels within `reach` of a side, its ends left out: place along, place across, grey value."""
    margin = max(1.2 * reach, 0.06 * length)
    box = np.array([start + along * a + across * b for a in (0, length) for b in (-reach, reach)])
    x0, y0 = np.maximum(np.floor(box.min(axis=0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(box.max(axis=0)).astype(int) + 1, [grey.shape[1], grey.shape[0]])
    if x1 <= x0 or y1 <= y0:
        return np.empty(0), np.empty(0), np.empty(0)
    ys, xs = np.mgrid[y0:y1, x0:x1]
    dx, dy = xs + 0.5 - start[0], ys + 0.5 - start[1]
    s = dx * along[0] + dy * along[1]
    t = dx * across[0] + dy * across[1]
    inside = (np.abs(t) <= reach) & (s >= margin) & (s <= length - margin)
    return s[inside], t[inside], grey[y0:y1, x0:x1][inside].astype(np.float64)
