"""Crews and shifts see differently: when shifts change, and how sharp each one was.

A sharper crew finds more of every kind at once; a change of the glass shows in one kind. So a shift's
sharpness is what all kinds have in common, shift by shift, after each kind's own slow drift
is taken out. When one kind is looked at, the sharpness comes from the other kinds alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from models.trace.drift import precision_bands

HALF_HOUR_S = 1800.0
LENGTHS_H = (8.0, 12.0, 6.0)
#: part of the fullest shift; one of which less was looked at, as far as is estimated, tells nothing of its
#: crew, since perhaps nobody looked at all
LEAST_OF_SHIFT = 0.25
PRIOR_SD = 0.45  # of the logarithm of a shift's sharpness


@dataclass(frozen=True)
class Shifts:
    """
    edges_s : float array, shape (J + 1,), changes of shift
    length_h, first_h : length of a shift and hour of the UTC day at which one begins
    evidence : mean squared jump at the edges over its variance, less 1 (0: no jumps at all)
    found : whether the data show shifts of this pattern
    """

    edges_s: np.ndarray
    length_h: float
    first_h: float
    evidence: float
    found: bool

    def shift_of(self, time_s: np.ndarray) -> np.ndarray:
        return np.clip(np.searchsorted(self.edges_s, time_s, side="right") - 1, 0, self.edges_s.size - 2)


def find_shifts(
    time_s: np.ndarray, counts: np.ndarray, expected: np.ndarray, *, least: float = 0.0
) -> Shifts:
    """The pattern of shift changes that explains jumps common to all kinds.

    time_s : start of half-hour cells, shape (T,); counts, expected : of all kinds together, shape (T,)
    least : hours with less than this part of the most that was expected of any are not compared
    """
    reach = 5
    c, e = (np.concatenate([[0.0], np.cumsum(v)]) for v in (counts, expected))
    at = np.arange(reach, time_s.size - reach + 1)
    after_c, before_c = c[at + reach - 1] - c[at], c[at] - c[at - reach + 1]
    after_e, before_e = e[at + reach - 1] - e[at], e[at] - e[at - reach + 1]
    few = least * float(np.maximum(after_e, before_e).max(initial=0.0))
    usable = (after_e > few) & (before_e > few) & (after_c + before_c > 6)
    jump = np.log((after_c + 0.5) / np.maximum(after_e, 1e-9)) - np.log(
        (before_c + 0.5) / np.maximum(before_e, 1e-9)
    )
    var = 1.0 / (after_c + 0.5) + 1.0 / (before_c + 0.5) + 0.02
    score = np.where(usable, np.minimum(jump**2 / var, 16.0) - 1.0, np.nan)
    phase = np.round(time_s[np.minimum(at, time_s.size - 1)] / HALF_HOUR_S).astype(int) % 48
    by_phase = np.array([
        np.nanmean(score[phase == p]) if np.isfinite(score[phase == p]).any() else -1.0 for p in range(48)
    ])  # fmt: skip
    best = (-np.inf, 8.0, 5.0)
    for length in LENGTHS_H:
        step = int(length * 2)
        for first in range(step):
            marks = by_phase[first::step]
            others = np.delete(by_phase, np.arange(first, 48, step))
            gain = (marks.mean() - np.median(others)) * np.sqrt(marks.size)
            if gain > best[0] + 1e-9:
                best = (gain, length, first / 2.0)
    gain, length, first_h = best
    step = int(length * 2)
    evidence = float(by_phase[int(first_h * 2) :: step].mean())
    day0 = np.floor(time_s[0] / 86400.0) * 86400.0 - 86400.0 + first_h * 3600.0
    edges = np.arange(day0, time_s[-1] + 2 * length * 3600.0, length * 3600.0)
    return Shifts(edges, length, first_h, evidence, bool(gain > 0.8 and evidence > 0.3))


def sharpness(
    counts: np.ndarray,
    expected: np.ndarray,
    use: np.ndarray,
    *,
    length_h: float,
    drift_sd: float = 0.25,
    least: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Log sharpness of each shift from the kinds marked in `use`, and its variance.

    counts, expected : float arrays, shape (K, J), by kind and shift (expected at a level rate)
    use : bool array, shape (K,)
    least : shifts with less than this part of the most that was expected of any say nothing

    The most likely sharpness and drifts together (a banded linear system), with Student weights against
    episodes. Only differences between shifts count: the mean is set to 0.
    """
    c, e = counts[use], expected[use]
    kinds, shifts = c.shape
    if kinds == 0:
        return np.zeros(shifts), np.full(shifts, PRIOR_SD**2)
    seen = e > least * e.max(axis=1, keepdims=True)
    rate = np.array(
        [np.median((c[k] / np.maximum(e[k], 1e-9))[seen[k]]) if seen[k].any() else 1.0 for k in range(kinds)]
    )
    rate = np.maximum(rate, 1e-9)
    y = np.where(seen, np.log((c + 0.5) / np.maximum(e * rate[:, None] + 0.5, 1e-9)), 0.0)
    var = np.where(seen, 1.0 / (c + 1.0) + 0.01, np.inf)
    weight = np.where(seen, 1.0 / var, 0.0)
    prior = precision_bands(shifts, drift_sd, 36.0 / length_h)
    robust = np.ones_like(weight)
    s = np.zeros(shifts)
    for _ in range(6):
        s, drift = _joint(y, weight * robust, prior)
        left = (y - s - drift) ** 2 / np.where(seen, var + 0.01, 1.0)
        robust = 5.0 / (4.0 + left)
    s = s - np.average(s, weights=np.maximum(weight.sum(axis=0), 1e-9))
    # the drifts of few kinds cannot be told from the sharpness: that part of the variance stays
    spare = drift_sd**2 * 0.35 / kinds
    return s, 1.0 / (1.0 / (1.0 / np.maximum((weight * robust).sum(axis=0), 1e-9) + spare) + 1 / PRIOR_SD**2)


def _joint(y: np.ndarray, weight: np.ndarray, prior: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mode of (sharpness, drifts): unknowns interleaved shift by shift, bandwidth K + 1."""
    kinds, shifts = y.shape
    block = kinds + 1
    bands = np.zeros((block + 1, shifts * block))
    right = np.zeros(shifts * block)
    own = np.arange(shifts) * block
    bands[block, own] = weight.sum(axis=0) + 1 / PRIOR_SD**2
    right[own] = (weight * y).sum(axis=0)
    for k in range(kinds):
        at = own + 1 + k
        bands[block, at] = weight[k] + prior[1]
        bands[block - 1 - k, at] = weight[k]
        bands[0, at[1:]] = prior[0, 1:]
        right[at] = weight[k] * y[k]
    solved = solveh_banded(bands, right).reshape(shifts, block)
    return solved[:, 0], solved[:, 1:].T
