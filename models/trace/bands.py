"""Band, course and ends of one box in a part of the width, judged against the rest of the ribbon."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.trace.crosswise import place_band, sharpen_edges
from models.trace.fits import SectionFit, ends_of, judge_band
from models.trace.grid import Grid
from models.trace.priors import section_log_prior
from models.trace.routes import Routes
from models.trace.scan import Box
from models.trace.scene import Found, Scene

HOUR = 3600.0
NARROW_MM = 200.0
COURSE_CELLS = 72


def refine(
    scene: Scene,
    kind: int,
    name: str,
    counts: np.ndarray,
    weights: np.ndarray,
    box: Box,
    routes: Routes,
    limit: float,
) -> Found | None:
    """Band, course and ends of a scanned box; None where it is an episode of the whole width."""
    grid, phi = scene.grid, float(scene.spread[kind].phi[0, 0])
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


def refined(scene: Scene, found: Found, name: str, routes: Routes) -> Found:
    """A part-width episode fitted once more, now that the background is known without all the others."""
    grid, kind = scene.grid, found.kind
    keep = np.ones(grid.shape, dtype=bool)
    for other in scene.found:
        if other is not found and other.kind == kind and not other.wide:
            t_lo, t_hi, x_lo, x_hi = other.cells
            keep[t_lo:t_hi, x_lo:x_hi] = False
    x_lo = int(np.clip(np.floor((found.x_lo_mm - grid.x0_mm) / grid.cell_mm), 0, grid.shape[1] - 1))
    x_hi = int(np.clip(np.ceil((found.x_hi_mm - grid.x0_mm) / grid.cell_mm), x_lo + 1, grid.shape[1]))
    counts, weights = grid.counts[kind] * keep, scene.weights(kind, keep)
    band = (found.x_lo_mm, found.x_hi_mm, x_lo, x_hi)
    fits, start, end, cells_s, _ = _course(
        scene, kind, name, counts, weights, band, (found.start_s, found.end_s), routes, found.dispersion,
        vessels=True,
    )  # fmt: skip
    if fits["sharp"].height <= 0 or end <= start:
        return found
    inside = _events_of(grid, kind, start, end)[1]
    a, b = _cells(grid, start, end)
    share = (found.x_hi_mm - found.x_lo_mm) / ((x_hi - x_lo) * grid.cell_mm)
    expected = expected_by_cell(counts, weights, x_lo, x_hi)[a:b].sum() * _overlap(grid, start, end) * share
    return replace(
        found, fits=fits, start_s=start, end_s=end, cells_s=cells_s, expected=float(expected),
        count=int(((inside >= found.x_lo_mm) & (inside < found.x_hi_mm)).sum()),
    )  # fmt: skip


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
