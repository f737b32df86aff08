"""Where and when an episode's glass was made, and what was written down for that time.

Section, onset, end and entry are judged together (Bayes): each section's likelihood over onset and end is
weighed with what an entry of the events' book or a furnace tag says of them, against "none of these".
An entry is an association in time, never a proof of cause.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, ndtr

from models.trace.data import PlantEvent
from models.trace.excursions import Excursion
from models.trace.fits import SectionFit
from models.trace.priors import section_prior, words_fit
from models.trace.routes import Routes

HOUR = 3600.0
ENTRY_SD_S = 720.0  # entries are good to a quarter of an hour
NONE_PRIOR = 0.3
LATE_SHARE, LATE_MEAN_S = 0.25, 3 * HOUR  # how often, and by how much, the glass follows an entry late
END_TRUST = 0.75
COVER = 0.90


@dataclass(frozen=True)
class Cause:
    """An event or an excursion as a candidate: `key` names it, `words` speak for a section."""

    key: str
    start_s: float
    end_s: float | None
    words: str
    event: PlantEvent | None = None
    excursion: Excursion | None = None


@dataclass(frozen=True)
class Origin:
    """
    section, section_weights : most likely section and the probability of each
    start_s, end_s : window in the section's own time that holds onset and end with probability 0.9
    causes : (cause, weight), heaviest first; none_weight : weight of "none of these"
    pairs_weight : probability of every pair of onset and end of the section's fit, causes weighed in
    """

    section: str
    section_weights: dict[str, float]
    start_s: float
    end_s: float
    pairs_weight: np.ndarray
    causes: tuple[tuple[Cause, float], ...]
    none_weight: float


def causes_of(events: tuple[PlantEvent, ...], excursions: list[Excursion]) -> list[Cause]:
    causes = [Cause(e.event_id, e.start_s, e.end_s, f"{e.kind} {e.text}", event=e) for e in events]
    for x in excursions:
        causes.append(Cause(f"{x.tag}@{x.start_s:.0f}", x.start_s, x.end_s, x.tag, excursion=x))
    return causes


def explain(
    fits: dict[str, SectionFit],
    share_of_width: float,
    kind: str,
    routes: Routes,
    causes: list[Cause],
    *,
    sections: dict[str, float] | None = None,
    upstream_m: float | None = None,
) -> Origin:
    """Weigh sections and causes for one episode.

    fits : from `judge_band` or `judge_wide`
    sections : probabilities to use in place of the prior (a roll or a sheet's edge has given them)
    upstream_m : exact place of the source where it is known (a roll)
    """
    prior = section_prior(share_of_width, kind) if sections is None else sections
    views = []
    for section, chance in prior.items():
        fit = fits.get(section, fits["sharp"] if section not in ("melter", "refiner") else None)
        if fit is None or chance <= 0:
            continue
        views.append(_view(section, fit, chance, routes, causes, upstream_m))
    total = logsumexp([v.log_total for v in views])
    weights = {v.section: float(np.exp(v.log_total - total)) for v in views}
    best = max(views, key=lambda v: v.log_total)
    cause_weight = np.zeros(len(causes))
    none = 0.0
    for v in views:
        cause_weight += weights[v.section] * v.cause_weight
        none += weights[v.section] * v.none_weight
    start, end = _window(best)
    order = np.argsort(-cause_weight)
    ranked = tuple((causes[i], float(cause_weight[i])) for i in order[:12] if cause_weight[i] > 1e-4)
    return Origin(
        best.section, weights, start - best.slack_s, end + best.slack_s,
        best.posterior, ranked, float(none),
    )  # fmt: skip


@dataclass(frozen=True)
class _View:
    """One section's view: pairs of onset and end in its own time with their posterior."""

    section: str
    start_s: np.ndarray
    end_s: np.ndarray
    posterior: np.ndarray
    log_total: float
    cause_weight: np.ndarray
    none_weight: float
    slack_s: float
    step_s: float


def _view(
    section: str,
    fit: SectionFit,
    chance: float,
    routes: Routes,
    causes: list[Cause],
    upstream_m: float | None,
) -> _View:
    instants, slack = fit.instants_s, 0.0
    if fit.section == "sharp":
        if upstream_m is not None:
            instants = routes.log.passed(routes.log.metre_at(instants), upstream_m)
        else:
            slack = 0.9 * routes.slack_s(float(np.median(fit.instants_s)), section)
            instants = routes.entered(instants, section)
    start, end = instants[fit.pairs.i], instants[fit.pairs.j]
    step = float(np.median(np.diff(instants)))
    joint = fit.log_like + fit.log_prior
    evidence = fit.evidence
    plain = np.exp(joint - evidence)
    first, last = instants[0] - HOUR, instants[-1] + HOUR
    near = [n for n, c in enumerate(causes) if first <= c.start_s <= last]
    says = np.array([words_fit(causes[n].words, section) for n in near])
    cause_prior = (1 - NONE_PRIOR) * says / max(says.sum(), 3.0) if near else np.empty(0)
    none_prior = 1.0 - cause_prior.sum()
    # likelihood relative to "none of these", and the posterior it leaves
    factor = np.zeros(len(causes))
    mixed = none_prior * plain
    relative = np.exp(fit.log_like - fit.log_like.max())
    scale = np.exp(fit.log_like.max() - evidence)
    sd = float(np.hypot(ENTRY_SD_S, slack / np.sqrt(3)))
    length_prior = np.exp(fit.log_prior - fit.log_prior.max())
    per_start = np.bincount(fit.pairs.i, length_prior, instants.size)
    given_start = length_prior / np.maximum(per_start[fit.pairs.i], 1e-300)
    # an end is told from the ends that the start allows
    for n, p in zip(near, cause_prior, strict=True):
        cause = causes[n]
        ks = _onset_kernel(instants, cause.start_s, sd)[fit.pairs.i]
        if cause.end_s is not None and cause.end_s > cause.start_s:
            ke = _end_kernel(instants, cause.end_s, sd)[fit.pairs.j]
            weight = ks * (END_TRUST * ke + (1 - END_TRUST) * given_start)
        else:
            weight = ks * given_start
        here = weight * relative * scale
        factor[n] = p * here.sum()
        mixed = mixed + p * here
    total = float(mixed.sum())
    if total <= 0:
        total = 1e-300
    return _View(
        section, start, end, mixed / total, float(np.log(chance) + evidence + np.log(total)),
        factor / total, float(none_prior * plain.sum() / total), slack, step,
    )  # fmt: skip


def _onset_kernel(instants: np.ndarray, at: float, sd: float) -> np.ndarray:
    """Chance of each instant to be the onset that an entry speaks of, sums to at most 1."""
    edges = np.concatenate([[-np.inf], 0.5 * (instants[1:] + instants[:-1]), [np.inf]])
    prompt = np.diff(ndtr((edges - at) / sd))
    late = np.diff(1.0 - np.exp(-np.maximum(edges - at, 0.0) / LATE_MEAN_S))
    inside = instants[0] - HOUR <= at <= instants[-1] + HOUR
    return ((1 - LATE_SHARE) * prompt + LATE_SHARE * late) * inside


def _end_kernel(instants: np.ndarray, at: float, sd: float) -> np.ndarray:
    edges = np.concatenate([[-np.inf], 0.5 * (instants[1:] + instants[:-1]), [np.inf]])
    return np.diff(0.8 * ndtr((edges - at) / sd) + 0.2 * ndtr((edges - at) / (2 * HOUR)))


def _window(view: _View) -> tuple[float, float]:
    """Shortest-tailed window that holds onset and end together with probability `COVER`."""
    p = view.posterior
    by_start = np.argsort(view.start_s)
    by_end = np.argsort(view.end_s)
    low = np.cumsum(p[by_start])
    high = np.cumsum(p[by_end])
    lo_t, hi_t = 0.0, 0.5 * (1 - COVER) * 2
    best = (float(view.start_s[by_start[0]]), float(view.end_s[by_end[-1]]))
    for _ in range(18):
        tail = 0.5 * (lo_t + hi_t)
        at_low, at_high = int(np.searchsorted(low, tail)), int(np.searchsorted(high, 1 - tail))
        start = float(view.start_s[by_start[min(at_low, p.size - 1)]])
        end = float(view.end_s[by_end[min(at_high, p.size - 1)]])
        inside = p[(view.start_s >= start) & (view.end_s <= end)].sum()
        if inside >= COVER:
            best, lo_t = (start, end), tail
        else:
            hi_t = tail
    # an instant stands for half a step on either side
    return best[0] - 0.5 * view.step_s, best[1] + 0.5 * view.step_s
