"""Where and when an episode's glass was made, and what was written down for that time.

Section, onset, end and entry are judged together (Bayes): each section's likelihood over onset and end is
weighed with what an entry of the events' book or a furnace tag says of them, against "none of these".
An entry is an association in time, never a proof of cause.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp, ndtr
from scipy.stats import laplace

from models.trace.data import PlantEvent
from models.trace.excursions import Excursion
from models.trace.fits import SectionFit, median
from models.trace.priors import section_prior, words_fit
from models.trace.routes import Routes
from models.trace.scene import Found

HOUR = 3600.0
ENTRY_SD_S = 720.0  # entries are good to a quarter of an hour
NONE_PRIOR = 0.3
# how often, and by how much, an entry is an hour or so off, and the glass follows it late
LOOSE_SHARE, LOOSE_MEAN_S = 0.2, 1 * HOUR
LATE_SHARE, LATE_MEAN_S = 0.1, 3 * HOUR
END_TRUST = 0.75
COVER = 0.90
READ_SHARE = 0.5
USUAL_SIZE = 7.0  # robust standard deviations
VESSELS = ("melter", "refiner")
SURE = 0.7  # probability of a section from which an episode may speak for its vessels
MOST_SAID = 12.0  # no draw is ruled out for good by other episodes


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
    onset_s, stop_s : medians of onset and end, the best single guesses
    causes : (cause, weight), heaviest first; none_weight : weight of "none of these"
    pairs_weight : probability of every pair of onset and end of the section's fit, causes weighed in
    """

    section: str
    section_weights: dict[str, float]
    start_s: float
    end_s: float
    onset_s: float
    stop_s: float
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
        best.section, weights, start - best.slack_s, end + best.slack_s, *middles(best),
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
    near, chances, patterns = _patterns(fit, instants, section, causes, slack)
    evidence = fit.evidence
    like = np.exp(fit.log_like - evidence)
    none = (1.0 - chances.sum()) * float((like * np.exp(fit.log_prior)).sum())
    factor = np.zeros(len(causes))
    factor[near] = chances * (patterns @ like)
    mixed = like * ((1.0 - chances.sum()) * np.exp(fit.log_prior) + chances @ patterns)
    total = max(float(mixed.sum()), 1e-300)
    return _View(
        section, start, end, mixed / total, float(np.log(chance) + evidence + np.log(total)),
        factor / total, none / total, slack, step,
    )  # fmt: skip


def _patterns(
    fit: SectionFit, instants: np.ndarray, section: str, causes: list[Cause], slack_s: float
) -> tuple[list[int], np.ndarray, np.ndarray]:
    """What each cause in reach says of onset and end.

    Returns (indices of the causes, prior chance of each, probability of every pair if it is the one, (N, P)).
    """
    first, last = instants[0] - HOUR, instants[-1] + HOUR
    near = [n for n, c in enumerate(causes) if first <= c.start_s <= last]
    if not near:
        return near, np.empty(0), np.empty((0, fit.pairs.i.size))
    says = np.array([words_fit(causes[n].words, section) * _weight(causes[n]) for n in near])
    read = np.array([causes[n].excursion is not None for n in near])
    # readings cross their limits often: many of them must not drown the entries
    part = np.where(read, READ_SHARE, 1 - READ_SHARE) if read.any() and not read.all() else np.ones(read.size)
    whole = np.where(read, says[read].sum(), says[~read].sum())
    chances = (1 - NONE_PRIOR) * part * says / np.maximum(whole, 3.0)
    sd = float(np.hypot(ENTRY_SD_S, slack_s / np.sqrt(3)))
    length_prior = np.exp(fit.log_prior - fit.log_prior.max())
    per_start = np.bincount(fit.pairs.i, length_prior, instants.size)
    # an end is told from the ends that the start allows
    given_start = length_prior / np.maximum(per_start[fit.pairs.i], 1e-300)
    patterns = np.empty((len(near), fit.pairs.i.size))
    for row, n in enumerate(near):
        cause = causes[n]
        ks = _onset_kernel(instants, cause.start_s, sd)[fit.pairs.i]
        if cause.end_s is not None and cause.end_s > cause.start_s:
            ke = _end_kernel(instants, cause.end_s, sd)[fit.pairs.j]
            patterns[row] = ks * (END_TRUST * ke + (1 - END_TRUST) * given_start)
        else:
            patterns[row] = ks * given_start
    return near, chances, patterns


def _weight(cause: Cause) -> float:
    """What a cause weighs before any fit: an entry 1, a reading by how far it went."""
    if cause.excursion is None:
        return 1.0
    return float(np.clip(abs(cause.excursion.size) / USUAL_SIZE, 0.5, 2.0))


def _onset_kernel(instants: np.ndarray, at: float, sd: float) -> np.ndarray:
    """Chance of each instant to be the onset that an entry speaks of, sums to at most 1."""
    edges = np.concatenate([[-np.inf], 0.5 * (instants[1:] + instants[:-1]), [np.inf]])
    prompt = np.diff(ndtr((edges - at) / sd))
    loose = np.diff(laplace.cdf(edges, at, LOOSE_MEAN_S))
    late = np.diff(1.0 - np.exp(-np.maximum(edges - at, 0.0) / LATE_MEAN_S))
    inside = instants[0] - HOUR <= at <= instants[-1] + HOUR
    return ((1 - LOOSE_SHARE - LATE_SHARE) * prompt + LOOSE_SHARE * loose + LATE_SHARE * late) * inside


def _end_kernel(instants: np.ndarray, at: float, sd: float) -> np.ndarray:
    edges = np.concatenate([[-np.inf], 0.5 * (instants[1:] + instants[:-1]), [np.inf]])
    return np.diff(0.8 * ndtr((edges - at) / sd) + 0.2 * ndtr((edges - at) / (2 * HOUR)))


def _window(view: _View) -> tuple[float, float]:
    """Shortest window that holds onset and end together with probability `COVER`."""
    starts, i = np.unique(view.start_s, return_inverse=True)
    ends, j = np.unique(view.end_s, return_inverse=True)
    mass = np.bincount(i * ends.size + j, view.posterior, starts.size * ends.size)
    # chance of an onset at or after a start and an end at or before an end
    held = np.cumsum(mass.reshape(starts.size, ends.size)[::-1], axis=0)[::-1].cumsum(axis=1)
    last = np.minimum((held < COVER * (1 - 1e-9)).sum(axis=1), ends.size - 1)
    enough = held[np.arange(starts.size), last] >= COVER * (1 - 1e-9)
    length = np.where(enough, ends[last] - starts, np.inf)
    best = int(np.argmin(length))
    # an instant stands for half a step on either side
    return float(starts[best]) - 0.5 * view.step_s, float(ends[last[best]]) + 0.5 * view.step_s


def middles(view: _View) -> tuple[float, float]:
    """Medians of onset and end in the section's own time: the best single guesses."""
    return median(view.start_s, view.posterior), median(view.end_s, view.posterior)


def with_shared_vessels(
    found: Sequence[Found], kinds: tuple[str, ...], share: Callable[[Found], float], routes: Routes,
    causes: list[Cause],
) -> list[Found]:  # fmt: skip
    """Episodes whose vessel fits know what the others say of the vessels.

    One plant has one melter: mass, plug and tanks are the same for every episode, so what another episode
    says of them (its course, the entries it fits) weighs each draw in this one's sum.
    """
    says: dict[str, list[tuple[int, np.ndarray]]] = {}
    for n, f in enumerate(found):
        prior = section_prior(1.0 if f.wide else share(f), kinds[f.kind])
        views = {}
        for section, chance in prior.items():
            fit = f.fits.get(section, f.fits["sharp"] if section not in VESSELS else None)
            if fit is not None and chance > 0:
                views[section] = (fit, _view(section, fit, chance, routes, causes, None).log_total)
        total = logsumexp([v for _, v in views.values()])
        for section, (fit, value) in views.items():
            if fit.by_draw is not None and value - total > np.log(SURE):
                _, chances, patterns = _patterns(fit, fit.instants_s, section, causes, 0.0)
                pairs = (1.0 - chances.sum()) * np.exp(fit.log_prior) + chances @ patterns
                told = logsumexp(fit.by_draw + np.log(np.maximum(pairs, 1e-300)), axis=1)
                # draws come with their own weight; only what this episode adds is passed on
                says.setdefault(section, []).append((n, told - fit_weights(routes, section)))
    out = list(found)
    for section, values in says.items():
        for n, _ in values:
            others = [value - value.max() for m, value in values if m != n]
            fit = out[n].fits[section]
            if not others or fit.by_draw is None:
                continue
            extra = np.maximum(np.sum(others, axis=0), -MOST_SAID)
            extra = extra - logsumexp(extra + fit_weights(routes, section))
            by_draw = fit.by_draw + extra[:, None]
            shared = replace(fit, log_like=logsumexp(by_draw, axis=0), by_draw=by_draw)
            out[n] = replace(out[n], fits={**out[n].fits, section: shared})
    return out


def fit_weights(routes: Routes, section: str) -> np.ndarray:
    """Log weight of every draw of a section's vessels, shape (D,)."""
    return np.array([d.log_weight for d in routes.draws[section]])
