"""Space-time scan over ribbon time x width.

Every box of the grid is compared with the rest of the ribbon in the same hours: the count in the
box against the share that the cross profile gives it of the whole count of those hours. Whatever moves
the whole width (drift, a sharper crew, a faster line) cancels. The measure is Kulldorff's likelihood ratio
(Communications in Statistics 26 (1997) 1481-1496) in its conditional, binomial form; boxes of every size are
judged at their own critical value (Walther, arXiv 2107.08296, 2022), because small boxes are many.

The share of a part of the width wanders too, at the edges more than in the middle. How far is told from the
spread of boxes of the same size; the likelihood ratio is then what is left at the most likely wander, which
pays for itself as a normal deviate of the logarithm of the odds.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import expit, xlogy

DURATIONS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
WIDTHS = (1, 2, 4, 8, 16, 32, 64)
# effective number of independent boxes per disjoint one of the same size; set so that among invented
# backgrounds with nothing in them about one in twenty shows p below 0.05 (tests/bench/trace.py --nothing)
OVERLAP = 1.5
LOOK_AT_Z = 3.0
EDGE_CELLS = 16  # boxes that lie wholly so near an edge wander as edges do
LEAST_WANDER = 0.1  # no part of a ribbon keeps its share of the defects more closely than that


@dataclass(frozen=True)
class Box:
    """Cells [t_lo, t_hi) x [x_lo, x_hi); `expected` from the rest of the ribbon; p for the whole scan."""

    t_lo: int
    t_hi: int
    x_lo: int
    x_hi: int
    count: float
    expected: float
    llr: float
    log_p: float
    log_tries: float = 0.0


@dataclass(frozen=True)
class Spread:
    """How far boxes of each size stray, shape (len(DURATIONS), len(WIDTHS)) each.

    phi : variance over that of chance where counts are few; middle, edge : standard deviation of the
        logarithm of a box's own level
    """

    phi: np.ndarray
    middle: np.ndarray
    edge: np.ndarray


def poisson_llr(count: np.ndarray, expected: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Kulldorff's log likelihood ratio: c ln(c/E) + (C-c) ln((C-c)/(C-E)) where c > E, else 0.

    count c, expected E (under the null, of a total C), total C : floats or arrays. Natural logarithm;
    0 ln 0 is 0, so that c = 0 and c = C give numbers.
    """
    c, e, n = (np.asarray(v, dtype=float) for v in (count, expected, total))
    rest_c, rest_e = n - c, np.maximum(n - e, 1e-300)
    value = (
        xlogy(c, np.maximum(c, 1e-300) / np.maximum(e, 1e-300))
        + xlogy(rest_c, np.maximum(rest_c, 1e-300) / rest_e)
    )  # fmt: skip
    return np.where(c > e, np.maximum(value, 0.0), 0.0)


def scan(
    counts: np.ndarray,
    weights: np.ndarray,
    *,
    limit_log_p: float,
    tests: float = 1.0,
    widest: float = 0.75,
) -> tuple[list[Box], Spread]:
    """Boxes with more than their share, best first, not overlapping.

    counts : float array, shape (T, X)
    weights : float array, shape (T, X), expected counts up to a factor per time cell; 0: not seen
    limit_log_p : only boxes whose log p (over all boxes and `tests` such scans) lies below
    widest : share of the whole weight that a box may take at most

    Returns (boxes, spread).
    """
    c_sum, w_sum = _integral(counts), _integral(weights)
    rows, columns = counts.shape
    inside = np.flatnonzero(weights.sum(axis=0) > 0)
    ends = (int(inside[0]), int(inside[-1]) + 1) if inside.size else (0, columns)
    sizes = {
        (i, j): _Boxes(c_sum, w_sum, duration, width, ends)
        for i, duration in enumerate(DURATIONS) if duration <= rows
        for j, width in enumerate(WIDTHS) if width <= columns
    }  # fmt: skip
    spread = np.ones((len(DURATIONS), len(WIDTHS)))
    for (i, j), boxes in sizes.items():
        spread[i, j] = max(spread[: i + 1, : j + 1].max(), boxes.clustering())
    known = Spread(spread, *_wander(sizes, spread))
    found: list[tuple[float, Box]] = []
    for (i, j), boxes in sizes.items():
        phi, s = spread[i, j], np.where(boxes.at_edge, known.edge[i, j], known.middle[i, j])[None, :]
        c, e = boxes.c, boxes.e
        at = np.nonzero(
            (c > 3)
            & (c - e > LOOK_AT_Z * np.sqrt(phi * np.maximum(e, 0.0)))
            & (boxes.w < widest * boxes.w_all)
            & (boxes.w > 0)
        )
        if at[0].size == 0:
            continue
        c_at, e_at, n_at = c[at], e[at], np.broadcast_to(boxes.c_all, c.shape)[at]
        e_at = np.minimum(e_at, n_at)
        plain, llr = _wandering_llr(c_at, e_at, n_at, phi, np.broadcast_to(s, c.shape)[at])
        tries = np.log(
            OVERLAP * (rows / boxes.duration) * (columns / boxes.width) * len(DURATIONS) * len(WIDTHS) * tests
        )
        log_p = tries - llr
        for n in np.flatnonzero(log_p < limit_log_p):
            a, b = int(boxes.t[at[0][n]]), int(boxes.x[at[1][n]])
            box = Box(
                a, a + boxes.duration, b, b + boxes.width, float(c_at[n]), float(e_at[n]), float(llr[n]),
                float(log_p[n]), float(tries),
            )  # fmt: skip
            # of boxes that overlap, the one that explains most: the wander would favour the steepest part
            found.append((-float(plain[n]), box))
    return _without_overlap(found), known


def box_of(counts: np.ndarray, weights: np.ndarray, cells: tuple[int, int, int, int], spread: Spread) -> Box:
    """One box as `scan` would judge it; its log p is that of this box alone."""
    t_lo, t_hi, x_lo, x_hi = cells
    c, w = counts[t_lo:t_hi], weights[t_lo:t_hi]
    total, inside = float(c.sum()), float(c[:, x_lo:x_hi].sum())
    expected = total * float(w[:, x_lo:x_hi].sum()) / max(float(w.sum()), 1e-12)
    i = int(np.argmin(np.abs(np.log(np.array(DURATIONS) / max(t_hi - t_lo, 1)))))
    j = int(np.argmin(np.abs(np.log(np.array(WIDTHS) / max(x_hi - x_lo, 1)))))
    there = np.flatnonzero(w.sum(axis=0) > 0)
    at_edge = there.size > 0 and (x_hi <= there[0] + EDGE_CELLS or x_lo > there[-1] - EDGE_CELLS)
    s = spread.edge[i, j] if at_edge else spread.middle[i, j]
    _, llr = _wandering_llr(
        np.array([inside]), np.array([expected]), np.array([total]), float(spread.phi[i, j]), np.array([s])
    )
    value = float(llr[0]) if inside > expected else 0.0
    return Box(t_lo, t_hi, x_lo, x_hi, inside, expected, value, -value)


class _Boxes:
    """All boxes of one size, a quarter of their size apart: counts and what their share would be."""

    def __init__(
        self, c_sum: np.ndarray, w_sum: np.ndarray, duration: int, width: int, ends: tuple[int, int]
    ) -> None:
        rows, columns = c_sum.shape[0] - 1, c_sum.shape[1] - 1
        self.duration, self.width = duration, width
        self.t = t = np.arange(0, rows - duration + 1, max(1, duration // 4))
        self.x = x = np.arange(0, columns - width + 1, max(1, width // 4))
        c_rows, w_rows = c_sum[t + duration] - c_sum[t], w_sum[t + duration] - w_sum[t]
        self.c_all, self.w_all = c_rows[:, -1:], w_rows[:, -1:]
        self.c = c_rows[:, x + width] - c_rows[:, x]
        self.w = w_rows[:, x + width] - w_rows[:, x]
        self.e = self.w * (self.c_all / np.maximum(self.w_all, 1e-12))
        self.at_edge = (x + width <= ends[0] + EDGE_CELLS) | (x >= ends[1] - EDGE_CELLS)
        self.apart = (rows / duration) * (columns / width)

    def clustering(self) -> float:
        """Variance over chance where drift cannot matter: few counts a box."""
        return _dispersion(self.c, self.e, self.w, self.w_all) if float(np.median(self.e)) < 10 else 1.0

    def wander(self, phi: float, edge: bool) -> float:
        """Standard deviation of the logarithm of the boxes' own level, nan where too few tell it."""
        across = np.flatnonzero(self.at_edge == edge)
        e, c = self.e[:, across], self.c[:, across]
        share = np.minimum(self.w[:, across] / np.maximum(self.w_all, 1e-12), 0.999)
        seen = (share < 0.6) & (self.w[:, across] > 0)
        use = seen & (e > 15)
        # where few boxes hold so many, those few are the episodes
        if (
            use.sum() < 60
            or use.sum() < 0.5 * seen.sum()
            or self.apart * across.size / max(self.x.size, 1) < 20
        ):
            return np.nan
        rest = 1.0 - share[use]
        value = (c[use] - e[use]) / (e[use] * rest)
        low, high = np.quantile(value, [0.25, 0.75])
        chance = float(np.mean(phi / (e[use] * rest)))
        return float(np.sqrt(max(((high - low) / 1.349) ** 2 - chance, 0.0)))


def _wander(sizes: dict[tuple[int, int], _Boxes], spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Wander of boxes of every size, in the middle and at the edges.

    A box wanders at least as far as the larger ones that it could lie in.
    """
    middle = np.full(spread.shape, LEAST_WANDER)
    edge = np.full(spread.shape, LEAST_WANDER)
    for values, at_edge in ((middle, False), (edge, True)):
        for (i, j), boxes in sizes.items():
            own = boxes.wander(spread[i, j], at_edge)
            if np.isfinite(own):
                part = values[: i + 1, : j + 1]
                np.maximum(part, own, out=part)
    return middle, np.maximum(middle, edge)


def _wandering_llr(
    c: np.ndarray, e: np.ndarray, total: np.ndarray, phi: float, s: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood ratios: of counts alone, and with odds off by a log-normal factor of width s."""
    # the box against the rest of the ribbon: the wander shifts the logarithm of their odds
    odds = np.log(np.maximum(e, 1e-9) / np.maximum(total - e, 1e-9))
    reach = np.log(np.maximum(c, 1e-9) / np.maximum(total - c, 0.5)) - odds
    plain = best = np.full(c.shape, np.inf)
    for part in np.linspace(0.0, 1.0, 21):
        off = part * reach
        # beside a box that holds nearly everything the rest is no measure: half a count of doubt
        left = poisson_llr(c, total * expit(odds + off), total + 0.5) / phi
        plain = left if part == 0.0 else plain
        best = np.minimum(best, left + 0.5 * (off / s) ** 2)
    return plain, best


def _integral(values: np.ndarray) -> np.ndarray:
    out = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    np.cumsum(np.cumsum(values, axis=0, dtype=float), axis=1, out=out[1:, 1:])
    return out


def _dispersion(c: np.ndarray, e: np.ndarray, w: np.ndarray, w_all: np.ndarray) -> float:
    """Variance of counts over chance in the bulk of the boxes (episodes are few): a robust ratio.

    The interquartile range is compared with that of chance; it says nothing where counts are small.
    """
    share = np.minimum(w / np.maximum(w_all, 1e-12), 0.999)
    use = e > 6
    if use.sum() < 60 or use.sum() < 0.5 * (w > 0).sum():
        return _clustering(c, e)
    z = (c[use] - e[use]) / np.sqrt(e[use] * (1 - share[use]))
    low, high = np.quantile(z, [0.25, 0.75])
    return float(max(1.0, ((high - low) / 1.349) ** 2))


def _clustering(c: np.ndarray, e: np.ndarray, parts: int = 8) -> float:
    """Variance over chance where counts are small: defects that come in clusters show in it.

    Squared deviations over expected counts, part by part of the grid; the median of the parts, since
    episodes fill few of them.
    """
    rows = np.linspace(0, c.shape[0], parts + 1).astype(int)
    columns = np.linspace(0, c.shape[1], parts + 1).astype(int)
    ratios = []
    square = (c - e) ** 2
    for a, b in pairwise(rows):
        for left, right in pairwise(columns):
            load = float(e[a:b, left:right].sum())
            if load > 10:
                ratios.append(float(square[a:b, left:right].sum()) / load)
    return max(1.0, float(np.median(ratios))) if len(ratios) > 8 else 1.0


def _without_overlap(found: list[tuple[float, Box]], most: int = 40) -> list[Box]:
    found.sort(key=lambda pair: pair[0])
    kept: list[Box] = []
    for _, box in found[:200_000]:
        if all(
            box.t_hi <= o.t_lo or o.t_hi <= box.t_lo or box.x_hi <= o.x_lo or o.x_hi <= box.x_lo for o in kept
        ):
            kept.append(box)
            if len(kept) >= most:
                break
    return kept
