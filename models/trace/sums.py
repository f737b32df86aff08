"""Sums of counts above a reference (CUSUM): small rises that last, sooner than any single point shows them.

Sums of deviations: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3. Counts: J. M. Lucas, "Counted
data CUSUM's", Technometrics 27 (1985) 129-144; with varying exposure the reference follows the glass
inspected, which keeps the sum the log likelihood ratio of the two rates. The limit comes from the run length
without a change, by a Markov chain: D. Brook and D. A. Evans, Biometrika 59 (1972) 539-549.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import pdtr, pdtrc

from models.errors import BadValue
from models.trace.charts import checked

RISE = 1.5  # the rise that is to be found soonest, times the usual rate
RUN_LENGTH = 370.0  # points between false signals, as often as three standard deviations give one
STATES = 100
LOWEST_LIMIT = 0.25  # in counts: less than one, so that a single count above the reference may pass it


@dataclass(frozen=True)
class CountSums:
    """
    value : sum at every point, in defects above the reference, shape (N,); NaN where nothing was inspected
    limit : decision limit
    signal : True where the sum passes the limit; it starts anew at the next point
    begun : for every point, the index at which its sum left 0 (its own index where it is 0), shape (N,)
    reference : defects per unit of exposure above which the sum rises
    """

    value: np.ndarray
    limit: float
    signal: np.ndarray
    begun: np.ndarray
    reference: float


def cusum(values: np.ndarray, target: float, slack: float) -> tuple[np.ndarray, np.ndarray]:
    """(upper, lower) sums of deviations beyond `slack` from `target`, shape (N,) each, never below 0."""
    high, low = np.zeros(len(values)), np.zeros(len(values))
    up = down = 0.0
    for i, x in enumerate(values):
        up = max(0.0, up + x - target - slack)
        down = max(0.0, down + target - x - slack)
        high[i], low[i] = up, down
    return high, low


def count_cusum_reference(usual: float, shifted: float) -> float:
    """Reference value of a CUSUM of counts between two means (Lucas, 1985)."""
    if not 0 < usual < shifted:
        raise BadValue(f"CUSUM means are {usual} and {shifted}; expected 0 < usual < shifted.")
    return float((shifted - usual) / np.log(shifted / usual))


def count_cusum(
    counts: np.ndarray,
    exposure: np.ndarray,
    *,
    usual: float,
    rise: float = RISE,
    dispersion: float = 1.0,
    run_length: float = RUN_LENGTH,
) -> CountSums:
    """Sum of counts above the reference that lies between the usual rate and `rise` times it.

    usual : rate per unit of exposure without a change, > 0
    dispersion : variance of the counts over that of chance; counts are judged as if each `dispersion` of them
        were one

    Raises BadValue where arrays do not match, or for rates that make no sense.
    """
    c, e = checked(counts, exposure)
    seen = e > 0
    reference = count_cusum_reference(usual, rise * usual)
    mean = usual * float(np.median(e[seen])) / dispersion if seen.any() else 1.0
    limit = dispersion * poisson_limit(mean, count_cusum_reference(mean, rise * mean), run_length)
    value = np.full(c.size, np.nan)
    signal = np.zeros(c.size, dtype=bool)
    begun = np.arange(c.size)
    now, since = 0.0, -1
    for i in np.flatnonzero(seen):
        now += c[i] - reference * e[i]
        if now <= 0:
            now, since = 0.0, -1
        else:
            since = int(i) if since < 0 else since
            begun[i] = since
        value[i] = now
        if now > limit:
            signal[i] = True
            now, since = 0.0, -1
    return CountSums(value, limit, signal, begun, reference)


@cache
def poisson_limit(mean: float, reference: float, run_length: float) -> float:
    """The limit at which a sum of Poisson counts of this mean signals once in `run_length` points.

    Where even a single count above the reference is rarer than that, no limit gives so short a run: before it
    signals, the sum has to rise, so that its run is at least 1 / P(count > reference). The limit is then the
    lowest one. With the reference between the mean and 1.5 times it, this is so for means below 0.003 and
    from about 150 on: there a single point shows the rise as well as any sum does.
    """

    def below(x: np.ndarray) -> np.ndarray:
        count = np.floor(x + reference + 1e-9)
        return np.where(count < 0, 0.0, pdtr(np.maximum(count, 0.0), mean))

    if pdtrc(np.floor(reference + 1e-9), mean) * run_length < 1.0:
        return LOWEST_LIMIT
    low, high = LOWEST_LIMIT, 4.0 * LOWEST_LIMIT
    while mean_run_length(below, high) < run_length:
        low, high = high, 2.0 * high
    for _ in range(18):
        middle = 0.5 * (low + high)
        if mean_run_length(below, middle) < run_length:
            low = middle
        else:
            high = middle
    return high


def mean_run_length(below: Callable[[np.ndarray], np.ndarray], limit: float, states: int = STATES) -> float:
    """Mean points until a sum that starts at 0 passes `limit` (Brook and Evans, 1972).

    below : distribution function of one step, the slack already taken off
    Infinite where the limit is so rarely passed that the chance is lost in the rounding of `below`.
    """
    width = 2.0 * limit / (2 * states - 1)
    steps = np.arange(-states, states + 1) * width
    reach = below(steps + 0.5 * width)
    cell = np.diff(reach)  # chance of a step of so many widths
    at = np.arange(states)
    moves = cell[at[None, :] - at[:, None] + states - 1]
    moves[:, 0] = reach[states - at]
    try:
        points = float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])
    except np.linalg.LinAlgError:
        return np.inf
    return points if points >= 1.0 else np.inf
