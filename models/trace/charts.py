"""Control charts of defect rates, with limits that follow the glass inspected.

u chart: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1. EWMA: the same, 6.3.2.4, with each point's
own standard error where the inspected glass varies. A point signals when it lies beyond its limit; a point on
the limit does not. Sums of counts (CUSUM) stand in `sums`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from models.errors import BadValue


@dataclass(frozen=True)
class Chart:
    """What is plotted, its limits, where it lies beyond them, shape (N,) each. NaN: nothing inspected."""

    centre: float
    value: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    beyond: np.ndarray


def checked(counts: np.ndarray, exposure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Counts and exposures as float arrays of one shape. Raises BadValue."""
    c, e = np.asarray(counts, dtype=float), np.asarray(exposure, dtype=float)
    if c.shape != e.shape or c.ndim != 1:
        raise BadValue(f"Chart: {c.size} counts and {e.size} exposures; expected as many of either.")
    if (c < 0).any() or (e < 0).any():
        raise BadValue("Chart: expected counts and exposures of 0 or more.")
    return c, e


def u_chart(
    counts: np.ndarray,
    exposure: np.ndarray,
    *,
    width: float = 3.0,
    centre: float | None = None,
    dispersion: float = 1.0,
) -> Chart:
    """Rates with limits centre +- width x sqrt(dispersion x centre / exposure), the lower one cut at 0.

    centre : usual rate; None: all counts over all exposure
    dispersion : variance of the counts over that of chance (see `overdispersion`), 1 for the plain chart

    Raises BadValue where arrays do not match or hold negative values.
    """
    c, e = checked(counts, exposure)
    seen = e > 0
    if centre is None:
        centre = float(c[seen].sum() / e[seen].sum()) if seen.any() else 0.0
    safe = np.where(seen, e, 1.0)
    half = width * np.sqrt(dispersion * centre / safe)
    value = np.where(seen, c / safe, np.nan)
    upper = np.where(seen, centre + half, np.nan)
    lower = np.where(seen, np.maximum(centre - half, 0.0), np.nan)
    return Chart(centre, value, upper, lower, _beyond(value, upper, lower))


def _beyond(value: np.ndarray, upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
    """Beyond by more than rounding: 28 on a limit of 28 is not beyond."""
    slack = 1e-9 * np.maximum(np.abs(value), 1.0)
    with np.errstate(invalid="ignore"):
        return (value > upper + slack) | (value < lower - slack)


def overdispersion(*series: tuple[np.ndarray, np.ndarray]) -> tuple[float, float]:
    """(variance over that of chance, p): Pearson's chi-squared over its degrees of freedom and its tail.

    series : (counts, exposure) each, every one about its own mean; (1, 1) where nothing can be told
    """
    value, freedom = 0.0, 0
    for counts, exposure in series:
        c, e = checked(counts, exposure)
        c, e = c[e > 0], e[e > 0]
        if c.size >= 2 and c.sum() > 0:
            mean = c.sum() / e.sum() * e
            value += float(((c - mean) ** 2 / mean).sum())
            freedom += c.size - 1
    if freedom == 0:
        return 1.0, 1.0
    return value / freedom, float(chi2.sf(value, freedom))


def ewma_chart(
    counts: np.ndarray,
    exposure: np.ndarray,
    *,
    weight: float = 0.2,
    width: float = 2.7,
    centre: float | None = None,
    dispersion: float = 1.0,
) -> Chart:
    """Exponentially weighted moving average of rates, limits from each point's own variance.

    A point without inspected glass leaves the average as it is. `weight` of the newest point, in (0, 1].
    """
    c, e = checked(counts, exposure)
    seen = e > 0
    if centre is None:
        centre = float(c[seen].sum() / e[seen].sum()) if seen.any() else 0.0
    rate = np.where(seen, c / np.where(seen, e, 1.0), np.nan)
    variance = np.where(seen, dispersion * centre / np.where(seen, e, 1.0), np.nan)
    return ewma(rate, variance, centre, weight=weight, width=width)


def ewma(values: np.ndarray, variance: np.ndarray, centre: float, *, weight: float, width: float) -> Chart:
    """EWMA of values of known variance, from `centre` on; NaN values are passed over."""
    if not 0 < weight <= 1:
        raise BadValue(f"EWMA weight is {weight}; expected above 0 and at most 1.")
    n = len(values)
    z, half = np.full(n, np.nan), np.full(n, np.nan)
    now, spread = centre, 0.0
    for i, (x, v) in enumerate(zip(values, variance, strict=True)):
        if np.isnan(x):
            continue
        now = weight * x + (1 - weight) * now
        spread = weight**2 * v + (1 - weight) ** 2 * spread
        z[i], half[i] = now, width * np.sqrt(spread)
    upper, lower = centre + half, centre - half
    return Chart(centre, z, upper, lower, _beyond(z, upper, lower))
