"""Space-time scan over ribbon time x width.

Every box of the grid is compared with the rest of the ribbon in the same hours: the count in the
box against the share that the cross profile gives it of the whole count of those hours. Whatever moves
the whole width (drift, a sharper crew, a faster line) cancels. The measure is Kulldorff's likelihood ratio
(Communications in Statistics 26 (1997) 1481-1496) in its conditional, binomial form; boxes of every size are
judged at their own critical value (Walther, arXiv 2107.08296, 2022), because small boxes are many.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import xlogy

DURATIONS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
WIDTHS = (1, 2, 4, 8, 16, 32, 64)
# effective number of independent boxes per disjoint one of the same size; set so that among invented
# backgrounds with nothing in them about one in twenty shows p below 0.05 (tests/bench/trace.py --nothing)
OVERLAP = 1.5
LOOK_AT_Z = 3.0


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
    dispersion: np.ndarray | None = None,
    tests: float = 1.0,
    widest: float = 0.75,
) -> tuple[list[Box], np.ndarray]:
    """Boxes with more than their share, best first, not overlapping.

    counts : float array, shape (T, X)
    weights : float array, shape (T, X), expected counts up to a factor per time cell; 0: not seen
    limit_log_p : only boxes whose log p (over all boxes and `tests` such scans) lies below
    dispersion : variance over that of chance, shape (len(DURATIONS), len(WIDTHS)); None: estimated here
    widest : share of the whole weight that a box may take at most

    Returns (boxes, dispersion).
    """
    c_sum, w_sum = _integral(counts), _integral(weights)
    rows, columns = counts.shape
    found: list[tuple[float, Box]] = []
    spread = np.ones((len(DURATIONS), len(WIDTHS))) if dispersion is None else dispersion
    for i, duration in enumerate(DURATIONS):
        if duration > rows:
            break
        step_t = max(1, duration // 4)
        t = np.arange(0, rows - duration + 1, step_t)
        c_rows, w_rows = c_sum[t + duration] - c_sum[t], w_sum[t + duration] - w_sum[t]
        c_all, w_all = c_rows[:, -1:], w_rows[:, -1:]
        per_weight = c_all / np.maximum(w_all, 1e-12)
        for j, width in enumerate(WIDTHS):
            if width > columns:
                break
            x = np.arange(0, columns - width + 1, max(1, width // 4))
            c = c_rows[:, x + width] - c_rows[:, x]
            w = w_rows[:, x + width] - w_rows[:, x]
            e = w * per_weight
            if dispersion is None:
                spread[i, j] = _dispersion(c, e, w, w_all)
            phi = max(1.0, spread[: i + 1, : j + 1].max() if dispersion is None else spread[i, j])
            spread[i, j] = phi
            at = np.nonzero(
                (c > 3)
                & (c - e > LOOK_AT_Z * np.sqrt(phi * np.maximum(e, 0.0)))
                & (w < widest * w_all)
                & (w > 0)
            )
            if at[0].size == 0:
                continue
            c_at, e_at, n_at = c[at], e[at], np.broadcast_to(c_all, c.shape)[at]
            # beside a box that holds nearly everything the rest is no measure: half a count of doubt
            llr = poisson_llr(c_at, np.minimum(e_at, n_at), n_at + 0.5)
            boxes = OVERLAP * (rows / duration) * (columns / width) * len(DURATIONS) * len(WIDTHS) * tests
            log_p = np.log(boxes) - llr / phi
            for n in np.flatnonzero(log_p < limit_log_p):
                a, b = int(t[at[0][n]]), int(x[at[1][n]])
                box = Box(
                    a, a + duration, b, b + width, float(c_at[n]), float(e_at[n]), float(llr[n]),
                    float(log_p[n]), float(np.log(boxes)),
                )  # fmt: skip
                found.append((box.log_p, box))
    return _without_overlap(found), spread


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
    if use.sum() < 60:
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
