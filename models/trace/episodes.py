"""Finding episodes: scan, refine, set aside, scan again.

Part-width episodes come from the space-time scan, whole-width ones from the scan against the wandering
background. Each one found becomes part of the background of the next round, so that a narrow street beneath a
melter upset is still seen, and the tail of an upset is not found twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.trace.crosswise import place_band, sharpen_edges
from models.trace.fits import SectionFit, judge_band, judge_wide, vessel_courses
from models.trace.grid import Grid
from models.trace.priors import section_log_prior
from models.trace.routes import Routes
from models.trace.scan import Box, scan
from models.trace.scene import SCAN_CELL_H, Found, Scene
from models.trace.wide import Stretch, covariance, merged, scan_wide

HOUR = 3600.0
NARROW_MM = 200.0
COURSE_CELLS = 72
REST = 0.35  # share of a neighbour's excess below which a whole-width excess is its remainder


@dataclass(frozen=True)
class Rules:
    """What counts as an episode.

    alpha : chance of any false episode in the whole stretch looked at, if the background is as modelled
    fewest : defects beyond the expected ones that an episode must have
    least_share : smallest mean excess of a whole-width episode, times the usual level
    rounds : scans at most
    """

    alpha: float = 0.05
    fewest: int = 6
    least_share: float = 0.3
    rounds: int = 5


def find_episodes(grid: Grid, kinds: tuple[str, ...], routes: Routes, rules: Rules = Rules()) -> Scene:
    """All episodes of all kinds. `Scene.found` has them, strongest of each round first."""
    cell_h = wide_cell_h(grid)
    scan_s = max(1, round(SCAN_CELL_H / cell_h)) * cell_h * HOUR
    cells = int(np.ceil(grid.shape[0] * grid.cell_s / scan_s))
    scene = Scene(grid, courses=vessel_courses(routes, grid.t0_s + np.arange(cells) * scan_s, scan_s))
    scene.refresh(cell_h)
    limit, tests = float(np.log(rules.alpha)), 2.0 * scene.kinds
    busy = list(range(scene.kinds))
    for _ in range(rules.rounds):
        touched = [k for k in busy if _bands(scene, k, kinds[k], routes, rules, limit, tests)]
        if touched:
            scene.refresh(cell_h, touched)
        more = [k for k in busy if _wides(scene, k, kinds[k], routes, rules, limit, tests)]
        if more:
            scene.refresh(cell_h, more)
        busy = sorted({*touched, *more})
        if not busy:
            break
    return scene


def wide_cell_h(grid: Grid) -> float:
    """Cells for whole-width courses: an hour, or more where the rarest kind shows less than 4 an hour."""
    hours = grid.shape[0] * grid.cell_s / HOUR
    per_hour = float(np.min(grid.counts.sum(axis=(1, 2)))) / max(hours, 1.0) if grid.counts.size else 0.0
    for cell in (1.0, 2.0, 3.0):
        if per_hour * cell >= 3.0:
            return cell
    return 4.0


def _bands(
    scene: Scene, kind: int, name: str, routes: Routes, rules: Rules, limit: float, tests: float
) -> bool:
    """Scan one kind for part-width episodes; adds them to the scene and says whether there were any."""
    counts, weights = scene.counts(kind), scene.weights(kind)
    usual_weights = weights.copy()
    boxes, spread = scan(counts, weights, limit_log_p=limit, tests=tests)
    any_new = False
    for box in boxes:
        left = weights[box.t_lo : box.t_hi, box.x_lo : box.x_hi].sum()
        if left < 0.5 * usual_weights[box.t_lo : box.t_hi, box.x_lo : box.x_hi].sum():
            continue
        new = _refine(scene, kind, name, counts, weights, box, routes, float(spread[0, 0]), limit)
        if new is None or new.count - new.expected < rules.fewest:
            continue
        t_lo, t_hi, x_lo, x_hi = new.cells
        counts[t_lo:t_hi, x_lo:x_hi] = 0
        weights[t_lo:t_hi, x_lo:x_hi] = 0
        _join(scene.found, new)
        any_new = True
    return any_new


def _join(found: list[Found], new: Found) -> None:
    """Add an episode, or let it widen a stronger one that it plainly belongs to."""
    for n, old in enumerate(found):
        across = min(old.x_hi_mm, new.x_hi_mm) - max(old.x_lo_mm, new.x_lo_mm)
        narrower = min(old.x_hi_mm - old.x_lo_mm, new.x_hi_mm - new.x_lo_mm)
        gap = max(old.start_s, new.start_s) - min(old.end_s, new.end_s)
        longer = max(old.end_s - old.start_s, new.end_s - new.start_s)
        if old.wide or old.kind != new.kind or across <= 0.5 * narrower or gap > max(2 * HOUR, 0.3 * longer):
            continue
        moves = _stronger_part(new, old)
        found[n] = replace(
            old,
            start_s=min(old.start_s, new.start_s) if moves else old.start_s,
            end_s=max(old.end_s, new.end_s) if moves else old.end_s,
            cells=(
                min(old.cells[0], new.cells[0]), max(old.cells[1], new.cells[1]),
                min(old.cells[2], new.cells[2]), max(old.cells[3], new.cells[3]),
            ),
        )  # fmt: skip
        return
    found.append(new)


def _stronger_part(new: Found, old: Found) -> bool:
    """Whether the addition holds enough of the excess to move the ends."""
    return (new.count - new.expected) > 0.15 * (old.count - old.expected)


def _refine(
    scene: Scene,
    kind: int,
    name: str,
    counts: np.ndarray,
    weights: np.ndarray,
    box: Box,
    routes: Routes,
    phi: float,
    limit: float,
) -> Found | None:
    """Band, course and ends of a scanned box; None where it is an episode of the whole width."""
    grid = scene.grid
    t_lo, t_hi, x_lo, x_hi = box.t_lo, box.t_hi, box.x_lo, box.x_hi
    usual = weights[t_lo:t_hi].sum(axis=0)
    area = (grid.area_m2[t_lo:t_hi] * (weights[t_lo:t_hi] > 0)).sum(axis=0)
    if (x_hi - x_lo) * grid.cell_mm > NARROW_MM:
        band = place_band(counts[t_lo:t_hi].sum(axis=0), usual, area)
        if band.wide:
            return None
        x_lo, x_hi = band.lo, band.hi
    lo_mm, hi_mm = float(grid.x_of(x_lo)), float(grid.x_of(x_hi))
    narrow = hi_mm - lo_mm <= NARROW_MM
    fits: dict[str, SectionFit] = {}
    start, end = float(grid.time_of(t_lo)), float(grid.time_of(t_hi))
    for turn in range(2):
        if narrow:
            rows = slice(*_cells(grid, start, end))
            margin = slice(max(0, x_lo - 6), min(grid.shape[1], x_hi + 6))
            outside = weights[rows].sum() - weights[rows, margin].sum()
            rest = counts[rows].sum() - counts[rows, margin].sum()
            load = weights[rows, max(0, x_lo - 1) : x_hi + 1].sum() * rest / max(outside, 1e-9)
            events = _events_of(grid, kind, start, end)
            lo_mm, hi_mm = sharpen_edges(
                events[1], lo_mm, hi_mm, load / ((x_hi - x_lo + 2) * grid.cell_mm)
            )  # fmt: skip
            x_lo = int(np.floor((lo_mm - grid.x0_mm) / grid.cell_mm))
            x_hi = int(np.ceil((hi_mm - grid.x0_mm) / grid.cell_mm))
            x_lo, x_hi = max(x_lo, 0), min(max(x_hi, x_lo + 1), grid.shape[1])
        fits, start, end, cells_s, course = _course(
            scene,
            kind,
            name,
            counts,
            weights,
            (lo_mm, hi_mm, x_lo, x_hi),
            (start, end),
            routes,
            phi,
            vessels=turn == 1,
        )
    best = fits["sharp"]
    inside = _events_of(grid, kind, start, end)[1]
    count = int(((inside >= lo_mm) & (inside < hi_mm)).sum())
    a, b = _cells(grid, start, end)
    expected = expected_by_cell(counts, weights, x_lo, x_hi)[a:b].sum() * _overlap(
        grid, start, end
    ) * (hi_mm - lo_mm) / ((x_hi - x_lo) * grid.cell_mm)  # fmt: skip
    reach = cells_s[course > 0.02]
    first, last = (reach[0], reach[-1] + cells_s[1] - cells_s[0]) if reach.size else (start, end)
    pad = max(0.05 * (end - start), 0.5 * HOUR)
    m_lo, m_hi = _cells(grid, min(first, start) - pad, max(last, end) + pad)
    extra = 1 if narrow else 2
    cells = (m_lo, m_hi, max(0, x_lo - extra), min(grid.shape[1], x_hi + extra))
    log_p = max(box.log_p, _on_sheets(grid, kind, (start, end, lo_mm, hi_mm), float(expected), box))
    if best.height <= 0 or count < 4 or log_p > limit:
        return None
    return Found(
        kind,
        lo_mm,
        hi_mm,
        False,
        start,
        end,
        count,
        float(expected),
        box.log_p,
        fits,
        cells,
        dispersion=phi,
        cells_s=cells_s,
    )


def _on_sheets(
    grid: Grid, kind: int, where: tuple[float, float, float, float], expected: float, box: Box
) -> float:
    """log p when a sheet counts once: a cluster of defects in one spot is one mishap, not an episode.

    Only where defects are few for the sheets; where each sheet has several the question says nothing.
    """
    start, end, lo_mm, hi_mm = where
    a, b = np.searchsorted(grid.time_s, [start, end])
    sheets = np.unique(grid.sheet[a:b]).size
    if expected > 0.3 * sheets:
        return box.log_p
    mine = (grid.kind[a:b] == kind) & (grid.x_mm[a:b] >= lo_mm) & (grid.x_mm[a:b] < hi_mm)
    carrying = np.unique(grid.sheet[a:b][mine]).size
    if carrying <= expected:
        return 0.0
    safe = max(expected, 1e-6)
    return box.log_tries - (carrying * np.log(carrying / safe) - (carrying - safe))


def _cells(grid: Grid, start: float, end: float) -> tuple[int, int]:
    lo = int(np.clip(np.floor(grid.cell_of(start)), 0, grid.shape[0] - 1))
    return lo, int(np.clip(np.ceil(grid.cell_of(end)), lo + 1, grid.shape[0]))


def _overlap(grid: Grid, start: float, end: float) -> float:
    """Share of the cells that [start, end] really takes."""
    lo, hi = _cells(grid, start, end)
    return min(1.0, (end - start) / ((hi - lo) * grid.cell_s))


def _events_of(grid: Grid, kind: int, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    lo, hi = np.searchsorted(grid.time_s, [start, end])
    same = grid.kind[lo:hi] == kind
    return grid.time_s[lo:hi][same], grid.x_mm[lo:hi][same]


def expected_by_cell(counts: np.ndarray, weights: np.ndarray, x_lo: int, x_hi: int) -> np.ndarray:
    """Expected counts in a band by time cell, from the rest of the ribbon in the two hours around."""
    margin_lo, margin_hi = max(0, x_lo - 2), min(counts.shape[1], x_hi + 2)
    c = counts.sum(axis=1) - counts[:, margin_lo:margin_hi].sum(axis=1)
    w = weights.sum(axis=1) - weights[:, margin_lo:margin_hi].sum(axis=1)
    kernel = np.ones(5)
    c_near, w_near = np.convolve(c, kernel, "same"), np.convolve(w, kernel, "same")
    rate = (c_near + 0.5) / np.maximum(w_near + 0.5 * w.sum() / max(c.sum(), 1.0), 1e-9)
    return weights[:, x_lo:x_hi].sum(axis=1) * rate


def _course(
    scene: Scene, kind: int, name: str, counts: np.ndarray, weights: np.ndarray,
    band: tuple[float, float, int, int], when: tuple[float, float], routes: Routes, phi: float,
    *, vessels: bool,
) -> tuple[dict[str, SectionFit], float, float, np.ndarray, np.ndarray]:  # fmt: skip
    """Fit the course of a band over time; returns (fits, start, end, cells, course of the best)."""
    grid = scene.grid
    lo_mm, hi_mm, x_lo, x_hi = band
    start, end = when
    pad = max(0.8 * (end - start), 4 * HOUR)
    first = max(start - pad, grid.t0_s)
    last = min(end + pad, float(grid.time_of(grid.shape[0])))
    width = max(300.0, (last - first) / COURSE_CELLS)
    cells_s = first + np.arange(int(np.ceil((last - first) / width))) * width
    time, x = _events_of(grid, kind, cells_s[0], cells_s[-1] + width)
    n = np.histogram(time[(x >= lo_mm) & (x < hi_mm)], np.append(cells_s, cells_s[-1] + width))[0]
    by_cell = expected_by_cell(counts, weights, x_lo, x_hi) * (hi_mm - lo_mm) / ((x_hi - x_lo) * grid.cell_mm)
    total = np.concatenate([[0.0], np.cumsum(by_cell)])
    at = np.clip(grid.cell_of(np.append(cells_s, cells_s[-1] + width)), 0, grid.shape[0])
    e = np.maximum(np.diff(np.interp(at, np.arange(total.size), total)), 1e-9)
    share = (hi_mm - lo_mm) / max(grid.shape[1] * grid.cell_mm, 1.0)
    # the rest of the ribbon is counted too: its own chance weighs the more, the less of it there is
    doubt = phi * (1.0 + 0.6 * share / max(1.0 - share, 0.1))
    vessels = vessels and share > 0.12
    fits = judge_band(cells_s, width, n.astype(float), e, routes if vessels else None, dispersion=doubt)
    best = max(
        fits.values(), key=lambda f: f.evidence + section_log_prior(f.section, share, name)
    )  # fmt: skip
    start, end = ends_of(best, cells_s, width)
    return fits, start, end, cells_s, best.course


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


def _wides(
    scene: Scene, kind: int, name: str, routes: Routes, rules: Rules, limit: float, tests: float
) -> bool:
    """Scan one kind for whole-width episodes; adds them to the scene and says whether there were any."""
    series, usual, wander = scene.series[kind], scene.usual[kind], scene.wander[kind]
    coarse = merged(series, max(1, round(SCAN_CELL_H / series.cell_h)))
    factor = round(coarse.cell_h / series.cell_h)
    taken: list[Found] = []
    for stretch in scan_wide(coarse, wander, usual, limit_log_p=limit, tests=tests, courses=scene.courses):
        if stretch.excess < rules.least_share * 0.6:
            continue
        fine = replace(
            stretch, t_lo=stretch.t_lo * factor, t_hi=min(stretch.t_hi * factor, series.counts.size)
        )
        new = _wide(scene, kind, name, fine, routes)
        if new is None or new.count - new.expected < rules.fewest or any(_touch(f, new) for f in taken):
            continue
        near = [f for f in scene.found if f.kind == kind and f.wide and _touch(f, new)]
        # what a known upset's course leaves over is no second one
        if near and (new.count - new.expected) < REST * max(f.count - f.expected for f in near):
            continue
        taken.append(new)
    scene.found += taken
    return bool(taken)


def _touch(a: Found, b: Found) -> bool:
    return a.start_s - 12 * HOUR < b.end_s and b.start_s - 12 * HOUR < a.end_s


def _wide(scene: Scene, kind: int, name: str, stretch: Stretch, routes: Routes) -> Found | None:
    """Course and section of a whole-width stretch; None where the excess sits in a part of the width."""
    grid, series = scene.grid, scene.series[kind]
    factor = round(series.cell_h * HOUR / grid.cell_s)
    t_lo, t_hi = stretch.t_lo * factor, min(stretch.t_hi * factor, grid.shape[0])
    counts, weights = scene.counts(kind)[t_lo:t_hi].sum(axis=0), scene.weights(kind)[t_lo:t_hi].sum(axis=0)
    area = (grid.area_m2[t_lo:t_hi] * scene.keep[kind][t_lo:t_hi]).sum(axis=0)
    band = place_band(counts, weights, area)
    usual, wander = scene.usual[kind], scene.wander[kind]
    if (stretch.t_hi - stretch.t_lo) * series.cell_h > 36 and series.cell_h < 2:
        # a course of days needs no hours
        halves = round(2 / series.cell_h)
        series, factor = merged(series, halves), factor * halves
        stretch = replace(stretch, t_lo=stretch.t_lo // halves, t_hi=-(-stretch.t_hi // halves))
    pad = max(stretch.t_hi - stretch.t_lo, round(40 / series.cell_h))
    lo, hi = max(0, stretch.t_lo - pad), min(series.counts.size, stretch.t_hi + pad)
    mean = usual * series.expected[lo:hi]
    seen = mean > 0.3
    safe = np.where(seen, mean, 1.0)
    u = np.where(seen, series.counts[lo:hi] / safe - 1.0 - series.model[lo:hi], 0.0)
    smoothing = max(1, round(5 / series.cell_h))
    kernel = np.ones(smoothing) / smoothing
    now = np.maximum(
        np.convolve(u * seen, kernel, "same") / np.maximum(np.convolve(seen, kernel, "same"), 0.2), 0
    )
    var = np.full(series.counts.size, np.inf)
    var[lo:hi] = np.where(seen, (1.0 + series.model[lo:hi] + now) / safe, np.inf)
    full = covariance(var, series, wander, lo, hi)
    # the roughness of the excess itself grows with it
    at = np.arange(hi - lo)
    full[at, at] += wander.rough / series.cell_h * (now**2 + 2 * now)
    inverse = np.linalg.inv(full) * seen[:, None] * seen[None, :]
    width = series.cell_h * HOUR
    cells_s = grid.t0_s + np.arange(lo, hi) * width
    fits = judge_wide(cells_s, width, u, inverse, routes)
    best = max(fits.values(), key=lambda f: f.evidence + section_log_prior(f.section, 1.0, name))
    if not band.wide and band.gain > 25:
        return None
    start, end = ends_of(best, cells_s, width)
    course = np.zeros(grid.shape[0])
    fine = np.arange(lo * factor, min(hi * factor, grid.shape[0]))
    course[fine] = np.interp(fine + 0.5, (np.arange(lo, hi) + 0.5) * factor, best.course * best.height)
    a, b = int((start - cells_s[0]) // width) + lo, int(np.ceil((end - cells_s[0]) / width)) + lo
    a, b = max(a, 0), min(max(b, a + 1), series.counts.size)
    count = int(series.counts[a:b].sum())
    expected = float((usual * series.expected[a:b] * (1 + series.model[a:b])).sum())
    edges = np.flatnonzero(grid.area_m2.sum(axis=0) > 0)
    x_lo, x_hi = int(edges[0]), int(edges[-1]) + 1
    return Found(
        kind, float(grid.x_of(x_lo)), float(grid.x_of(x_hi)), True, start, end, count, expected,
        stretch.log_p, fits, (lo * factor, min(hi * factor, grid.shape[0]), x_lo, x_hi), course, band.even,
    )  # fmt: skip
