"""Which part of the width an excess takes: a mixture of the usual profile and an even band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import xlogy

SHARES = np.linspace(0.02, 0.96, 24)
FULL = 0.86  # a band of more than this share of the width counts as the whole of it
CLEARLY = 6.0  # log likelihood by which a band must beat the whole width


@dataclass(frozen=True)
class Band:
    """Cells [lo, hi) that hold the excess, its share of all defects there, the gain over the whole width.

    even : a wide excess is spread evenly, and not like the usual profile
    """

    lo: int
    hi: int
    share: float
    gain: float
    wide: bool
    even: bool = True


def place_band(counts: np.ndarray, usual: np.ndarray, area: np.ndarray, *, coarse: int = 4) -> Band:
    """Most likely band of an excess.

    counts, usual, area : float arrays, shape (X,), defects, expected share without the excess (any scale)
        and inspected glass, all over the hours of the excess
    coarse : cells per step of the first search; ends are then moved cell by cell
    """
    there = area > 0
    if counts.sum() < 3 or there.sum() < 2:
        return Band(0, counts.size, 0.0, 0.0, wide=True)
    g = usual / max(usual.sum(), 1e-12)
    first, last = int(np.argmax(there)), int(there.size - np.argmax(there[::-1]))
    edges = np.unique(np.append(np.arange(first, last, coarse), last))
    lo, hi = np.triu_indices(edges.size, 1)
    gains, _ = _gains(counts, g, area, edges[lo], edges[hi])
    best = int(np.argmax(gains))
    a, b = int(edges[lo[best]]), int(edges[hi[best]])
    near = np.arange(-coarse, coarse + 1)
    los, his = (v.ravel() for v in np.meshgrid(a + near, b + near))
    ok = (los >= first) & (his <= last) & (his > los)
    fine, fine_shares = _gains(counts, g, area, los[ok], his[ok])
    top = int(np.argmax(fine))
    a, b = int(los[ok][top]), int(his[ok][top])
    whole, whole_share = _gains(counts, g, area, np.array([first]), np.array([last]))
    gain = float(fine[top] - max(whole[0], 0.0))
    # two ends are chosen: they must earn it
    if gain < CLEARLY or (b - a) > FULL * (last - first):
        return Band(first, last, float(whole_share[0]), gain, wide=True, even=bool(whole[0] > 2.0))
    return Band(a, b, float(fine_shares[top]), gain, wide=False)


def _gains(
    counts: np.ndarray, g: np.ndarray, area: np.ndarray, lo: np.ndarray, hi: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Gain over no excess at all, and the share that gives it, for every band: shape (B,) each."""
    glass = np.concatenate([[0.0], np.cumsum(area)])
    load = np.maximum(glass[hi] - glass[lo], 1e-9)
    busy = np.flatnonzero(counts > 0)
    c, gb, ab = counts[busy], np.maximum(g[busy], 1e-9), area[busy]
    inside = (busy[None, :] >= lo[:, None]) & (busy[None, :] < hi[:, None])
    even = np.where(inside, ab[None, :] / load[:, None], 0.0)
    ratio = even / gb[None, :] - 1.0
    best, share = np.zeros(lo.size), np.zeros(lo.size)
    for s in SHARES:
        value = xlogy(c[None, :], 1.0 + s * ratio).sum(axis=1)
        better = value > best
        best, share = np.where(better, value, best), np.where(better, s, share)
    return best, share


def sharpen_edges(
    x_mm: np.ndarray, lo_mm: float, hi_mm: float, background_per_mm: float, step_mm: float = 5.0
) -> tuple[float, float]:
    """Ends of a narrow band, from the defects' own places.

    x_mm : places of the defects of its hours, within a margin of the band; background_per_mm : what lies
    there without the band. Kulldorff's Poisson likelihood ratio over all pairs of ends `step_mm` apart.
    """
    margin = max(40.0, 0.6 * (hi_mm - lo_mm))
    edges = np.arange(lo_mm - margin, hi_mm + margin + step_mm, step_mm)
    count = np.concatenate([[0], np.cumsum(np.histogram(x_mm, edges)[0])]).astype(float)
    i, j = np.triu_indices(edges.size, 2)
    c = count[j] - count[i]
    e = np.maximum(background_per_mm * (edges[j] - edges[i]), 1e-9)
    value = np.where(c > e, xlogy(c, np.maximum(c, 1e-9) / e) - (c - e), 0.0)
    # outside the band the background alone: narrow bands need not be even, so few strays are let go
    top = int(np.argmax(value))
    a, b = float(edges[i[top]]), float(edges[j[top]])
    inside = np.sort(x_mm[(x_mm >= a) & (x_mm <= b)])
    if inside.size >= 3:
        a, b = max(a, float(inside[0]) - 1.0), min(b, float(inside[-1]) + 1.0)
    return a, b
