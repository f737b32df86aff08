"""Episodes of the whole width: too much of one kind for its own wandering background.

No part of the ribbon is left to compare with, so the background of the hours before and after is the
measure: drift, rough counts and what is not known of each shift's sharpness enter as covariance, and every
stretch of time is tried as generalised least squares would judge it. Statistics are on the square root
scale, where counting noise does not depend on the level (Bartlett, JRSS Suppl. 3 (1936) 68-78).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import t as student

from models.trace.drift import Wander, fit_wander, roughness

CHUNK_H, LAP_H = 33 * 24.0, 6 * 24.0
LONGEST_H, SHORTEST_H = 150.0, 1.0
FREEDOM = 25.0  # of Student's t: the wander's own figures come from some dozens of independent stretches
OVERLAP = 12.0  # effective number of independent stretches per disjoint one, all lengths together


@dataclass(frozen=True)
class Stretch:
    """Cells [t_lo, t_hi) with an excess; z in standard deviations; p for the whole scan and all kinds."""

    t_lo: int
    t_hi: int
    z: float
    log_p: float
    excess: float


@dataclass(frozen=True)
class Series:
    """One kind over the whole width by time cell, arrays of shape (T,).

    counts, expected : defects and what a level background of unit rate would give (crew included)
    model : excess of episodes already found, in units of the level
    shift, shift_var : index of each cell's shift, and variance of the log sharpness by shift
    """

    counts: np.ndarray
    expected: np.ndarray
    model: np.ndarray
    shift: np.ndarray
    shift_var: np.ndarray
    cell_h: float

    def level(self, aside: np.ndarray | None = None) -> float:
        """Usual rate: median of the rates of six-hour cells, free of the excess already known.

        aside : bool array, shape (T,), cells that do not count
        """
        if aside is not None:
            left = replace(
                self, expected=np.where(aside, 0.0, self.expected), counts=np.where(aside, 0.0, self.counts)
            )
            return left.level()
        size = max(1, round(6 / self.cell_h))
        starts = np.arange(0, self.counts.size, size)
        n = np.add.reduceat(self.counts, starts)
        e = np.add.reduceat(self.expected, starts)
        m = np.add.reduceat(self.expected * self.model, starts)
        good = e > 0.2 * np.median(e[e > 0]) if (e > 0).any() else e > 0
        if not good.any():
            return 1.0
        rate = float(np.median(n[good] / e[good]))
        for _ in range(3):
            # multiplied out: the rate of a kind that is seldom seen is 0 in most cells
            own = np.maximum(n[good] - rate * m[good], 0.05 * rate * e[good])
            rate = float(np.median(own / e[good]))
        return max(rate, 1e-9)

    def deviation(self, level: float) -> tuple[np.ndarray, np.ndarray]:
        """u = 2 (sqrt(n / mean) - 1) and its variance from counting, inf where nothing was inspected."""
        mean = level * self.expected * (1.0 + self.model)
        seen = mean > 0.3
        safe = np.where(seen, mean, 1.0)
        u = np.where(seen, 2.0 * (np.sqrt((self.counts + 0.25) / safe) - 1.0), 0.0)
        return u, np.where(seen, 1.0 / safe, np.inf)


def covariance(var: np.ndarray, series: Series, wander: Wander, lo: int, hi: int) -> np.ndarray:
    """Covariance of u over cells [lo, hi), shape (hi - lo, hi - lo)."""
    at = np.arange(hi - lo)
    lag = np.abs(at[:, None] - at[None, :])
    drift = wander.kernel(lag * series.cell_h)
    shift = series.shift[lo:hi]
    same = (shift[:, None] == shift[None, :]) * series.shift_var[shift][:, None]
    full = drift + same
    full[at, at] += np.where(np.isfinite(var[lo:hi]), var[lo:hi], 1e6) + wander.rough / series.cell_h
    return full


def merged(series: Series, factor: int) -> Series:
    """The same series with `factor` cells in one; the shift is that of the first."""
    if factor == 1:
        return series
    starts = np.arange(0, series.counts.size, factor)
    expected = np.add.reduceat(series.expected, starts)
    model = np.add.reduceat(series.expected * series.model, starts) / np.maximum(expected, 1e-9)
    return replace(
        series,
        counts=np.add.reduceat(series.counts, starts),
        expected=expected,
        model=model,
        shift=series.shift[starts],
        cell_h=series.cell_h * factor,
    )


FIT_CELL_H = 4.0


def fit_background(
    series: Series, level: float, aside: np.ndarray | None = None, start: Wander | None = None
) -> Wander:
    """Drift and roughness of this kind; cells marked in `aside` (shape (T,)) are left out."""
    if aside is not None:
        series = replace(series, expected=np.where(aside, 0.0, series.expected))
        series = replace(series, counts=np.where(aside, 0.0, series.counts))
    rough = roughness(*series.deviation(level), series.shift, series.cell_h)
    coarse = merged(series, max(1, round(FIT_CELL_H / series.cell_h)))
    return fit_wander(
        *coarse.deviation(level), coarse.cell_h, shift=coarse.shift,
        shift_var=coarse.shift_var[coarse.shift], rough=rough, start=start,
    )  # fmt: skip


LOOSE_LOG_P = 0.0
LEAST_ASIDE = 0.45  # a smaller excess is the wander itself and must not be kept out of its own measure
MOST_ASIDE = 0.4


def background_without_suspects(
    series: Series, level: float, wander: Wander, courses: np.ndarray | None = None
) -> tuple[float, Wander, np.ndarray]:
    """Level and wander of what remains when the most suspicious stretches are left out.

    An upset of several days would otherwise be taken for a strongly wandering background. Suspects are put
    aside strongest first, up to `MOST_ASIDE` of the time.

    Returns (level, wander, aside), aside a bool array of shape (T,).
    """
    aside = np.zeros(series.counts.size, dtype=bool)
    for _ in range(2):
        aside[:] = False
        for stretch in scan_wide(series, wander, level, limit_log_p=LOOSE_LOG_P, tests=1.0, courses=courses):
            if stretch.excess < LEAST_ASIDE:
                continue
            lap = max(1, (stretch.t_hi - stretch.t_lo) // 6)
            trial = aside.copy()
            trial[max(0, stretch.t_lo - lap) : stretch.t_hi + lap] = True
            if trial.mean() > MOST_ASIDE:
                break
            aside = trial
        if not aside.any():
            break
        level = series.level(aside)
        wander = fit_background(series, level, aside, start=wander)
    return level, wander, aside


def scan_wide(
    series: Series,
    wander: Wander,
    level: float,
    *,
    limit_log_p: float,
    tests: float,
    courses: np.ndarray | None = None,
) -> list[Stretch]:
    """Stretches of time with too many defects over the whole width, best first, not overlapping.

    courses : float array, shape (N, T), further courses to look for (what the vessels make of an upset)
    """
    u, var = series.deviation(level)
    total = u.size
    step = max(1, int((CHUNK_H - LAP_H) / series.cell_h))
    size = max(1, int(CHUNK_H / series.cell_h))
    found: list[Stretch] = []
    for lo in range(0, max(1, total - int(LAP_H / series.cell_h)), step):
        hi = min(lo + size, total)
        part = _Part(u, var, series, wander, lo, hi)
        found += part.steps(limit_log_p, tests)
        if courses is not None and courses.size:
            found += part.courses(courses, limit_log_p, tests)
    found.sort(key=lambda s: s.log_p)
    kept: list[Stretch] = []
    for stretch in found:
        if all(stretch.t_hi <= o.t_lo or o.t_hi <= stretch.t_lo for o in kept):
            kept.append(stretch)
    return kept


class _Part:
    """Some weeks of a series with their inverse covariance."""

    def __init__(
        self, u: np.ndarray, var: np.ndarray, series: Series, wander: Wander, lo: int, hi: int
    ) -> None:
        factor = cho_factor(covariance(var, series, wander, lo, hi), lower=True)
        inverse = cho_solve(factor, np.eye(hi - lo))
        seen = np.isfinite(var[lo:hi])
        self.inverse = inverse * seen[:, None] * seen[None, :]
        self.pull = self.inverse @ u[lo:hi]
        self.lo, self.hi, self.cell_h, self.total = lo, hi, series.cell_h, u.size
        self.scale = 1.0

    def _log_p(self, z: np.ndarray, length: np.ndarray | float, tests: float) -> np.ndarray:
        tries = np.maximum(OVERLAP * self.total / length * tests, 1.0)
        return np.log(tries) + student.logsf(z, FREEDOM)

    def steps(self, limit: float, tests: float) -> list[Stretch]:
        """Even excesses from a cell to a later one."""
        n = self.hi - self.lo
        pull = np.concatenate([[0.0], np.cumsum(self.pull)])
        mass = np.zeros((n + 1, n + 1))
        mass[1:, 1:] = np.cumsum(np.cumsum(self.inverse, axis=0), axis=1)
        diagonal = mass[np.arange(n + 1), np.arange(n + 1)]
        out = []
        longest = min(n, int(LONGEST_H / self.cell_h))
        for length in _lengths(max(1, round(SHORTEST_H / self.cell_h)), longest):
            a = np.arange(0, n - length + 1, max(1, length // 12))
            b = a + length
            den = diagonal[b] - 2 * mass[a, b] + diagonal[a]
            num = pull[b] - pull[a]
            good = den > 1e-9
            z = np.where(good, num / np.sqrt(np.where(good, den, 1.0)), 0.0)
            if length * self.cell_h <= 30 and good.sum() > 40:
                # episodes only add, so the lower side tells how far the model's own scale is off
                self.scale = max(self.scale, -float(np.quantile(z[good], 0.16)))
            z = z / self.scale
            log_p = self._log_p(z, length, tests)
            for i in np.flatnonzero(log_p < limit):
                lo = self.lo + int(a[i])
                out.append(Stretch(lo, lo + length, float(z[i]), float(log_p[i]), float(num[i] / den[i])))
        return out

    def courses(self, courses: np.ndarray, limit: float, tests: float) -> list[Stretch]:
        """Excesses that follow given courses."""
        whole = courses.sum(axis=1)
        here = courses[:, self.lo : self.hi]
        mostly = here.sum(axis=1) > 0.75 * whole
        r = here[mostly].astype(float)
        if r.size == 0:
            return []
        r = 2.0 * (np.sqrt(1.0 + r) - 1.0)
        den = np.einsum("nt,nt->n", r @ self.inverse, r)
        num = r @ self.pull
        good = den > 1e-9
        z = np.where(good, num / np.sqrt(np.where(good, den, 1.0)), 0.0) / self.scale
        high = r > 0.2
        length = np.maximum(high.sum(axis=1), 1)
        log_p = self._log_p(z, length, tests)
        out = []
        for i in np.flatnonzero((log_p < limit) & high.any(axis=1)):
            at = np.flatnonzero(high[i])
            out.append(
                Stretch(
                    self.lo + int(at[0]), self.lo + int(at[-1]) + 1, float(z[i]), float(log_p[i]),
                    float(num[i] / den[i]),
                )
            )  # fmt: skip
        return out


def _lengths(shortest: int, longest: int) -> list[int]:
    lengths: list[int] = []
    value = float(shortest)
    while value <= longest:
        if not lengths or round(value) > lengths[-1]:
            lengths.append(round(value))
        value *= 1.35
    return lengths
