"""From reference tags to a frame: homography and lens distortion fitted together, with what they are worth.

The lens is unknown. Four tags of known size bend a little differently at different distances from the
middle of the photo, and that is enough: the sides' points are matched to the sides' lines on the sheet by
least squares over the homography (8), k1 and k2 (held near 0) and one common shift of all edges (a camera's
tone curve moves every dark-to-light edge the same way).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frames import Frame, straightened
from vision.geometry.tags import SeenTag
from vision.photo.setup_file import Corners

Floats = NDArray[np.float64]

FEWEST_TAGS = 3
K1_PRIOR, K2_PRIOR = 0.1, 0.006
EDGE_SHIFT_PRIOR_PX = 0.3
EDGE_NOISE_PX = 0.01
PRIOR_SD = np.array([K1_PRIOR, K2_PRIOR, EDGE_SHIFT_PRIOR_PX])
NEIGHBOURS_ALIKE = 2.0  # points of one side err together: their noise counts this much more
LARGEST_MISFIT_PX = 0.4
SUSPICIOUS_MISFIT_PX = 0.08
SETTLES_IT = 0.4
LARGEST_EDGE_SHIFT_PX = 2.0


@dataclass(frozen=True, slots=True)
class FrameFit:
    """A fitted frame and its quality.

    residual_px, residual_mm : root mean square distance of the sides' points from where they should be
    of_tag_px : the same for each tag used, by number
    parameters, covariance : 8 of the homography to sheet places brought to about 1, k1, k2, edge shift
    """

    frame: Frame
    residual_px: float
    residual_mm: float
    of_tag_px: dict[int, float]
    used: tuple[int, ...]
    edge_shift_px: float
    covariance: Floats
    parameters: Floats

    @property
    def trusted(self) -> bool:
        """Whether the tags lie where the set-up says, and are as large as it says."""
        return self.residual_px <= LARGEST_MISFIT_PX and abs(self.edge_shift_px) <= LARGEST_EDGE_SHIFT_PX

    def relative_sd_at(self, points_px: Floats) -> Floats:
        """Standard uncertainty of the local scale at each point, as a fraction of it; shape (N,)."""
        fitted = _frame(self.parameters, self.frame.centre_px, self.frame.norm_px)
        base = np.log(fitted.mm_per_px_at(points_px))
        columns = []
        for i in range(10):
            step = math.sqrt(max(self.covariance[i, i], 0.0)) * 1e-2 + 1e-12
            moved = self.parameters.copy()
            moved[i] += step
            frame = _frame(moved, self.frame.centre_px, self.frame.norm_px)
            columns.append((np.log(frame.mm_per_px_at(points_px)) - base) / step)
        jacobian = np.column_stack(columns)
        variance = np.einsum("ni,ij,nj->n", jacobian, self.covariance[:10, :10], jacobian)
        result: Floats = np.sqrt(np.maximum(variance, 0.0))
        return result


def fit_frame(
    seen: list[SeenTag], setup_tags: dict[int, Corners], width_px: int, height_px: int
) -> tuple[FrameFit | None, int | None]:
    """Fit the frame to the tags, leaving out one tag that does not fit the others if that settles it.

    Returns the fit (None with fewer than three usable tags) and the number of the tag that was left out.
    Whether the fit may be trusted is for the caller to ask.
    """
    usable = [
        tag for tag in seen if tag.number in setup_tags and sum(side is not None for side in tag.sides) >= 3
    ]
    if len(usable) < FEWEST_TAGS:
        return None, None
    fit = _fit(usable, setup_tags, width_px, height_px)
    if (fit.trusted and fit.residual_px < SUSPICIOUS_MISFIT_PX) or len(usable) == FEWEST_TAGS:
        return fit, None
    without = {
        tag.number: _fit([other for other in usable if other is not tag], setup_tags, width_px, height_px)
        for tag in usable
    }
    best = min(without, key=lambda number: without[number].residual_px)
    rest = [candidate.residual_px for number, candidate in without.items() if number != best]
    alone = without[best].residual_px < SETTLES_IT * min(*rest, fit.residual_px)
    if without[best].trusted and alone:
        return without[best], best
    return fit, None


def _fit(tags: list[SeenTag], setup_tags: dict[int, Corners], width_px: int, height_px: int) -> FrameFit:
    """Levenberg-Marquardt from the plain homography of the
    corners; sheet places are brought to about 1 first."""
    centre, norm = (width_px / 2.0, height_px / 2.0), math.hypot(width_px, height_px) / 2.0
    points, line_a, line_b, owner = _side_points(tags, setup_tags)
    middle, span = line_a.mean(axis=0), float(np.ptp(line_a, axis=0).max())
    line_a, line_b = (line_a - middle) / span, (line_b - middle) / span
    corners_px = np.concatenate([tag.corners_px for tag in tags])
    corners_mm = np.concatenate([np.asarray(setup_tags[tag.number], np.float64) for tag in tags])
    start, _ = cv2.findHomography((corners_px - np.asarray(centre)) / norm, (corners_mm - middle) / span, 0)
    if start is None:
        start = np.eye(3)
    p = np.concatenate([np.asarray(start, np.float64).ravel()[:8] / start[2, 2], [0.0, 0.0, 0.0]])
    sides = line_b - line_a
    normals = np.column_stack([sides[:, 1], -sides[:, 0]]) / np.linalg.norm(sides, axis=1, keepdims=True)

    def misfit(q: Floats, scale: Floats, noise_px: float) -> tuple[Floats, Floats]:
        places, slopes = _places_and_slopes(q, (points - np.asarray(centre)) / norm)
        outwards = np.sum((places - line_a) * normals, axis=1)
        value = np.concatenate([outwards / scale - q[10], q[8:] * noise_px / PRIOR_SD])
        jacobian = np.zeros((value.size, q.size))
        jacobian[: len(points), :10] = np.einsum("nij,ni->nj", slopes, normals / scale[:, None])
        jacobian[: len(points), 10] = -1.0
        jacobian[len(points) :, 8:] = np.diag(noise_px / PRIOR_SD)
        return value, jacobian

    noise_px = 0.05
    for _ in range(2):  # again with the scale where the points lie and the noise that they show
        scale = _frame(p, centre, norm).mm_per_px_at(points)
        p, value, normal = _least_squares(partial(misfit, scale=scale, noise_px=noise_px), p)
        rms = float(np.sqrt(np.mean(value[: len(points)] ** 2)))
        noise_px = NEIGHBOURS_ALIKE * max(rms, EDGE_NOISE_PX)
    distance = value[: len(points)]
    covariance = np.asarray(np.linalg.pinv(normal) * noise_px**2, np.float64)
    to_sheet = np.array([[span, 0, middle[0]], [0, span, middle[1]], [0, 0, 1]])
    fitted = _frame(p, centre, norm)
    h = to_sheet @ np.asarray(fitted.homography).reshape(3, 3)
    frame = Frame(tuple(float(v) for v in (h / h[2, 2]).ravel()), centre, norm, fitted.k1, fitted.k2)
    median_scale = float(np.median(frame.mm_per_px_at(points)))
    of_tag = {tag.number: float(np.sqrt(np.mean(distance[owner == tag.number] ** 2))) for tag in tags}
    used = tuple(tag.number for tag in tags)
    return FrameFit(frame, rms, rms * median_scale, of_tag, used, float(p[10]), covariance, p)


def _least_squares(
    misfit: Callable[[Floats], tuple[Floats, Floats]], start: Floats
) -> tuple[Floats, Floats, Floats]:
    """Smallest sum of squares of what `misfit` gives beside its slopes (residuals x parameters): parameters,
    residuals there, and the normal matrix.
    """
    p, damping = start, 1e-8
    value, jacobian = misfit(start)
    normal = np.eye(len(p))
    for _ in range(20):
        normal = jacobian.T @ jacobian
        damped = normal + damping * np.diag(np.diag(normal) + 1e-12)
        change = -np.linalg.solve(damped, jacobian.T @ value)
        tried, slopes = misfit(p + change)
        before, after = float(value @ value), float(tried @ tried)
        if not after <= before:
            damping = max(damping, 1e-7) * 100.0
            if damping > 1e4:
                break
            continue
        p, value, jacobian, damping = p + change, tried, slopes, damping * 0.1
        if before - after < 1e-4 * before:
            break
    return p, value, normal


def _places_and_slopes(q: Floats, bent: Floats) -> tuple[Floats, Floats]:
    """Sheet places (N, 2) of photo places brought to about 1, and their slopes (N, 2, 10) over the homography
    and k1, k2.

    The straightened radius r solves r (1 + k1 r2 + k2 r4) = bent radius; its slopes over k1 and k2 follow
    from differentiating that.
    """
    u = straightened(bent, float(q[8]), float(q[9]))
    h = np.append(q[:8], 1.0).reshape(3, 3)
    xyw = u @ h[:, :2].T + h[:, 2]
    w = xyw[:, 2:]
    places = xyw[:, :2] / w
    flat = np.column_stack([u, np.ones(len(u))]) / w
    slopes = np.zeros((len(u), 2, 10))
    slopes[:, 0, :3] = slopes[:, 1, 3:6] = flat
    slopes[:, :, 6:8] = -places[:, :, None] * flat[:, None, :2]
    over_u = (h[:2, :2] - places[:, :, None] * h[2, :2]) / w[:, :, None]
    r2 = np.sum(u * u, axis=1, keepdims=True)
    shrink = -r2 / np.maximum(1.0 + r2 * (3 * q[8] + 5 * q[9] * r2), 0.2)
    slopes[:, :, 8] = np.einsum("nij,nj->ni", over_u, u * shrink)
    slopes[:, :, 9] = np.einsum("nij,nj->ni", over_u, u * shrink * r2)
    return places, slopes


def _side_points(
    tags: list[SeenTag], setup_tags: dict[int, Corners]
) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
    """All fitted points with the two ends (sheet mm) of the side that each lies on, and its tag."""
    points, line_a, line_b, owner = [], [], [], []
    for tag in tags:
        corners = np.asarray(setup_tags[tag.number], np.float64)
        for i, side in enumerate(tag.sides):
            if side is None:
                continue
            points.append(side.points_px)
            line_a.append(np.tile(corners[i], (len(side.points_px), 1)))
            line_b.append(np.tile(corners[(i + 1) % 4], (len(side.points_px), 1)))
            owner.append(np.full(len(side.points_px), tag.number))
    return np.concatenate(points), np.concatenate(line_a), np.concatenate(line_b), np.concatenate(owner)


def _frame(parameters: Floats, centre: tuple[float, float], norm: float) -> Frame:
    homography = (*(float(v) for v in parameters[:8]), 1.0)
    return Frame(homography, centre, norm, float(parameters[8]), float(parameters[9]))
