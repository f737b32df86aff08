"""The sides of a reference tag, each fitted to a hundredth of a pixel.

A side is a straight step from ink to paper, smeared by the photo's blur. It is fitted through all the pixels
beside it at once, and the same fit gives the blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.gauss import normal_cdf, normal_pdf
from vision.results import ByteImage

MODULES_ACROSS = 7  # five of the code and a black border of one on each side
GOLDEN_SHARE = 0.6180339887498949  # its multiples fall evenly and never repeat a pattern
PIECES_PER_SIDE = 6
ROUGH_PIXELS, FINE_PIXELS = 300, 1500
LEAST_STEP = 3.0

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
    if value.size > pixels:
        # even strides would take the same few columns of an upright side in every row
        some = (np.arange(pixels) * GOLDEN_SHARE % 1.0 * value.size).astype(np.intp)
        s, t, value = s[some], t[some], value[some]
    if value.size < 40:
        return None
    if gamma != 1.0:
        value = 255.0 * (value / 255.0) ** gamma
    unit = 2.0 * s / length - 1.0
    parameters = _step_fit(unit, t, value, blur_px or 1.0, reach)
    if parameters is None:
        return None
    low, slope_low, high, slope_high, c0, c1, sigma = parameters
    dark, step = low + slope_low * unit, (high - low) + (slope_high - slope_low) * unit
    z = (t - c0 - c1 * unit) / sigma
    residual = value - dark - step * normal_cdf(z)
    gradient = -step * normal_pdf(z) / sigma
    height = abs(high - low)
    misfit = float(np.sqrt(np.mean(residual**2))) / max(height, 1e-6)
    if height < LEAST_STEP or misfit > 0.2 or sigma > reach or abs(c0) > reach:
        return None
    points = []
    piece = np.clip((s / length * PIECES_PER_SIDE).astype(int), 0, PIECES_PER_SIDE - 1)
    for k in range(PIECES_PER_SIDE):
        here = (piece == k) & (np.abs(z) < 2.5)
        weight = float(np.sum(gradient[here] ** 2))
        if weight <= 0:
            continue
        middle = float(np.sum(s[here] * gradient[here] ** 2)) / weight
        shift = float(np.sum(gradient[here] * residual[here])) / weight
        if abs(shift) < 1.0:
            offset = c0 + c1 * (2.0 * middle / length - 1.0) + shift
            points.append(start + along * middle + across * offset)
    if len(points) < PIECES_PER_SIDE - 2:
        return None
    return TagSide(np.array(points), float(sigma), misfit)


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


def _step_fit(unit: Floats, t: Floats, value: Floats, blur_px: float, reach: float) -> Floats | None:
    """Gauss-Newton with weights that forgive dirt (Huber); returns
    low, its slope, high, its slope, c0, c1, blur."""
    inner, outer = value[t < -0.4 * reach], value[t > 0.4 * reach]
    if inner.size < 8 or outer.size < 8:
        return None
    p = np.array([np.median(inner), 0.0, np.median(outer), 0.0, 0.0, 0.0, blur_px])
    if p[2] - p[0] < LEAST_STEP:
        return None
    for _ in range(8):
        sigma = p[6]
        z = (t - p[4] - p[5] * unit) / sigma
        rise, bell = normal_cdf(z), normal_pdf(z)
        step = (p[2] - p[0]) + (p[3] - p[1]) * unit
        residual = value - (p[0] + p[1] * unit) - step * rise
        jacobian = np.column_stack(
            [
                1 - rise,
                (1 - rise) * unit,
                rise,
                rise * unit,
                -step * bell / sigma,
                -step * bell * unit / sigma,
                -step * bell * z / sigma,
            ]
        )
        spread = 1.4826 * float(np.median(np.abs(residual))) + 0.3
        weight = np.minimum(1.0, 2.0 * spread / np.maximum(np.abs(residual), 1e-9))
        normal = jacobian.T @ (jacobian * weight[:, None])
        normal[np.diag_indices(7)] *= 1.0 + 1e-6
        normal[np.diag_indices(7)] += 1e-9
        change = np.linalg.solve(normal, jacobian.T @ (weight * residual))
        change[6] = np.clip(change[6], -0.5 * sigma, 0.5 * sigma)
        change[4:6] = np.clip(change[4:6], -reach / 2, reach / 2)
        p = p + change
        p[6] = np.clip(p[6], 0.2, 3 * reach)
        if np.abs(change[4:]).max() < 2e-3:
            break
    return p if np.all(np.isfinite(p)) else None
