"""Courses that an excess can take in time: step, ramps, and what a vessel makes of a step.

A source on a grid of S instants starts at instant i and ends at instant j. Its course at the T cells is
built from two families of columns: H (0 before an instant, 1 after) and L (the integral of H: time since
the instant); vessels have one family, F (share of the glass made after the instant).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FAMILIES = ("step", "ramp", "ramp_hold", "fall", "peak")
FAMILY_PRIOR = {"step": 0.5, "ramp": 0.2, "ramp_hold": 0.1, "fall": 0.1, "peak": 0.1}


@dataclass(frozen=True)
class Pairs:
    """Start and end instants, arrays of shape (P,): i < j."""

    i: np.ndarray
    j: np.ndarray

    @classmethod
    def of(cls, instants: int, shortest: int = 1, longest: int | None = None) -> Pairs:
        i, j = np.triu_indices(instants, shortest)
        if longest is not None:
            keep = j - i <= longest
            i, j = i[keep], j[keep]
        return cls(i, j)


def step_columns(cells: np.ndarray, instants: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """(H, L), each of shape (T, S), averaged over cells of `width` that start at `cells`.

    Times in any one unit; L is in that unit.
    """
    lo = cells[:, None] - instants[None, :]
    hi = lo + width
    up_lo, up_hi = np.maximum(lo, 0.0), np.maximum(hi, 0.0)
    return (up_hi - up_lo) / width, 0.5 * (up_hi**2 - up_lo**2) / width


def combination(family: str, pairs: Pairs, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Columns and factors of one family over [H, L]: (index, shape (P, 4); factor, shape (P, 4)).

    Indices below S are H's, the others L's (S added by the caller's stacking: index + S is encoded by
    a negative number, -1 - index). `step` is the time between two instants.
    """
    i, j = pairs.i, pairs.j
    zero = np.zeros(i.size)
    one = np.ones(i.size)
    length = (j - i) * step
    if family == "step":
        return _pack((i, j, i, i), (one, -one, zero, zero))
    if family == "ramp":
        return _pack((-1 - i, -1 - j, j, j), (1 / length, -1 / length, -one, zero))
    if family == "fall":
        return _pack((i, -1 - i, -1 - j, i), (one, -1 / length, 1 / length, zero))
    middle = i + np.maximum((j - i) // 2, 1)
    first = (middle - i) * step
    if family == "ramp_hold":
        return _pack((-1 - i, -1 - middle, j, j), (1 / first, -1 / first, -one, zero))
    if family == "peak":
        second = np.maximum(j - middle, 1) * step
        last = np.where(middle == j, zero, 1 / second)
        drop = np.where(middle == j, one, zero)
        return _pack((-1 - i, -1 - middle, -1 - j, j), (1 / first, -1 / first - last, last, -drop))
    raise ValueError(f"family {family!r} is not one of {FAMILIES}")


def _pack(index: tuple[np.ndarray, ...], factor: tuple[np.ndarray, ...]) -> tuple[np.ndarray, np.ndarray]:
    return np.stack(index, axis=1), np.stack(factor, axis=1)


def courses(family: str, pairs: Pairs, h: np.ndarray, l: np.ndarray, step: float) -> np.ndarray:
    """Course of every pair, shape (P, T), height 1."""
    index, factor = combination(family, pairs, step)
    out = np.zeros((pairs.i.size, h.shape[0]))
    for c in range(index.shape[1]):
        at = index[:, c]
        column = np.where((at >= 0)[:, None], h.T[np.maximum(at, 0)], l.T[np.maximum(-1 - at, 0)])
        out += factor[:, c, None] * column
    return np.maximum(out, 0.0)


def gls_scores(
    family: str, pairs: Pairs, gram: np.ndarray, pull: np.ndarray, instants: int, step: float
) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood gain and height of every pair by generalised least squares.

    gram : B' V B, shape (2S, 2S), of the stacked columns B = [H, L] and inverse covariance V
    pull : B' V u, shape (2S,)

    Returns (gain, height), shape (P,): gain is 0 where the best height is not above 0.
    """
    index, factor = combination(family, pairs, step)
    at = np.where(index >= 0, index, instants - 1 - index)
    num = (factor * pull[at]).sum(axis=1)
    den = np.zeros(pairs.i.size)
    for a in range(4):
        for b in range(4):
            den += factor[:, a] * factor[:, b] * gram[at[:, a], at[:, b]]
    good = den > 1e-9
    height = np.where(good, num / np.where(good, den, 1.0), 0.0)
    return 0.5 * np.where(height > 0, height * num, 0.0), np.maximum(height, 0.0)
