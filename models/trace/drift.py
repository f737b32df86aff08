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
    "memory_h": (8.0, 16.0, 26.0, 40.0),
    "rough": (0.0, 0.01, 0.03, 0.1),
}
LONG_MEMORY_H = (40.0, 90.0, 200.0)
SWING_COST = 3.0  # log likelihood that a swing must earn


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


def log_likelihood(u: np.ndarray, var: np.ndarray, lag_h: np.ndarray, wander: Wander, cell_h: float) -> float:
    """Log density of u, shape (T,), with counting variance `var` and distances `lag_h`, shape (T, T)."""
    full = wander.kernel(lag_h)
    full[np.diag_indices(u.size)] += var + wander.rough / cell_h
    factor = cho_factor(full, lower=True, overwrite_a=True, check_finite=False)
    quad = float(u @ cho_solve(factor, u, check_finite=False))
    return -0.5 * (quad + 2.0 * float(np.log(np.diag(factor[0])).sum()) + u.size * np.log(2 * np.pi))


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
    count_var: np.ndarray,
    cell_h: float,
    *,
    start: Wander | None = None,
    centre_sd: float = 0.2,
    spread: float = 0.35,
) -> Wander:
    """Most likely drift on a grid of values, held by a broad prior (log-normal around `centre_sd`).

    u : float array, shape (T,), deviation from the usual level; count_var : variance from counting alone,
        infinite for cells that do not count
    start : an earlier answer; its swing is kept and only the other figures are looked for anew
    """
    seen = np.flatnonzero(np.isfinite(count_var))
    if seen.size < 12:
        return start or Wander(centre_sd, 26.0, 0.03)
    u, var = u[seen], count_var[seen]
    # episodes only add: the lower side of the values tells the scale, the upper side is cut back to it
    low = -float(np.quantile(u, 0.1)) / 1.2816
    u = np.clip(u, -4.0 * max(low, 0.1), 2.0 * max(low, 0.1))
    lag_h = _distances(seen, cell_h)

    def score(w: Wander) -> float:
        value = log_likelihood(u, var, lag_h, w, cell_h) - 0.5 * (np.log(w.sd / centre_sd) / spread) ** 2
        if np.isinf(w.period_h):
            return float(value - 0.5 * (np.log(w.memory_h / 26.0) / 0.6) ** 2)
        return float(value - SWING_COST)

    def improved(w: Wander, **grids: tuple[float, ...]) -> Wander:
        for name, values in grids.items():
            w = max((replace(w, **{name: v}) for v in values), key=score)
        return w

    if start is not None:
        memory = GRIDS["memory_h"] if np.isinf(start.period_h) else LONG_MEMORY_H
        return improved(start, sd=GRIDS["sd"], memory_h=memory, rough=GRIDS["rough"])
    # one figure at a time: the surface is smooth and has one top, but for the swing
    steady = improved(improved(Wander(0.18, 26.0, 0.03), **GRIDS), **GRIDS)
    swing = replace(steady, memory_h=90.0)
    swing = improved(swing, period_h=PERIODS_H, sd=GRIDS["sd"], memory_h=LONG_MEMORY_H, rough=GRIDS["rough"])
    return max((steady, swing), key=score)
