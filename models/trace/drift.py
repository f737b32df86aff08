"""A background that wanders: drift and rough counts, and what can still be told against it.

The deviation u(t) from the usual level is drift + noise. The drift has standard deviation `sd`; it
forgets itself over `memory_h` (Ornstein-Uhlenbeck), and may swing with a period meanwhile (a damped cosine):
Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, ch. 4 and 5.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve

STEADY = float("inf")
PERIODS_H = (20.0, 24.0, 29.0, 35.0, 42.0, 52.0)
GRIDS: dict[str, tuple[float, ...]] = {
    "sd": (0.06, 0.1, 0.14, 0.18, 0.22, 0.27, 0.33, 0.4),
    "memory_h": (8.0, 16.0, 26.0, 40.0, 64.0),
}
LONG_MEMORY_H = (40.0, 90.0, 200.0)
SWING_COST = 3.0  # log likelihood that a swing must earn
ROUGH, MOST_ROUGH = 0.03, 0.3  # where too little is known, and at most
PIECE_CELLS = 180  # cells judged together: work grows with the length of the record, not with its cube


@dataclass(frozen=True)
class Wander:
    """Drift of one kind, and `rough`, the variance of its cells of 1 h beyond counting.

    period_h : of a swing in the drift; infinite: none
    """

    sd: float
    memory_h: float
    rough: float
    period_h: float = STEADY

    def kernel(self, lag_h: np.ndarray) -> np.ndarray:
        """Covariance of the drift at a distance in time."""
        value = self.sd**2 * np.exp(-lag_h / self.memory_h)
        return value if np.isinf(self.period_h) else value * np.cos(2 * np.pi * lag_h / self.period_h)


def precision_bands(n: int, sd: float, memory: float) -> np.ndarray:
    """Upper banded form, shape (2, n), of the inverse covariance of a steady drift on n even cells.

    `memory` in cells. Tridiagonal, because the next value hangs on the last one alone (Rue and Held, Gaussian
    Markov Random Fields, 2005).
    """
    a = np.exp(-1.0 / memory)
    scale = 1.0 / (sd * sd * (1 - a * a))
    bands = np.empty((2, n))
    bands[1] = scale * (1 + a * a)
    bands[1, 0] = bands[1, -1] = scale
    bands[0] = -scale * a
    bands[0, 0] = 0.0
    if n == 1:
        bands[1, 0] = 1.0 / (sd * sd)
    return bands


def _distances(cells: np.ndarray, cell_h: float) -> np.ndarray:
    return np.abs(cells[:, None] - cells[None, :]) * cell_h


@dataclass(frozen=True)
class Piece:
    """Some weeks of deviations. u, var : shape (T,); lag_h, shared : shape (T, T).

    var : from counting and roughness; shared : covariance of cells of one shift, whose sharpness is not known
    """

    u: np.ndarray
    var: np.ndarray
    lag_h: np.ndarray
    shared: np.ndarray

    def log_likelihood(self, wander: Wander) -> float:
        """Log density of u."""
        full = wander.kernel(self.lag_h) + self.shared
        full[np.diag_indices(self.u.size)] += self.var
        factor = cho_factor(full, lower=True, overwrite_a=True, check_finite=False)
        quad = float(self.u @ cho_solve(factor, self.u, check_finite=False))
        return -0.5 * (quad + 2.0 * float(np.log(np.diag(factor[0])).sum()) + self.u.size * np.log(2 * np.pi))


def roughness(u: np.ndarray, count_var: np.ndarray, shift: np.ndarray, cell_h: float) -> float:
    """Variance of cells of 1 h beyond counting, from neighbours of one shift (drift hardly differs there).

    The interquartile range of the differences, each over its own counting noise, tells it; onsets are few.
    """
    good = np.isfinite(count_var[1:]) & np.isfinite(count_var[:-1]) & (shift[1:] == shift[:-1])
    if good.sum() < 40:
        return ROUGH
    both = count_var[1:][good] + count_var[:-1][good]
    step = np.diff(u)[good]
    # weighed, since hours of little glass say little
    order = np.argsort(np.abs(step))
    weight = np.cumsum(1.0 / (both[order] + 0.02))
    half = float(np.abs(step)[order][np.searchsorted(weight, 0.5 * weight[-1])])
    usual = float(np.average(both, weights=1.0 / (both + 0.02)))
    return float(np.clip(0.5 * ((half / 0.6745) ** 2 - usual) * cell_h, 0.0, MOST_ROUGH))


def smooth(u: np.ndarray, noise_var: np.ndarray, wander: Wander, cell_h: float) -> np.ndarray:
    """Expected drift given u, shape (T,); cells of infinite variance are bridged."""
    cells = np.arange(u.size)
    seen = np.isfinite(noise_var)
    if not seen.any():
        return np.zeros(u.size)
    inner = wander.kernel(_distances(cells[seen], cell_h))
    inner[np.diag_indices(int(seen.sum()))] += noise_var[seen] + wander.rough / cell_h
    weight = cho_solve(cho_factor(inner, lower=True), u[seen])
    return wander.kernel(np.abs(cells[:, None] - cells[seen][None, :]) * cell_h) @ weight


def fit_wander(
    u: np.ndarray,
    var: np.ndarray,
    cell_h: float,
    *,
    shift: np.ndarray,
    shift_var: np.ndarray,
    rough: float,
    start: Wander | None = None,
    centre_sd: float = 0.22,
    spread: float = 0.3,
) -> Wander:
    """Most likely drift on a grid of values, held by a broad prior (log-normal around `centre_sd`).

    u : float array, shape (T,), deviation from the usual level; var : variance from counting alone,
        infinite for cells that do not count
    shift, shift_var : shape (T,), each cell's shift and the variance of what is not known of its sharpness
    rough : see `roughness`
    start : an earlier answer; its swing is kept and only the other figures are looked for anew
    """
    seen = np.flatnonzero(np.isfinite(var))
    if seen.size < 12:
        return start or Wander(centre_sd, 26.0, rough)
    # episodes only add: the lower side of the values tells the scale, the upper side is cut back to it
    low = -float(np.quantile(u[seen], 0.1)) / 1.2816
    u = np.clip(u, -4.0 * max(low, 0.1), 2.0 * max(low, 0.1))
    pieces = []
    for at in np.array_split(seen, max(1, round(seen.size / PIECE_CELLS))):
        same = shift[at][:, None] == shift[at][None, :]
        lag_h = np.abs(at[:, None] - at[None, :]) * cell_h
        pieces.append(Piece(u[at], var[at] + rough / cell_h, lag_h, same * shift_var[at][:, None]))

    def score(w: Wander) -> float:
        value = sum(p.log_likelihood(w) for p in pieces) - 0.5 * (np.log(w.sd / centre_sd) / spread) ** 2
        if np.isinf(w.period_h):
            return float(value - 0.5 * (np.log(w.memory_h / 26.0) / 0.6) ** 2)
        return float(value - SWING_COST)

    def improved(w: Wander, **grids: tuple[float, ...]) -> Wander:
        for name, values in grids.items():
            w = max((replace(w, **{name: v}) for v in values), key=score)
        return w

    if start is not None:
        memory = GRIDS["memory_h"] if np.isinf(start.period_h) else LONG_MEMORY_H
        return improved(replace(start, rough=rough), sd=GRIDS["sd"], memory_h=memory)
    # one figure at a time: the surface is smooth and has one top, but for the swing
    steady = improved(improved(Wander(0.18, 26.0, rough), **GRIDS), **GRIDS)
    swing = replace(steady, memory_h=90.0)
    swing = improved(swing, period_h=PERIODS_H, sd=GRIDS["sd"], memory_h=LONG_MEMORY_H)
    return max((steady, swing), key=score)
