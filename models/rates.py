"""Counts over the area that was looked at: rates and their exact Poisson limits.

Pure: numbers in, numbers out. No session, no clock, no disk.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

__all__ = ["Rate", "enough_glass", "poisson_limits", "rate", "usual_rate", "usual_spread"]

#: A shift that looked at less than this part of a usual shift's glass says nothing of what is usual, nor is
#: it charted: a single defect on a pane or two would make a rate that hides all the others. Common practice,
#: no source.
LEAST_OF_USUAL = 0.05


@dataclass(frozen=True, slots=True)
class Rate:
    """Defects per square metre of glass that was looked at.

    count       : defects counted on that glass
    area_m2     : area that was looked at; 0 where nothing is known to have been
    per_m2      : count / area_m2, None where nothing is known to have been looked at
    low_per_m2, high_per_m2 : exact limits at the coverage asked for, None as above
    """

    count: int
    area_m2: float
    per_m2: float | None
    low_per_m2: float | None
    high_per_m2: float | None


def poisson_limits(count: int, coverage: float = 0.95) -> tuple[float, float]:
    """Exact two-sided limits for the mean behind a Poisson count.

    count    : events seen, >= 0
    coverage : probability between the limits, in (0, 1)

    The limits are quantiles of chi-squared: chi2(a/2; 2c)/2 and chi2(1-a/2; 2c+2)/2 with a = 1 - coverage
    (F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437-442).
    They are conservative: the true coverage is never below the one named.

    Raises
    ------
    ValueError
        if the count is negative or the coverage is not between 0 and 1.
    """
    if count < 0:
        msg = f"count: expected 0 or more events, got {count}"
        raise ValueError(msg)
    if not 0.0 < coverage < 1.0:
        msg = f"coverage: expected a probability between 0 and 1, got {coverage}"
        raise ValueError(msg)
    tail = (1.0 - coverage) / 2.0
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2.0
    high = float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0
    return low, high


def enough_glass(area_m2: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which shifts looked at enough glass to be compared: LEAST_OF_USUAL of the median. Shape (N,)."""
    seen = area_m2 > 0.0
    return area_m2 >= LEAST_OF_USUAL * np.median(area_m2[seen]) if seen.any() else seen


def usual_rate(counts: NDArray[np.float64], area_m2: NDArray[np.float64]) -> float | None:
    """The median of the rates, which an episode does not lift; the mean where most points counted nothing.

    counts, area_m2 : arrays, shape (N,); places without area are left out. None where there is no area.
    """
    seen = area_m2 > 0.0
    if not seen.any():
        return None
    middle = float(np.median(counts[seen] / area_m2[seen]))
    return middle if middle > 0.0 else float(counts[seen].sum() / area_m2[seen].sum())


def usual_spread(counts: NDArray[np.float64], area_m2: NDArray[np.float64]) -> float:
    """How many times the variance of chance alone the counts usually show; 1 where they show no more.

    counts, area_m2 : arrays, shape (N,); places without area are left out

    The median of the squared Poisson residuals against its value under chance (0.4549, the median of
    chi-squared with one degree of freedom), about the median rate: an episode in a fifth of the points
    does not widen it, as it would widen the mean (Pearson's) form.
    """
    seen = area_m2 > 0.0
    counts, area_m2 = counts[seen], area_m2[seen]
    if counts.size < 4:
        return 1.0
    mean = float(np.median(counts / area_m2)) * area_m2
    if not (mean > 0.0).all():
        return 1.0
    residuals = (counts - mean) ** 2 / mean
    return max(1.0, float(np.median(residuals)) / float(chi2.ppf(0.5, 1)))


def rate(count: int, area_m2: float, coverage: float = 0.95) -> Rate:
    """Rate per square metre with exact limits; all None where no area was looked at.

    Raises
    ------
    ValueError
        if the area is negative, or as `poisson_limits`.
    """
    if area_m2 < 0.0:
        msg = f"area_m2: expected 0 or more, got {area_m2}"
        raise ValueError(msg)
    if area_m2 == 0.0:
        return Rate(count, 0.0, None, None, None)
    low, high = poisson_limits(count, coverage)
    return Rate(count, area_m2, count / area_m2, low / area_m2, high / area_m2)
