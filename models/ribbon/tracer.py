"""What a tracer run says of a vessel: its residence-time distribution, from readings at the exit.

A pulse (a weighed bag of tracer on one charge) gives the density E, a step (a change of cullet or colour
that lasts) gives F. Background is taken off, the tail beyond the record is continued as an exponential, and
what the run leaves uncertain is told by curves worked out again from readings moved about within their error.

Moments by sums over readings: Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 11 (mean, variance) and
ch. 14 (tanks in series of the same variance). Everything is a function of tonnes drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import isotonic_regression, least_squares

from models.errors import BadValue
from models.ribbon.readings import (
    FEWEST,
    UNKNOWN_NOISE,
    Readings,
    background_of,
    checked,
    each_of,
    noise_of,
)
from models.ribbon.residence import MeasuredResidence, Residence

MOST_BEYOND = 1 / 3  # of the tracer beyond the record's end: more is guesswork
CLEAN = 0.003  # noise below this part of the peak is none
DRAWS = 48
# tanks in series fade faster far out than just after their peak: an exponential laid there may be too long
TAIL_LENGTH = (0.6, 1.15)
# a step levels off within this part of its last quarter's record, or its level is guesswork
PLATEAU = 0.5
SEED = 14  # the curves moved about are the same each time


@dataclass(frozen=True)
class TracerResult:
    """
    response : readings above background (pulse) or share of new glass (step), shape (N,), with their tonnes
    noise : standard deviation of a response; None where nothing tells it
    area : tracer times tonnes under a pulse's curve, tail and all; None for a step
    mean_t, variance_t2 : by sums over the readings, tail included
    mean_sd_t : how far the mean may be off (standard deviation over `draws`)
    beyond : share of the tracer beyond the record's end
    tail_t : tonnes in which the tail falls to 1/e, None where the record was followed to its end
    curve : F as used; draws : equally likely other curves
    fitted : plug flow and tanks that come nearest to F; fitted_gap : largest difference in F
    says, doubts : sentences for people: what is plain, and what leaves a doubt
    """

    tonnes: np.ndarray
    response: np.ndarray
    noise: float | None
    area: float | None
    mean_t: float
    variance_t2: float
    mean_sd_t: float
    beyond: float
    tail_t: float | None
    curve: MeasuredResidence
    draws: tuple[MeasuredResidence, ...]
    fitted: Residence
    fitted_gap: float
    says: tuple[str, ...]
    doubts: tuple[str, ...]

    def tanks(self) -> float:
        """Tanks in series of the same mean and variance: mean^2 / variance (Levenspiel, ch. 14)."""
        return self.mean_t**2 / self.variance_t2


def analyse(readings: Readings, draws: int = DRAWS) -> TracerResult:
    """Work a run out.

    Raises BadValue where the readings cannot be a response: too few, no tracer above the background, a record
    that ends too early, tonnes that do not increase.
    """
    q, c = checked(readings)
    level, level_sd, says = background_of(readings, q, c)
    noise = noise_of(readings, q, c - level)
    after = q >= 0
    q, net = q[after], (c - level)[after]
    if q.size < FEWEST:
        raise BadValue(f"the run has {q.size} readings after the tracer went in; expected at least {FEWEST}")
    if q[0] > 0:  # no glass has passed at 0 tonnes
        q, net = np.concatenate([[0.0], q]), np.concatenate([[0.0], net])
    work = _pulse if readings.method == "pulse" else _step
    whole = 0.0
    open_end = readings.method == "step" and readings.final is None
    if readings.method == "step":
        whole = _plateau(q, net) if readings.final is None else readings.final - float(level[-1])
    best = work(q, net, noise, whole, 1.0)
    if best.beyond > MOST_BEYOND:
        raise BadValue(
            f"about {100 * best.beyond:.0f} % of the tracer was still to come when the record ends; expected"
            f" at most a third: sample longer"
        )
    each = each_of(readings, after, q, net, noise)
    # the further a step is from its level, the less sure is the level
    loose = (level_sd, readings.tonnes_tolerance, best.beyond)
    curves = _moved(q, net, noise, each, loose, None if open_end else whole, work, draws)
    means = np.array([m for m, _ in curves])
    if means.size < draws / 2:
        raise BadValue("the readings are too uncertain to say how long glass stays; expected a clearer run")
    fitted, gap = _plug_and_tanks(best.curve)
    plain, doubts = _told(readings, best, noise, q)
    return TracerResult(
        q, best.response, None if noise is None else noise / best.unit, best.area, best.mean, best.variance,
        float(means.std(ddof=1)), best.beyond, best.tail, best.curve, tuple(curve for _, curve in curves),
        fitted, gap, (*says, *plain), tuple(doubts),
    )  # fmt: skip


@dataclass(frozen=True)
class _Worked:
    response: np.ndarray
    unit: float  # what a reading is divided by to give a response
    area: float | None
    mean: float
    variance: float
    beyond: float
    tail: float | None
    curve: MeasuredResidence


#: tonnes, readings above background, noise, height of a step, factor on the tail's length
Work = Callable[[np.ndarray, np.ndarray, float | None, float, float], _Worked]


def _tail(q: np.ndarray, w: np.ndarray, noise: float | None, longer: float) -> tuple[int, float, float]:
    """(last reading that is used as it is, height there, tonnes to 1/e) of a response that fades.

    Height 0: the record is followed to its end and nothing lies beyond. Otherwise an exponential goes on from
    there, fitted to all readings since the response fell below a quarter of its peak. `longer` is a factor on
    its length: what the readings do not tell.
    """
    top = int(np.argmax(w))
    peak = float(w[top])
    clean = noise is None or noise < CLEAN * peak
    last = q.size - 1
    if clean and w[-1] <= 0.01 * peak:
        return last, 0.0, 0.0
    if not clean and noise is not None:
        # three neighbours together stand clear of the noise; single readings now and then do by chance
        together = np.convolve(w, np.full(3, 1 / 3), mode="valid")
        clear = np.flatnonzero(together > max(2.5 * noise, 0.01 * peak))
        last = max(top, int(clear[-1]) + 1) if clear.size else top
    start = max(top, int(np.flatnonzero(w > 0.25 * peak)[-1]))
    start = max(top, min(start, q.size - 4))
    x, y = q[start:] - q[start], w[start:]
    if x.size < 3:
        raise BadValue("the record ends while the tracer is still at its height: sample longer")
    scales = np.geomspace(0.05 * (x[-1] + 1e-12), 6.0 * (x[-1] + 1e-12), 160)
    basis = np.exp(-x[None, :] / scales[:, None])
    height = np.maximum(basis @ y / (basis**2).sum(axis=1), 0.0)
    off = ((y[None, :] - height[:, None] * basis) ** 2).sum(axis=1)
    best = int(np.argmin(off))
    if best == scales.size - 1:
        raise BadValue("the tracer does not fade by the end of the record: sample longer")
    there = float(height[best] * np.exp(-(q[last] - q[start]) / scales[best]))
    return last, there, float(scales[best]) * longer


def _pulse(q: np.ndarray, net: np.ndarray, noise: float | None, _whole: float, longer: float) -> _Worked:
    if net.max() <= (0.0 if noise is None else 4.0 * noise):
        raise BadValue("the tracer never stands above its background; expected a pulse that shows")
    last, height, scale = _tail(q, net, noise, longer)
    t, c = q[: last + 1], net[: last + 1]
    area = float(np.trapezoid(c, t)) + height * scale
    if area <= 0:
        raise BadValue("there is no tracer under the curve; expected readings above the background")
    first = float(np.trapezoid(t * c, t)) + height * scale * (t[-1] + scale)
    second = float(np.trapezoid(t * t * c, t)) + height * scale * (t[-1] ** 2 + 2 * scale * (t[-1] + scale))
    mean = first / area
    beyond = height * scale * np.exp(-(q[-1] - t[-1]) / scale) / area if height > 0 else 0.0
    # F within a step of a straight E is a parabola: knots between the readings follow it
    knots = np.unique(np.concatenate([np.linspace(a, b, 9) for a, b in pairwise(t)]))
    fine = np.interp(knots, t, c)
    rising = np.concatenate([[0.0], np.cumsum(np.diff(knots) * (fine[1:] + fine[:-1]) / 2)]) / area
    curve = _curve(knots, rising, height * scale / area, scale)
    variance = _positive(second / area - mean**2)
    return _Worked(net, 1.0, area, mean, variance, float(beyond), scale if height > 0 else None, curve)


def _step(q: np.ndarray, net: np.ndarray, noise: float | None, whole: float, longer: float) -> _Worked:
    if abs(whole) <= (0.0 if noise is None else 4.0 * noise):
        raise BadValue("old and new glass do not differ in the tracer; expected a step that shows")
    left = 1.0 - net / whole
    left[0] = 1.0
    last, height, scale = _tail(q, left, None if noise is None else noise / abs(whole), longer)
    t, w = q[: last + 1], left[: last + 1]
    mean = float(np.trapezoid(w, t)) + height * scale
    second = 2 * float(np.trapezoid(t * w, t)) + 2 * height * scale * (t[-1] + scale)
    if mean <= 0:
        raise BadValue("new glass is there before it went in; expected a step after the time introduced")
    beyond = height * np.exp(-(q[-1] - t[-1]) / scale) if height > 0 else 0.0
    curve = _curve(t, 1.0 - w, height, scale)
    variance = _positive(second - mean**2)
    tail = scale if height > 0 else None
    return _Worked(net / whole, abs(whole), None, mean, variance, float(beyond), tail, curve)


def _plateau(q: np.ndarray, net: np.ndarray) -> float:
    """Where the readings are heading, above background: an exponential through the rise's last quarter."""
    top = float(net[np.argmax(np.abs(net))])
    y = net / top
    start = int(np.flatnonzero(y < 0.75)[-1])
    x, y = q[start:] - q[start], y[start:]
    if x.size < 2 * FEWEST:
        raise BadValue("the record ends while the step is still rising: sample longer, or state final")
    scales = np.geomspace(0.02, PLATEAU, 60) * x[-1]
    best = (np.inf, 0.0, 0.0)
    for scale in scales:
        basis = np.stack([np.ones(x.size), np.exp(-x / scale)], axis=1)
        found = np.linalg.solve(basis.T @ basis, basis.T @ y)
        off = float(((basis @ found - y) ** 2).sum())
        if off < best[0]:
            best = (off, float(found[0]), float(scale))
    if best[2] == scales[-1]:
        raise BadValue("the record ends before the step levels off: sample longer, or state final")
    return top * best[1]


def _positive(variance: float) -> float:
    if not variance > 0:
        raise BadValue("the readings have no spread in time; expected a response of some length")
    return variance


def _curve(knots: np.ndarray, share: np.ndarray, rest: float, scale: float) -> MeasuredResidence:
    """F through knots and along an exponential tail that holds `rest`; noise must not make it fall."""
    share = np.clip(isotonic_regression(share).x, 0.0, 1.0 - max(rest, 0.0))
    share[0] = 0.0
    if rest > 0:
        beyond = np.linspace(0.0, 9.0, 60)[1:]
        knots = np.concatenate([knots, knots[-1] + scale * beyond])
        share = np.concatenate([share, 1.0 - rest * np.exp(-beyond)])
    share[-1] = 1.0
    return MeasuredResidence(knots, share)


def _moved(
    q: np.ndarray, net: np.ndarray, noise: float | None, each: np.ndarray, loose: tuple[float, float, float],
    whole: float | None, work: Work, draws: int,
) -> list[tuple[float, MeasuredResidence]]:  # fmt: skip
    """(mean, curve) of the run with readings, background and tonnes moved within their error."""
    rng = np.random.default_rng(SEED)
    made = []
    for _ in range(draws):
        moved = net + each * rng.standard_normal(net.size) + loose[0] * rng.standard_normal()
        stretched = q * (1.0 + loose[1] * rng.uniform(-1, 1))
        try:
            height = whole
            if height is None:
                height = _plateau(stretched, moved) * (1.0 + loose[2] * rng.uniform(-1, 1))
            worked = work(stretched, moved, noise, height, rng.uniform(*TAIL_LENGTH))
        except BadValue:
            continue
        made.append((worked.mean, worked.curve))
    return made


def _plug_and_tanks(curve: MeasuredResidence) -> tuple[Residence, float]:
    """The plug flow and tanks that come nearest to F (least squares on even shares), and the largest gap."""
    t = np.linspace(0.0, float(curve.quantile(0.995)), 240)
    f = curve.cdf(t)
    mean, sd = curve.mean_t(), curve.sd_t()

    def vessel(x: np.ndarray) -> Residence:
        return Residence(float(x[0]) * mean, float(x[1]), float(x[2]))

    spread = max(sd / mean, 0.05)
    begin = [1.0, 0.1, float(np.clip((0.9 / spread) ** 2, 0.6, 40.0))]
    found = least_squares(
        lambda x: vessel(x).cdf(t) - f, begin, bounds=([0.2, 0.0, 0.5], [3.0, 0.95, 60.0]), max_nfev=120
    )
    best = vessel(found.x)
    return best, float(np.abs(best.cdf(t) - f).max())


def _told(
    readings: Readings, worked: _Worked, noise: float | None, q: np.ndarray
) -> tuple[list[str], list[str]]:
    """(what is plain, what leaves a doubt), in sentences."""
    plain, doubts = [], []
    if noise is None:
        doubts.append(
            "Nothing tells the error of a reading (no column sd, fewer than four samples before):"
            f" {100 * UNKNOWN_NOISE:.0f} % of each is taken."
        )
    if worked.tail is not None and worked.beyond > 0.0005:
        doubts.append(
            f"Beyond the last sample at {q[-1]:.0f} t lie {100 * worked.beyond:.1f} % of the tracer: the"
            f" curve goes on as an exponential that falls to 1/e in {worked.tail:.0f} t."
        )
    elif worked.tail is not None:
        plain.append(
            "Where the readings sink into their noise the curve goes on as an exponential that falls to 1/e"
            f" in {worked.tail:.0f} t."
        )
    if readings.method == "step" and readings.final is None:
        doubts.append("The level of all-new glass is taken from where the last readings are heading.")
    return plain, doubts
