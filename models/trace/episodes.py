"""Finding episodes: scan, refine, set aside, scan again.

Part-width episodes come from the space-time scan, whole-width ones from the scan against the wandering
background. Each one found becomes part of the background of the next round, so that a narrow street beneath a
melter upset is still seen, and the tail of an upset is not found twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.trace.bands import refine, refined
from models.trace.crosswise import Band, place_band
from models.trace.fits import ends_of, judge_wide, vessel_courses
from models.trace.grid import Grid
from models.trace.priors import section_log_prior
from models.trace.routes import Routes
from models.trace.scan import box_of, scan
from models.trace.scene import SCAN_CELL_H, Found, Scene
from models.trace.wide import Stretch, covariance, merged, scan_wide

HOUR = 3600.0
# a peak within so many standard deviations of the level's own wander is wander, however smooth; plants
# drift by 20 to 40 % over a day or two (common practice, no source): the wander is no less than USUAL_SD
BEYOND_DRIFT, USUAL_SD = 3.0, 0.2
WITH_BAND = 3.0  # log p by which a stretch may fall short whose band must then earn it
BAND_GAIN, BANDS_TRIED = 12.0, 300.0
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
    scene.found = [f if f.wide else refined(scene, f, kinds[f.kind], routes) for f in scene.found]
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
    boxes, scene.spread[kind] = scan(counts, weights, limit_log_p=limit, tests=tests)
    any_new = False
    for box in boxes:
        left = weights[box.t_lo : box.t_hi, box.x_lo : box.x_hi].sum()
        if left < 0.5 * usual_weights[box.t_lo : box.t_hi, box.x_lo : box.x_hi].sum():
            continue
        new = refine(scene, kind, name, counts, weights, box, routes, limit)
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


def _wides(
    scene: Scene, kind: int, name: str, routes: Routes, rules: Rules, limit: float, tests: float
) -> bool:
    """Scan one kind for whole-width episodes; adds them to the scene and says whether there were any."""
    series, usual, wander = scene.series[kind], scene.usual[kind], scene.wander[kind]
    coarse = merged(series, max(1, round(SCAN_CELL_H / series.cell_h)))
    factor = round(coarse.cell_h / series.cell_h)
    taken: list[Found] = []
    for stretch in scan_wide(
        coarse, wander, usual, limit_log_p=limit + WITH_BAND, tests=tests, courses=scene.courses
    ):
        if stretch.excess < rules.least_share * 0.6:
            continue
        fine = replace(
            stretch, t_lo=stretch.t_lo * factor, t_hi=min(stretch.t_hi * factor, series.counts.size)
        )
        cells = round(series.cell_h * HOUR / scene.grid.cell_s)
        t_lo, t_hi = fine.t_lo * cells, min(fine.t_hi * cells, scene.grid.shape[0])
        counts, weights = scene.counts(kind), scene.weights(kind)
        area = (scene.grid.area_m2[t_lo:t_hi] * scene.keep[kind][t_lo:t_hi]).sum(axis=0)
        band = place_band(counts[t_lo:t_hi].sum(axis=0), weights[t_lo:t_hi].sum(axis=0), area)
        if not band.wide and band.gain > BAND_GAIN:
            box = box_of(counts, weights, (t_lo, t_hi, band.lo, band.hi), scene.spread[kind])
            both = stretch.log_p + min(0.0, np.log(BANDS_TRIED) - box.llr)
            # two independent chances multiplied (Fisher): q (1 - ln q)
            box = replace(box, log_p=float(both + np.log1p(max(-both, 0.0))), log_tries=0.0)
            if box.log_p > limit:
                continue
            new = refine(scene, kind, name, counts, weights, box, routes, limit)
            if new is not None and new.count - new.expected >= rules.fewest:
                taken.append(new)
            continue
        if stretch.log_p > limit:
            continue
        new = _wide(scene, kind, name, fine, band, routes)
        if new is None or new.count - new.expected < rules.fewest or any(_touch(f, new) for f in taken):
            continue
        near = [f for f in scene.found if f.kind == kind and f.wide and _touch(f, new)]
        # what a known upset's course leaves over is no second one
        if near and (new.count - new.expected) < REST * max(f.count - f.expected for f in near):
            continue
        taken.append(new)
    for new in taken:
        if new.wide:
            scene.found.append(new)
        else:
            _join(scene.found, new)
    return bool(taken)


def _touch(a: Found, b: Found) -> bool:
    return a.start_s - 12 * HOUR < b.end_s and b.start_s - 12 * HOUR < a.end_s


def _wide(scene: Scene, kind: int, name: str, stretch: Stretch, band: Band, routes: Routes) -> Found | None:
    """Course and section of a whole-width stretch; None where it is no more than the level's own wander."""
    grid, series = scene.grid, scene.series[kind]
    factor = round(series.cell_h * HOUR / grid.cell_s)
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
    if np.log1p(best.height) < BEYOND_DRIFT * max(wander.sd, USUAL_SD):
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
