"""Which part of each sheet was looked at, where nobody wrote it down: told, or estimated from the defects.

A sheet with a defect was looked at, for that defect. Between two such sheets lie silent ones. A silence is
weighed two ways: somebody looked and found nothing, or nobody looked for a part of it. Looking and not
looking follow each other as a chain of two states, sheet by sheet (Rabiner, Proceedings of the IEEE 77
(1989) 257-286); how often they change is fitted to all silences together (expectation and maximisation;
Dempster, Laird and Rubin, JRSS B 39 (1977) 1-38). How often a sheet that was looked at shows nothing is read
from the sheets around, within a log-normal factor as crews and drift have it.

Limits: only stretches of many sheets can be told. Single sheets that nobody looked at between others look
like clean ones and are taken as looked at; how many they may be, Chao's estimate bounds from the sheets with
one and with two defects (Biometrics 43 (1987) 783-791), and the range says it. Where a shift of glass usually
shows less than one sheet with a defect, nothing can be told: all is taken as looked at, and that is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from models.trace.crews import PRIOR_SD
from models.trace.data import Defects, Sheets

Source = Literal["told", "estimated"]

HOUR_S, DAY_S = 3600.0, 86400.0
SHIFT_S = 8 * HOUR_S
FEWEST_PER_SHIFT = 1.0  # sheets with a defect in a shift of glass, below which silence tells nothing
BLOCK_HITS = (
    8.0  # sheets with a defect in a block of time whose usual silence is measured, where there are so many
)
BLOCKS_S = (HOUR_S, 8 * HOUR_S)
NEAR_S = DAY_S  # the usual silence is that of the day before and the day after
BUSY_QUANTILE = 0.75  # of the blocks, to begin with: most of the record may not have been looked at
LEVEL_SD = float(np.hypot(PRIOR_SD, 0.25))  # crews, and a day's drift
LEVELS = np.exp(LEVEL_SD * np.linspace(-3.0, 3.0, 13))
LEVEL_LOG_WEIGHTS = -0.5 * np.linspace(-3.0, 3.0, 13) ** 2
LEVEL_LOG_WEIGHTS -= np.log(np.exp(LEVEL_LOG_WEIGHTS).sum())
TURNS, SETTLED = 8, 0.1  # of fitting at most; change of the log likelihood at which it ends
NO_CHANCE = -7.0  # log odds below which a silence is not worth the work
MUST_GAIN = 5.0  # log likelihood by which "nobody looked for a part" must explain all silences better
SURE = 1e-3  # what is surer than this is taken as sure
SURELY = 0.95  # chance from which on a silence holds a stretch that nobody looked at: its ends are in doubt


@dataclass(frozen=True)
class Silence:
    """Sheets [first, end) that hardly anybody looked at: `expected` sheets with a defect were usual there."""

    first: int
    end: int
    expected: float


@dataclass(frozen=True)
class Exposure:
    """
    looked : float array, shape (S,), part of each sheet that was looked at: as told, else as estimated
    sheets, unknown : sheets in all, and those of which nobody recorded whether they were looked at
    share, share_low, share_high : part of the unknown sheets that was looked at, and between which figures it
        lies whatever one thought before; None where none is unknown or nothing can be told
    per_shift : sheets with a defect that eight hours of glass usually show; None where none is unknown
    silences : stretches of unknown sheets that are taken as not looked at
    """

    looked: np.ndarray
    sheets: int
    unknown: int
    share: float | None = None
    share_low: float | None = None
    share_high: float | None = None
    per_shift: float | None = None
    silences: tuple[Silence, ...] = ()

    @property
    def source(self) -> Source:
        return "told" if self.unknown == 0 else "estimated"

    def since(self, first: int) -> Exposure:
        """Of the sheets from row `first` on; the figures stay those of the whole."""
        kept = tuple(
            Silence(max(s.first - first, 0), s.end - first, s.expected)
            for s in self.silences
            if s.end > first
        )
        return replace(self, looked=self.looked[first:], silences=kept)

    def as_json(self) -> dict[str, Any]:
        """Numbers of sheets, and the estimate where there is one."""
        said: dict[str, Any] = {"sheets": self.sheets, "sheets_told": self.sheets - self.unknown}
        if self.unknown:
            said["estimated_share"] = None if self.share is None else round(self.share, 4)
            if self.share_low is not None and self.share_high is not None:
                said["estimated_share_range"] = [round(self.share_low, 4), round(self.share_high, 4)]
            said["note"] = self.says()
        return said

    def says(self) -> str:
        """One or two sentences for people; empty where all is told."""
        if self.unknown == 0:
            return ""
        who = f"For {self.unknown} of {self.sheets} sheets nobody recorded whether they were looked at"
        if self.share is None or self.share_low is None or self.share_high is None:
            return (
                f"{who}. There are too few defects to estimate it: all of these sheets are counted as looked"
                " at, so that a stretch that nobody looked at reads like clean glass."
            )
        low, high = math.floor(100 * self.share_low), math.ceil(100 * self.share_high)
        between = "" if low == high else f" (between {low} and {high} %)"
        return (
            f"{who}; their share was estimated from the defects: {100 * self.share:.0f} %{between}."
            " Only longer stretches without defects can be told this way, not single sheets."
        )


def estimate_exposure(sheets: Sheets, defects: Defects) -> Exposure:
    """The part looked at of every sheet. What is told stands; NaN in `sheets.looked` is estimated."""
    total = sheets.looked.size
    unknown = np.flatnonzero(np.isnan(sheets.looked))
    if unknown.size == 0:
        return Exposure(sheets.looked, total, 0)
    hit = np.bincount(defects.sheet[defects.sheet >= 0], minlength=total)[:total] > 0
    whole = np.where(np.isnan(sheets.looked), 1.0, sheets.looked)
    blocks = _Blocks(sheets, hit)
    none = _fit(blocks, unknown, hit, whole, some=False)
    per_shift = blocks.per_shift(none.hazard, whole)
    some = _fit(blocks, unknown, hit, whole, some=True)
    per_shift = max(per_shift, blocks.per_shift(some.hazard, some.looked))
    if per_shift < FEWEST_PER_SHIFT:
        return Exposure(whole, total, unknown.size, per_shift=per_shift)
    best = some if some.log_likelihood > none.log_likelihood + MUST_GAIN else none
    low, high = _range(blocks, best, unknown, defects)
    return Exposure(
        best.looked, total, unknown.size, float(best.looked[unknown].mean()), low, high, per_shift,
        _silences(best, unknown),
    )  # fmt: skip


@dataclass(frozen=True)
class _Fit:
    """looked : shape (S,); hazard : shape (S,), minus log chance that a sheet looked at shows nothing."""

    looked: np.ndarray
    hazard: np.ndarray
    log_likelihood: float


class _Blocks:
    """Sheets in blocks of time: how often a sheet that was looked at shows nothing there."""

    def __init__(self, sheets: Sheets, hit: np.ndarray) -> None:
        time = np.maximum.accumulate(sheets.cut_s)
        span = max(float(time[-1] - time[0]), 1.0)
        self.width_s = float(np.clip(BLOCK_HITS * span / max(int(hit.sum()), 1), *BLOCKS_S))
        self.block = ((time - time[0]) / self.width_s).astype(int)
        self.count = int(self.block[-1]) + 1
        self.sheets_in_shift = time.size / max(self.count * self.width_s / SHIFT_S, 1.0)
        self.area = sheets.length_mm * sheets.width_mm / 1e6
        self.hit = hit

    def hazard(self, looked: np.ndarray, quantile: float) -> np.ndarray:
        """Minus log chance of silence by sheet, shape (S,): a quantile of the blocks of the days around."""
        seen = np.bincount(self.block, looked, self.count)
        glass = np.bincount(self.block, looked * self.area, self.count)
        hits = np.bincount(self.block, self.hit & (looked > 0), self.count)
        silent = (np.maximum(seen - hits, 0.0) + 0.5) / (seen + 1.0)
        rate = -np.log(silent) * seen / np.maximum(glass, 1e-9)
        # a block of which little was looked at has a say to match
        reach = max(1, round(NEAR_S / self.width_s))
        pad = ((reach, reach),)
        near = np.lib.stride_tricks.sliding_window_view(np.pad(rate, pad), 2 * reach + 1)
        weight = np.lib.stride_tricks.sliding_window_view(np.pad(seen, pad), 2 * reach + 1)
        usual = _quantile(near, weight, quantile)
        bare = ~np.isfinite(usual)
        if bare.any():
            usual[bare] = _quantile(rate[None, :], seen[None, :], quantile)[0]
        return np.nan_to_num(usual)[self.block] * self.area

    def per_shift(self, hazard: np.ndarray, looked: np.ndarray) -> float:
        """Sheets with a defect that a shift of glass looked at usually shows."""
        share = np.average(1.0 - np.exp(-hazard), weights=np.maximum(looked, 1e-6))
        return float(share) * self.sheets_in_shift


def _quantile(values: np.ndarray, weight: np.ndarray, quantile: float) -> np.ndarray:
    """Weighted quantile along the last axis, NaN where all weights are 0."""
    order = np.argsort(values, axis=-1)
    total = np.cumsum(np.take_along_axis(weight, order, axis=-1), axis=-1)
    at = np.argmax(total >= quantile * total[..., -1:], axis=-1)
    found = np.take_along_axis(np.take_along_axis(values, order, axis=-1), at[..., None], axis=-1)[..., 0]
    return np.where(total[..., -1] > 0, found, np.nan)


def _fit(blocks: _Blocks, unknown: np.ndarray, hit: np.ndarray, whole: np.ndarray, *, some: bool) -> _Fit:
    """Silences explained with lookers alone, or with stretches that nobody looked at (`some`)."""
    looked = whole
    if not some:
        hazard = blocks.hazard(looked, 0.5)
        value, _, _, _ = _weigh(hazard[unknown], hit[unknown], 0.0, 1.0)
        return _Fit(looked, hazard, value)
    shift = blocks.sheets_in_shift
    leave, back = 1.0 / (10 * shift), 2.0 / shift
    hazard = blocks.hazard(looked, BUSY_QUANTILE)
    value, before = -np.inf, -np.inf
    for turn in range(TURNS):
        value, away, leaves, backs = _weigh(hazard[unknown], hit[unknown], leave, back)
        looked = whole.copy()
        looked[unknown] = _parts(away, hit[unknown])
        if abs(value - before) < SETTLED or turn + 1 == TURNS:
            break
        before = value
        # half a change in five shifts is put to what was counted, so that a short record says little
        leave = (leaves + 0.5) / ((1.0 - away).sum() + 5 * shift)
        back = min((backs + 1.0) / (away.sum() + 0.5 * shift), 0.5)
        hazard = blocks.hazard(looked, 0.5)
    return _Fit(looked, hazard, value)


def _weigh(
    hazard: np.ndarray, hit: np.ndarray, leave: float, back: float
) -> tuple[float, np.ndarray, float, float]:
    """The unknown sheets in line order, weighed silence by silence.

    leave, back : chance from one sheet to the next that looking stops, and that it begins again

    Returns (log likelihood, chance that nobody looked, shape of `hazard`, expected stops, expected begins).
    """
    away = np.zeros(hazard.size)
    sum_ = np.concatenate([[0.0], np.cumsum(hazard)])
    value = float(np.log(-np.expm1(-np.maximum(hazard[hit], 1e-9))).sum())
    first, end = _between(hit)
    length, load = end - first, sum_[end] - sum_[first]
    inner = (first > 0) & (end < hazard.size)
    with np.errstate(divide="ignore"):
        chance = np.log(leave) + np.where(inner, np.log(back), 0.0) + 2 * np.log(np.maximum(length, 1)) + load
    work = (length > 0) & (chance > NO_CHANCE)
    quiet = _all_looked(load[(length > 0) & ~work])
    value += float(quiet.sum())
    leaves = backs = 0.0
    for n in np.flatnonzero(work):
        lo, hi = int(first[n]), int(end[n])
        ends = (lo == 0, hi == hazard.size)
        log_z, away[lo:hi], stops, begins = _one_silence(hazard[lo:hi], leave, back, ends)
        value, leaves, backs = value + log_z, leaves + stops, backs + begins
    return value, away, leaves, backs


def _between(hit: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Silences as rows [first, end): before, between and after the sheets with a defect; some are empty."""
    at = np.flatnonzero(hit)
    return np.concatenate([[0], at + 1]), np.concatenate([at, [hit.size]])


def _parts(away: np.ndarray, hit: np.ndarray) -> np.ndarray:
    """Part looked at of each unknown sheet, shape of `away`, the chance that nobody looked.

    Where a stretch was surely not looked at, only its ends are in doubt. The sheets that were still looked at
    there, as many as are to be expected, are put next to the sheet with a defect: spread thinly over hours
    they would make empty shifts look like shifts that saw nothing.
    """
    part = np.where(away > 1 - SURE, 0.0, np.where(away < SURE, 1.0, 1.0 - away))
    first, end = _between(hit)
    some = np.flatnonzero(end > first)
    peak = np.maximum.reduceat(np.append(away, 0.0), np.ravel(np.stack([first[some], end[some]], axis=1)))[
        ::2
    ]
    for n in some[peak > SURELY]:
        lo, hi = int(first[n]), int(end[n])
        top = lo + int(np.argmax(away[lo:hi]))
        before, after = (1.0 - away[lo:top]).sum(), (1.0 - away[top + 1 : hi]).sum()
        steps = np.arange(hi - lo)
        part[lo:hi] = np.clip(before - steps, 0.0, 1.0) + np.clip(after - steps[::-1], 0.0, 1.0)
    return part


def _all_looked(load: np.ndarray) -> np.ndarray:
    """Log chance of silences of usual weight `load` that were looked at throughout, shape of `load`."""
    if load.size == 0:
        return load
    terms = LEVEL_LOG_WEIGHTS[:, None] - LEVELS[:, None] * load[None, :]
    return np.asarray(np.logaddexp.reduce(terms, axis=0))


def _one_silence(
    hazard: np.ndarray, leave: float, back: float, ends: tuple[bool, bool]
) -> tuple[float, np.ndarray, float, float]:
    """One silence: looked at throughout, or with one stretch in it that nobody looked at.

    ends : whether it lies at the record's beginning, at its end; there nobody need have looked outside

    All first and last sheets of the stretch are tried: the weight of [i, j] is a factor of i times one of j,
    so that sums over all of them are cumulative sums.
    """
    size = hazard.size
    load = np.concatenate([[0.0], np.cumsum(hazard)])
    steps, stay = np.arange(size), np.log1p(-back)
    start, stop = np.full(size, np.log(leave)), np.full(size, np.log(back))
    if ends[0]:
        start[0] = np.log(leave / back)
    if ends[1]:
        stop[-1] = 0.0
    level = LEVELS[:, None]
    first = start - steps * stay - level * load[:-1]
    last = stop + steps * stay - level * (load[-1] - load[1:])
    before = np.logaddexp.accumulate(first, axis=1)
    after = np.logaddexp.accumulate(last[:, ::-1], axis=1)[:, ::-1]
    looked = LEVEL_LOG_WEIGHTS - LEVELS * load[-1]
    some = LEVEL_LOG_WEIGHTS + np.logaddexp.reduce(before + last, axis=1)
    log_z = float(np.logaddexp.reduce(np.concatenate([looked, some])))
    away = np.exp(np.logaddexp.reduce(LEVEL_LOG_WEIGHTS[:, None] + before + after, axis=0) - log_z)
    share = float(np.exp(np.logaddexp.reduce(some) - log_z))
    # a stretch at an end of the record began or ended outside it
    begun = float(np.exp(np.logaddexp.reduce(LEVEL_LOG_WEIGHTS + first[:, 0] + after[:, 0]) - log_z))
    left = float(np.exp(np.logaddexp.reduce(LEVEL_LOG_WEIGHTS + before[:, -1] + last[:, -1]) - log_z))
    stops, begins = share - (begun if ends[0] else 0.0), share - (left if ends[1] else 0.0)
    return log_z, np.minimum(away, 1.0), stops, begins


def _range(blocks: _Blocks, fit: _Fit, unknown: np.ndarray, defects: Defects) -> tuple[float, float]:
    """Least and most part of the unknown sheets that was looked at.

    Stretches: with even odds beforehand, what is surer than 19 to 1. Single sheets: Chao, with his variance.
    """
    even = 1.0 / blocks.sheets_in_shift
    _, away, _, _ = _weigh(fit.hazard[unknown], blocks.hit[unknown], even, even)
    kept = unknown[away < 0.5]
    most = float((away < SURELY).mean())
    least = min(float((away < 1.0 - SURELY).mean()), most)
    if kept.size == 0:
        return least, most
    count = np.bincount(defects.sheet[defects.sheet >= 0], minlength=blocks.hit.size)[kept]
    one, two, carrying = int((count == 1).sum()), int((count == 2).sum()), int((count > 0).sum())
    silent = one * (one - 1) / (2.0 * (two + 1))
    ratio = one / max(two, 1)
    sd = np.sqrt(max(two, 1) * (0.25 * ratio**4 + ratio**3 + 0.5 * ratio**2))
    silent *= np.exp(-1.645 * sd / silent) if silent > 0 else 1.0
    return float(least * min(1.0, (carrying + silent) / kept.size)), most


def _silences(fit: _Fit, unknown: np.ndarray) -> tuple[Silence, ...]:
    """Runs of unknown sheets that were more likely not looked at, neighbours in the file joined."""
    empty = fit.looked[unknown] < 0.5
    edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(int)))
    return tuple(
        Silence(int(unknown[a]), int(unknown[b - 1]) + 1, float(fit.hazard[unknown[a:b]].sum()))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
