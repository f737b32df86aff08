"""How well each section and course explains an excess: likelihood over onset and end.

Two ways to judge. `judge_band` for a part of the width: the rest of the ribbon gives the expected counts and
the counts are Poisson. `judge_wide` for the whole width: the background wanders, so deviations are judged by
generalised least squares with the wander's covariance. Vessel figures are marginalised over their tolerances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from models.trace.routes import Draw, Routes
from models.trace.shapes import FAMILIES, FAMILY_PRIOR, Pairs, courses, gls_scores, step_columns

HOUR = 3600.0
SHORTEST_H = {"sharp": 0.2, "refiner": 1.0, "melter": 2.0}
LONGEST_H = {"sharp": 120.0, "refiner": 30.0, "melter": 36.0}
# a vessel hides how long its upset lasted: hours to a day (common practice, no source), log-normal around
USUAL_H = {"refiner": 6.0, "melter": 10.0}
LENGTH_SPREAD = 0.6
# no upset grows along a straight line: of a slow course's likelihood over onset and end that much is believed
SLOW_TRUST = 0.65


@dataclass(frozen=True)
class SectionFit:
    """One section's explanation of one episode.

    section : "sharp" (any ribbon section, instants in time at inspection), "refiner" or "melter" (own time)
    instants_s : float array, shape (S,), even
    pairs : start and end instants tried
    log_like : float array, shape (P,), best height, marginal over courses and vessel draws
    log_prior : float array, shape (P,): flat in the start, broad in the logarithm of the length
    family : course of the best pair
    course : its values at the cells, shape (T,), height 1; height : times the usual level
    by_draw : float array, shape (D, P), what log_like sums up, where every draw of the vessels was tried
    """

    section: str
    instants_s: np.ndarray
    pairs: Pairs
    log_like: np.ndarray
    log_prior: np.ndarray
    family: str
    course: np.ndarray
    height: float
    by_draw: np.ndarray | None = None

    @property
    def evidence(self) -> float:
        return float(logsumexp(self.log_like + self.log_prior))

    def posterior(self) -> np.ndarray:
        """Probability of every pair, shape (P,)."""
        value = self.log_like + self.log_prior
        return np.exp(value - logsumexp(value))

    @property
    def start_s(self) -> np.ndarray:
        return self.instants_s[self.pairs.i]

    @property
    def end_s(self) -> np.ndarray:
        return self.instants_s[self.pairs.j]


def _prior(section: str, instants: np.ndarray) -> tuple[Pairs, np.ndarray]:
    step_h = (instants[1] - instants[0]) / HOUR
    short, long = SHORTEST_H[section], LONGEST_H[section]
    pairs = Pairs.of(instants.size, max(1, int(np.ceil(short / step_h))), max(2, int(long / step_h)))
    length_h = (pairs.j - pairs.i) * step_h
    log_prior = -np.log(length_h)
    if section in USUAL_H:
        log_prior = log_prior - 0.5 * (np.log(length_h / USUAL_H[section]) / LENGTH_SPREAD) ** 2
    return pairs, log_prior - logsumexp(log_prior)


def _vessel_columns(draw: Draw, q_cells: np.ndarray, q_instants: np.ndarray) -> np.ndarray:
    return draw.cdf(np.maximum(q_cells[:, None] - q_instants[None, :], 0.0))


def judge_wide(
    cells_s: np.ndarray, width_s: float, u: np.ndarray, inverse: np.ndarray, routes: Routes
) -> dict[str, SectionFit]:
    """Every section's fit to deviations of the whole width.

    cells_s : starts of T even cells, time at inspection; width_s : their width
    u : shape (T,), relative deviation from the usual level; inverse : inverse covariance, shape (T, T)
    """
    fits = {"sharp": _sharp_wide(cells_s, width_s, u, inverse)}
    middle = cells_s + 0.5 * width_s
    q_cells = routes.tonnes(routes.entered(middle))
    for section, draws in routes.draws.items():
        instants = _source_instants(section, cells_s, width_s, routes, draws)
        if instants.size < 4:
            continue
        pairs, log_prior = _prior(section, instants)
        q_instants = routes.tonnes(instants)
        like = np.full((len(draws), pairs.i.size), -np.inf)
        best = (-np.inf, np.zeros(cells_s.size), 0.0)
        for d, draw in enumerate(draws):
            f = _vessel_columns(draw, q_cells, q_instants)
            vf = inverse @ f
            pull, gram = vf.T @ u, f.T @ vf
            num = pull[pairs.i] - pull[pairs.j]
            den = gram[pairs.i, pairs.i] - 2 * gram[pairs.i, pairs.j] + gram[pairs.j, pairs.j]
            good = den > 1e-9
            height = np.where(good, num / np.where(good, den, 1.0), 0.0)
            gain = 0.5 * np.where(height > 0, height * num, 0.0)
            like[d] = gain + draw.log_weight
            top = int(np.argmax(gain + log_prior))
            if gain[top] + log_prior[top] > best[0]:
                i, j = pairs.i[top], pairs.j[top]
                best = (float(gain[top] + log_prior[top]), f[:, i] - f[:, j], float(height[top]))
        course, scale = _unit_height(best[1])
        fits[section] = SectionFit(
            section, instants, pairs, logsumexp(like, axis=0), log_prior, "vessel", course, best[2] * scale,
            like,
        )  # fmt: skip
    return fits


def vessel_courses(routes: Routes, cells_s: np.ndarray, width_s: float) -> np.ndarray:
    """Courses of short upsets of every vessel, by the plant's own figures, height 1, shape (N, T)."""
    q_cells = routes.tonnes(routes.entered(cells_s + 0.5 * width_s))
    parts = []
    for section, draws in routes.draws.items():
        instants = _source_instants(section, cells_s, width_s, routes, draws)
        instants = np.arange(instants[0], instants[-1], 2 * HOUR)
        f = _vessel_columns(draws[0], q_cells, routes.tonnes(instants))
        for hours in (4, 12):
            course = (f[:, : -hours // 2] - f[:, hours // 2 :]).T
            top = course.max(axis=1)
            parts.append((course[top > 1e-6] / top[top > 1e-6, None]).astype(np.float32))
    return np.concatenate(parts) if parts else np.empty((0, cells_s.size), dtype=np.float32)


def _sharp_wide(cells_s: np.ndarray, width_s: float, u: np.ndarray, inverse: np.ndarray) -> SectionFit:
    step = width_s
    instants = cells_s
    pairs, log_prior = _prior("sharp", instants)
    h, l = step_columns(cells_s, instants, width_s)
    basis = np.concatenate([h, l / HOUR], axis=1)
    vb = inverse @ basis
    gram, pull = basis.T @ vb, vb.T @ u
    like, best = [], (-np.inf, "step", 0, 0.0)
    for family in FAMILIES:
        gain, height = gls_scores(family, pairs, gram, pull, instants.size, step / HOUR)
        gain = gain + np.log(FAMILY_PRIOR[family])
        if family != "step":
            gain = np.where((pairs.j - pairs.i) * step < 3 * HOUR, -np.inf, gain)
        like.append(gain)
        top = int(np.argmax(gain + log_prior))
        if gain[top] + log_prior[top] > best[0]:
            best = (float(gain[top] + log_prior[top]), family, top, float(height[top]))
    one = Pairs(pairs.i[[best[2]]], pairs.j[[best[2]]])
    course = courses(best[1], one, h, l / HOUR, step / HOUR)[0]
    return SectionFit(
        "sharp", instants, pairs, logsumexp(np.array(like), axis=0), log_prior, best[1], course, best[3]
    )


def _source_instants(
    section: str, cells_s: np.ndarray, width_s: float, routes: Routes, draws: tuple[Draw, ...]
) -> np.ndarray:
    """Even instants in a vessel's own time from which glass can reach the cells."""
    middle = draws[len(draws) // 2]
    q = routes.tonnes(routes.entered(np.array([cells_s[0], cells_s[-1] + width_s])))
    low, high = np.interp([0.02, 0.9], middle.share, middle.tonnes)
    first = float(routes.time_of_tonnes(q[0] - high))
    last = float(routes.time_of_tonnes(q[1] - low))
    step = HOUR if section == "melter" or width_s >= HOUR else width_s
    first = np.floor(first / step) * step
    return np.arange(first, last + step, step)


def _unit_height(course: np.ndarray) -> tuple[np.ndarray, float]:
    top = float(course.max()) if course.size else 0.0
    return (course / top, top) if top > 0 else (course, 1.0)


def judge_band(
    cells_s: np.ndarray, width_s: float, counts: np.ndarray, expected: np.ndarray, routes: Routes | None,
    *, dispersion: float = 1.0,
) -> dict[str, SectionFit]:  # fmt: skip
    """Every section's fit to counts in a part of the width.

    counts, expected : shape (T,), expected from the rest of the ribbon

    Vessels are tried with a few of their draws only; `routes` None leaves them out.
    """
    instants = np.append(cells_s, cells_s[-1] + width_s)
    pairs, log_prior = _prior("sharp", instants)
    h, l = step_columns(cells_s, instants, width_s)
    like, best = [], (-np.inf, "step", np.zeros(cells_s.size), 0.0)
    for family in FAMILIES:
        shape = courses(family, pairs, h, l / HOUR, width_s / HOUR)
        gain, height = _poisson_gain(counts, expected, shape)
        gain = gain / dispersion + np.log(FAMILY_PRIOR[family])
        like.append(gain)
        top = int(np.argmax(gain + log_prior))
        if gain[top] + log_prior[top] > best[0]:
            best = (float(gain[top] + log_prior[top]), family, shape[top], float(height[top]))
    value = logsumexp(np.array(like), axis=0)
    if best[1] != "step":
        value = value.max() + SLOW_TRUST * (value - value.max())
    fits = {"sharp": SectionFit("sharp", instants, pairs, value, log_prior, best[1], best[2], best[3])}
    if routes is None:
        return fits
    q_cells = routes.tonnes(routes.entered(cells_s + 0.5 * width_s))
    for section, draws in routes.draws.items():
        fit = _vessel_band(section, draws, cells_s, width_s, counts, expected, q_cells, routes, dispersion)
        if fit is not None:
            fits[section] = fit
    return fits


def _vessel_band(
    section: str, draws: tuple[Draw, ...], cells_s: np.ndarray, width_s: float, counts: np.ndarray,
    expected: np.ndarray, q_cells: np.ndarray, routes: Routes, dispersion: float,
) -> SectionFit | None:  # fmt: skip
    instants = _source_instants(section, cells_s, width_s, routes, draws)
    if instants.size > 90:
        step = (instants[1] - instants[0]) * np.ceil(instants.size / 90)
        instants = np.arange(instants[0], instants[-1] + step, step)
    if instants.size < 4:
        return None
    pairs, log_prior = _prior(section, instants)
    q_instants = routes.tonnes(instants)
    some = draws[:: max(1, len(draws) // 6)]
    weights = np.array([d.log_weight for d in some])
    weights = weights - logsumexp(weights)
    like = np.empty((len(some), pairs.i.size))
    best = (-np.inf, np.zeros(cells_s.size), 0.0)
    for d, draw in enumerate(some):
        f = _vessel_columns(draw, q_cells, q_instants).T
        shape = f[pairs.i] - f[pairs.j]
        gain, height = _poisson_gain(counts, expected, shape)
        like[d] = gain / dispersion + weights[d]
        top = int(np.argmax(like[d] + log_prior))
        if like[d, top] + log_prior[top] > best[0]:
            best = (float(like[d, top] + log_prior[top]), shape[top], float(height[top]))
    course, scale = _unit_height(best[1])
    return SectionFit(
        section, instants, pairs, logsumexp(like, axis=0), log_prior, "vessel", course, best[2] * scale
    )


def _poisson_gain(
    counts: np.ndarray, expected: np.ndarray, shape: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood gain over the background and the height that gives it, for courses of shape (P, T).

    Mean = expected x (1 + height x course); Newton steps from the moment estimate, kept above 0.
    """
    busy = counts > 0
    n, r = counts[busy], np.maximum(shape[:, busy], 0.0)
    load = shape @ expected
    good = load > 1e-9
    safe = np.where(good, load, 1.0)
    height = np.maximum(r @ n / safe - 1.0, 0.05) + 0.05
    for _ in range(6):
        ratio = r / (1.0 + height[:, None] * r)
        slope = ratio @ n - load
        bend = (ratio * ratio) @ n
        # steps in the logarithm of the height, at most a factor of three each
        curve = np.maximum(bend * height, 0.2 * load + 1e-12)
        height = height * np.exp(np.clip(slope / curve, -1.1, 1.1))
    gain = np.log1p(height[:, None] * r) @ n - height * load
    return np.where(good, np.maximum(gain, 0.0), 0.0), np.where(good, height, 0.0)


def vessel_ends(
    fit: SectionFit, routes: Routes, pair_weight: np.ndarray, around: tuple[float, float], ways: int = 60
) -> tuple[float, float] | None:
    """When a vessel's excess stood above a tenth of its peak at inspection: medians of all it may be.

    pair_weight : shape (P,), probability of every onset and end; around : stretch to look at, seconds

    `ways` draws of vessels and pairs are taken evenly from their joint probability. None where the fit did
    not keep its draws.
    """
    if fit.by_draw is None:
        return None
    joint = np.exp(fit.by_draw - fit.log_like) * pair_weight
    total = np.cumsum(joint.ravel())
    at = np.searchsorted(total, (np.arange(ways) + 0.5) / ways * total[-1])
    times = np.arange(around[0], around[1], 900.0)
    q = routes.tonnes(routes.entered(times))
    ends = []
    for draw, pair in zip(*np.unravel_index(at, joint.shape), strict=True):
        made = routes.tonnes(fit.instants_s[[fit.pairs.i[pair], fit.pairs.j[pair]]])
        f = _vessel_columns(routes.draws[fit.section][draw], q, made)
        high = np.flatnonzero(f[:, 0] - f[:, 1] >= 0.1 * (f[:, 0] - f[:, 1]).max())
        ends.append((times[high[0]], times[high[-1]] + 900.0))
    first, last = np.median(np.array(ends), axis=0)
    return float(first), float(last)


def ends_of(fit: SectionFit, cells_s: np.ndarray, width_s: float) -> tuple[float, float]:
    """When the excess began and ended at the inspection point."""
    if fit.section == "sharp":
        p = fit.posterior()
        return median(fit.start_s, p), median(fit.end_s, p)
    high = np.flatnonzero(fit.course >= 0.1)
    if high.size == 0:
        return float(cells_s[0]), float(cells_s[-1] + width_s)
    return float(cells_s[high[0]]), float(cells_s[high[-1]] + width_s)


def median(values: np.ndarray, weight: np.ndarray) -> float:
    """Weighted median."""
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
