"""A smeared step from dark to bright along a line, fitted through scattered pixels.

The model is grey = dark(u) + step(u) * Phi((t - c(u)) / blur), u along the line in -1..1, t across it in px;
dark, step and c are straight in u.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.geometry.normal_distribution import normal_cdf, normal_pdf

LEAST_STEP = 3.0
NARROWING, NARROWEST_SEARCH_PX = 0.62, 1.0  # the search's blur falls by this a round, down to this
ROUNDS, TRIES = 14, 6
FIRM, FIRMER, LOOSER = 1e-6, 10.0, 0.1
FORGIVEN_SDS = 2.0
LEAST_SD = 0.3

Floats = NDArray[np.float64]


def search_step(unit: Floats, t: Floats, value: Floats, blur_px: float, reach_px: float) -> Floats | None:
    """Find a step that may lie pixels off or aslant: begin as wide as `blur_px`, and narrow round by round.

    unit, t, value : shape (N,), place along and across the line and grey value; t within `reach_px` of 0
    Returns what `settle_step` begins with, None where nothing rises.
    """
    inner, outer = value[t < -0.4 * reach_px], value[t > 0.4 * reach_px]
    if inner.size < 8 or outer.size < 8:
        return None
    p = np.array([np.median(inner), 0.0, np.median(outer), 0.0, 0.0, 0.0, blur_px])
    if p[2] - p[0] < LEAST_STEP:
        return None
    while p[6] > NARROWEST_SEARCH_PX:
        jacobian, residual = _slopes(p, unit, t)[:, :6], left_over(p, unit, t, value)
        change = _solved(jacobian, np.ones_like(residual), residual, FIRM)
        change[4:6] = np.clip(change[4:6], -reach_px / 2, reach_px / 2)
        p[:6] += change
        p[6] = max(NARROWING * p[6], NARROWEST_SEARCH_PX)
    return p if np.all(np.isfinite(p)) else None


def settle_step(
    p: Floats,
    unit: Floats,
    t: Floats,
    value: Floats,
    least_blur_px: float,
    reach_px: float,
    settled_px: float,
) -> Floats | None:
    """Fit a step that is roughly known: damped least squares (Levenberg, Marquardt), forgiving dirt (Huber).

    p : shape (7,), dark, its slope, bright, its slope, c0, c1, blur; returned in the same order, None when it
    runs away
    settled_px : a smaller change of place and blur ends the fit
    Undamped steps would bounce about a line that is sharper than the pixels.
    """
    firmness, half = FIRM, len(value) // 2
    residual = left_over(p, unit, t, value)
    for _ in range(ROUNDS):
        spread = 1.4826 * float(np.partition(np.abs(residual), half)[half]) + LEAST_SD
        weight = np.minimum(1.0, FORGIVEN_SDS * spread / np.maximum(np.abs(residual), 1e-9))
        cost = float(weight @ residual**2)
        jacobian = _slopes(p, unit, t)
        for _ in range(TRIES):
            change = _solved(jacobian, weight, residual, firmness)
            change[6] = np.clip(change[6], -0.5 * p[6], 0.5 * p[6])
            change[4:6] = np.clip(change[4:6], -reach_px / 2, reach_px / 2)
            new = p + change
            new[6] = np.clip(new[6], least_blur_px, 3 * reach_px)
            new_residual = left_over(new, unit, t, value)
            if float(weight @ new_residual**2) <= cost:
                break
            firmness = max(firmness, 1e-3) * FIRMER
        else:
            break
        moved = float(np.abs(new[4:] - p[4:]).max())
        p, residual, firmness = new, new_residual, firmness * LOOSER
        if moved < settled_px:
            break
    return p if np.all(np.isfinite(p)) else None


def left_over(p: Floats, unit: Floats, t: Floats, value: Floats) -> Floats:
    """Grey values less what a fitted step makes of them, shape (N,)."""
    dark, bright = p[0] + p[1] * unit, p[2] + p[3] * unit
    return value - dark - (bright - dark) * normal_cdf((t - p[4] - p[5] * unit) / p[6])


def slope_across(p: Floats, unit: Floats, t: Floats) -> Floats:
    """How the model's grey value changes when the line moves outwards, per pixel, shape (N,)."""
    step = (p[2] - p[0]) + (p[3] - p[1]) * unit
    return -step * normal_pdf((t - p[4] - p[5] * unit) / p[6]) / p[6]


def _slopes(p: Floats, unit: Floats, t: Floats) -> Floats:
    """d(model) / d(parameter), shape (N, 7)."""
    z = (t - p[4] - p[5] * unit) / p[6]
    rise, across = normal_cdf(z), slope_across(p, unit, t)
    fall = 1 - rise
    return np.column_stack([fall, fall * unit, rise, rise * unit, across, across * unit, across * z])


def _solved(jacobian: Floats, weight: Floats, residual: Floats, firmness: float) -> Floats:
    normal = jacobian.T @ (jacobian * weight[:, None])
    diagonal = np.diag_indices(len(normal))
    normal[diagonal] = normal[diagonal] * (1.0 + firmness) + 1e-9
    return np.asarray(np.linalg.solve(normal, jacobian.T @ (weight * residual)), np.float64)
