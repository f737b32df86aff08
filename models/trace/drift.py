"""A background that wanders: Ornstein-Uhlenbeck drift plus noise, and what can still be told against it.

The deviation u(t) from the usual level is drift + noise, drift of standard deviation `sd` that forgets
itself over `memory` cells. Its inverse covariance on an even grid is tridiagonal (Rasmussen and Williams,
Gaussian Processes for Machine Learning, 2006, app. B; Rue and Held, Gaussian Markov Random Fields, 2005),
so all of this costs time proportional to the number of cells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cholesky_banded, solveh_banded


def precision_bands(n: int, sd: float, memory: float) -> np.ndarray:
    """Upper banded form, shape (2, n), of the drift's inverse covariance on n even cells."""
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


def _log_det(bands: np.ndarray) -> float:
    return 2.0 * float(np.log(cholesky_banded(bands)[-1]).sum())


def log_likelihood(u: np.ndarray, noise_var: np.ndarray, sd: float, memory: float) -> float:
    """Log density of u, shape (T,), under drift + noise of variance `noise_var` (inf: not seen)."""
    seen = np.isfinite(noise_var)
    weight = np.where(seen, 1.0 / np.where(seen, noise_var, 1.0), 0.0)
    prior = precision_bands(u.size, sd, memory)
    post = prior.copy()
    post[1] += weight
    wu = weight * np.where(seen, u, 0.0)
    quad = float((wu * np.where(seen, u, 0.0)).sum() - wu @ solveh_banded(post, wu))
    log_noise = float(np.log(np.where(seen, noise_var, 1.0)).sum())
    return -0.5 * (quad + log_noise + _log_det(post) - _log_det(prior) + seen.sum() * np.log(2 * np.pi))


def smooth(u: np.ndarray, noise_var: np.ndarray, sd: float, memory: float) -> np.ndarray:
    """Expected drift given u, shape (T,); cells of infinite noise are bridged."""
    weight = np.where(np.isfinite(noise_var), 1.0 / noise_var, 0.0)
    post = precision_bands(u.size, sd, memory)
    post[1] += weight
    return solveh_banded(post, weight * np.where(weight > 0, u, 0.0))


@dataclass(frozen=True)
class Wander:
    """Drift of one kind, and `rough`, the variance of its cells of 1 h beyond counting."""

    sd: float
    memory_h: float
    rough: float


def fit_wander(
    u: np.ndarray, count_var: np.ndarray, cell_h: float, *, centre_sd: float = 0.2, spread: float = 0.35
) -> Wander:
    """Most likely drift on a grid of values, held by a broad prior (log-normal around `centre_sd`).

    u : float array, shape (T,), deviation from the usual level; count_var : variance from counting alone
    """
    seen = np.isfinite(count_var)
    if seen.sum() < 24:
        return Wander(centre_sd, 30.0, 0.03)
    # episodes only add: the lower side of the values tells the scale, the upper side is cut back to it
    low = -float(np.quantile(u[seen], 0.1)) / 1.2816
    u = np.clip(u, -4.0 * max(low, 0.1), 2.0 * max(low, 0.1))
    grids = {
        "sd": (0.06, 0.1, 0.14, 0.18, 0.22, 0.27, 0.33, 0.4),
        "memory_h": (8.0, 16.0, 26.0, 40.0),
        "rough": (0.0, 0.01, 0.025, 0.06, 0.14),
    }

    def score(w: Wander) -> float:
        value = log_likelihood(u, count_var + w.rough / cell_h, w.sd, w.memory_h / cell_h)
        value -= 0.5 * (np.log(w.sd / centre_sd) / spread) ** 2
        return float(value - 0.5 * (np.log(w.memory_h / 26.0) / 0.6) ** 2)

    # one figure at a time, twice round: the surface is smooth and has one top
    best = Wander(0.18, 26.0, 0.025)
    for _ in range(2):
        for name, values in grids.items():
            best = max((replace(best, **{name: v}) for v in values), key=score)
    return best
