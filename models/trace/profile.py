"""How the background of a kind is spread across the ribbon: edges, middle, whatever is permanent."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

SMOOTH_CELLS = 4.0


def cross_profile(
    counts: np.ndarray, area_m2: np.ndarray, keep: np.ndarray | None = None, *, trim: float = 0.0
) -> np.ndarray:
    """Relative rate across the width, mean 1 over the inspected glass.

    counts, area_m2 : float arrays, shape (T, X)
    keep : bool array, shape (T, X), cells that belong to the background; None: all
    trim : share of the blocks of time dropped at either end, cell by cell (0 to 0.4), where episodes are not
        known yet

    A cell's own value is drawn towards its smooth surroundings as far as the counts cannot tell it from them
    (empirical Bayes, normal approximation).

    Returns float array, shape (X,), above 0.
    """
    c, e = _blocks(counts, area_m2, keep)
    if trim > 0 and c.shape[0] >= 5:
        rate = c.sum(axis=1) / np.maximum(e.sum(axis=1), 1e-9)
        expected = e * rate[:, None]
        share = np.where(e > 0, c / np.maximum(expected, 1e-9), np.nan)
        cut = int(trim * c.shape[0])
        order = np.argsort(np.where(np.isnan(share), np.inf, share), axis=0)[cut : c.shape[0] - cut]
        c_sum = np.take_along_axis(c, order, axis=0).sum(axis=0)
        e_sum = np.take_along_axis(expected, order, axis=0).sum(axis=0)
    else:
        rate = c.sum(axis=1) / np.maximum(e.sum(axis=1), 1e-9)
        c_sum, e_sum = c.sum(axis=0), (e * rate[:, None]).sum(axis=0)
    if c_sum.sum() <= 0:
        return np.ones(c_sum.size)
    scale = c_sum.sum() / max(e_sum.sum(), 1e-9)
    e_sum = np.maximum(e_sum * scale, 1e-9)
    smooth = _smooth(c_sum) / np.maximum(_smooth(e_sum), 1e-9)
    smooth = np.maximum(smooth, 0.05)
    fit = e_sum * smooth
    there = e_sum > 1e-6
    spread = ((c_sum - fit) ** 2 - fit)[there].sum() / np.maximum((fit**2)[there].sum(), 1e-9)
    own = max(spread, 0.0)
    weight = own * fit / (own * fit + 1.0)
    profile = smooth + weight * (c_sum / e_sum - smooth)
    return np.maximum(profile, 0.02)


def _smooth(values: np.ndarray) -> np.ndarray:
    return ndimage.gaussian_filter1d(values, SMOOTH_CELLS, mode="constant")


def _blocks(
    counts: np.ndarray, area_m2: np.ndarray, keep: np.ndarray | None, blocks: int = 14
) -> tuple[np.ndarray, np.ndarray]:
    rows = area_m2.shape[0]
    if keep is not None:
        counts, area_m2 = counts * keep, area_m2 * keep
    size = max(1, -(-rows // blocks))
    starts = np.arange(0, rows, size)
    return (
        np.add.reduceat(counts.astype(float), starts, axis=0),
        np.add.reduceat(area_m2, starts, axis=0),
    )
