"""The curve of an episode over the observed rate, for pictures."""

from __future__ import annotations

import numpy as np

from models.trace.bands import expected_by_cell
from models.trace.result import Curve
from models.trace.scene import Found, Scene

MOST_CELLS = 220


def episode_curve(scene: Scene, found: Found, section: str) -> Curve:
    """Counts, glass, background and fit by time cell, from one length before the episode to one after."""
    grid = scene.grid
    pad = max(found.end_s - found.start_s, 12 * 3600.0)
    lo = int(np.clip(grid.cell_of(found.start_s - pad), 0, grid.shape[0] - 1))
    hi = int(np.clip(np.ceil(grid.cell_of(found.end_s + pad)), lo + 1, grid.shape[0]))
    x_lo = int(max(0, np.floor((found.x_lo_mm - grid.x0_mm) / grid.cell_mm)))
    x_hi = int(min(grid.shape[1], max(np.ceil((found.x_hi_mm - grid.x0_mm) / grid.cell_mm), x_lo + 1)))
    area = grid.area_m2[lo:hi, x_lo:x_hi].sum(axis=1)
    time = grid.time_of(np.arange(lo, hi + 1))
    first, last = np.searchsorted(grid.time_s, [time[0], time[-1]])
    here = (
        (grid.kind[first:last] == found.kind)
        & (grid.x_mm[first:last] >= found.x_lo_mm)
        & (grid.x_mm[first:last] < found.x_hi_mm)
    )
    count = np.histogram(grid.time_s[first:last][here], time)[0].astype(float)
    if found.wide:
        series = scene.series[found.kind]
        factor = max(1, round(series.cell_h * 3600.0 / grid.cell_s))
        at = np.minimum(np.arange(lo, hi) // factor, series.expected.size - 1)
        # what a wider cell expects falls where its glass was looked at, not evenly over its time
        glass = grid.area_m2.sum(axis=1)
        whole = np.bincount(np.arange(glass.size) // factor, glass, series.expected.size)[at]
        part = np.where(whole > 0, glass[lo:hi] / np.where(whole > 0, whole, 1.0), 1.0 / factor)
        usual = scene.usual[found.kind] * series.expected[at] * part
        own = np.zeros(hi - lo) if found.course is None else found.course[lo:hi]
        background = usual * scene.level[found.kind][lo:hi]
        fitted = background + usual * own
    else:
        counts, weights = scene.grid.counts[found.kind], scene.bare_weights(found.kind)
        share = (found.x_hi_mm - found.x_lo_mm) / ((x_hi - x_lo) * grid.cell_mm)
        background = expected_by_cell(counts, weights, x_lo, x_hi)[lo:hi] * share
        fit = found.fits.get(section, found.fits["sharp"])
        cells = found.cells_s if found.cells_s is not None else np.array([found.start_s, found.end_s])
        course = fit.course if fit.course.size == cells.size else np.ones(cells.size)
        middle = 0.5 * (time[1:] + time[:-1])
        shape = np.interp(middle, cells + 0.5 * (cells[1] - cells[0]), course, left=0.0, right=0.0)
        fitted = background * (1 + fit.height * shape)
    factor = max(1, -(-(hi - lo) // MOST_CELLS))
    starts = np.arange(0, hi - lo, factor)
    parts = [np.add.reduceat(v, starts) for v in (count, area, background, fitted)]
    return Curve(time[:-1][starts], grid.cell_s * factor, *parts)
