"""What is known of the background while episodes are being found: profiles, levels, crews."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.trace.crews import Shifts, find_shifts, sharpness
from models.trace.drift import Wander, smooth
from models.trace.fits import SectionFit
from models.trace.grid import Grid
from models.trace.profile import cross_profile
from models.trace.scan import Spread
from models.trace.wide import Series, background_without_suspects, fit_background, merged

SCAN_CELL_H = 2.0
LEVEL_CELL_H = 4.0


@dataclass(frozen=True)
class Found:
    """One episode as found: kind, cells, band, time and how its course is explained.

    course : excess over the usual level by time cell of the grid, shape (T,), in units of the level at the
        usual profile's mean; only for wide episodes, where the background goes on beneath
    """

    kind: int
    x_lo_mm: float
    x_hi_mm: float
    wide: bool
    start_s: float
    end_s: float
    count: int
    expected: float
    log_p: float
    fits: dict[str, SectionFit]
    cells: tuple[int, int, int, int]
    course: np.ndarray | None = None
    even: bool = True
    dispersion: float = 1.0
    cells_s: np.ndarray | None = None


@dataclass
class Scene:
    """The working state of one trace. `found` grows; the rest follows from it by `refresh`."""

    grid: Grid
    found: list[Found] = field(default_factory=list)
    profile: np.ndarray = field(default_factory=lambda: np.empty(0))
    level: np.ndarray = field(default_factory=lambda: np.empty(0))
    keep: np.ndarray = field(default_factory=lambda: np.empty(0))
    shifts: Shifts | None = None
    series: list[Series] = field(default_factory=list)
    wander: list[Wander] = field(default_factory=list)
    usual: list[float] = field(default_factory=list)
    courses: np.ndarray | None = None
    spread: dict[int, Spread] = field(default_factory=dict)

    @property
    def kinds(self) -> int:
        return int(self.grid.counts.shape[0])

    def refresh(self, cell_h: float, only: list[int] | None = None) -> None:
        """Work out everything anew (of the kinds named) from the grid and the episodes found so far."""
        grid = self.grid
        rows, columns = grid.shape
        self.keep = np.ones((self.kinds, rows, columns), dtype=bool)
        for f in self.found:
            if not f.wide:
                t_lo, t_hi, x_lo, x_hi = f.cells
                self.keep[f.kind, t_lo:t_hi, x_lo:x_hi] = False
        if self.profile.size == 0:
            self.profile = np.ones((self.kinds, columns))
            only = None
        for k in range(self.kinds) if only is None else only:
            trim = 0.0 if self.found else 0.25
            self.profile[k] = cross_profile(grid.counts[k], grid.area_m2, self._quiet(k), trim=trim)
        if self.shifts is None:
            time = grid.time_of(np.arange(rows))
            self.shifts = find_shifts(
                time, grid.counts.sum(axis=(0, 2)), grid.area_m2.sum(axis=1), least=grid.least_of_shift
            )
        self._levels(cell_h, only)

    def _quiet(self, kind: int) -> np.ndarray:
        """Cells that tell the usual profile: outside every episode, wide ones included."""
        quiet = self.keep[kind].copy()
        for f in self.found:
            if f.kind == kind and f.wide and f.course is not None:
                quiet[f.course > 0.15] = False
        return quiet if quiet.mean() > 0.25 else self.keep[kind]

    def weights(self, kind: int, keep: np.ndarray | None = None) -> np.ndarray:
        """Relative expected counts by cell, shape (T, X): profile, level, and wide episodes known.

        keep : bool array, shape (T, X), in place of the cells outside every part-width episode
        """
        relative = self.profile[kind][None, :] * self.level[kind][:, None]
        for f in self.found:
            if f.kind == kind and f.wide and f.course is not None:
                lo, hi = f.cells[2], f.cells[3]
                across = 1.0 if f.even else self.profile[kind][None, lo:hi]
                relative[:, lo:hi] += f.course[:, None] * across
        return relative * self.grid.area_m2 * (self.keep[kind] if keep is None else keep)

    def bare_weights(self, kind: int) -> np.ndarray:
        """As `weights`, but part-width episodes are not set aside."""
        return self.profile[kind][None, :] * self.level[kind][:, None] * self.grid.area_m2

    def grid_hours(self, kind: int) -> np.ndarray:
        """Inspected glass by cell of the whole-width series, weighted by the usual profile, shape (T,)."""
        factor = max(1, round(self.series[kind].cell_h * 3600.0 / self.grid.cell_s))
        starts = np.arange(0, self.grid.shape[0], factor)
        glass = (self.grid.area_m2 * self.profile[kind] * self.keep[kind]).sum(axis=1)
        return np.add.reduceat(glass, starts)

    def counts(self, kind: int) -> np.ndarray:
        return self.grid.counts[kind] * self.keep[kind]

    def _levels(self, cell_h: float, only: list[int] | None) -> None:
        grid, shifts = self.grid, self.shifts
        if shifts is None:
            return
        factor = max(1, round(cell_h * 3600.0 / grid.cell_s))
        rows = grid.shape[0]
        starts = np.arange(0, rows, factor)
        time = grid.time_of(starts + 0.5 * factor)
        shift = shifts.shift_of(time)
        n = np.array([np.add.reduceat(self.counts(k).sum(axis=1), starts) for k in range(self.kinds)])
        area = np.array([
            np.add.reduceat((grid.area_m2 * self.profile[k] * self.keep[k]).sum(axis=1), starts)
            for k in range(self.kinds)
        ])  # fmt: skip
        model = np.zeros_like(area)
        for f in self.found:
            if f.wide and f.course is not None:
                across = 1.0 if f.even else self.profile[f.kind][None, f.cells[2] : f.cells[3]]
                part = (grid.area_m2[:, f.cells[2] : f.cells[3]] * across).sum(axis=1) * f.course
                model[f.kind] += np.add.reduceat(part, starts) / np.maximum(area[f.kind], 1e-9)
        js = shifts.edges_s.size - 1
        by_shift_n = np.array([np.bincount(shift, v, js) for v in n])
        by_shift_e = np.array([np.bincount(shift, v * (1 + m), js) for v, m in zip(area, model, strict=True)])
        if only is None:
            self.series, self.wander, self.usual = [], [], []
            self.level = np.ones((self.kinds, rows))
        double = max(1, round(SCAN_CELL_H * 3600.0 / (factor * grid.cell_s)))
        for k in range(self.kinds) if only is None else only:
            others = np.arange(self.kinds) != k
            crew, crew_var = sharpness(
                by_shift_n, by_shift_e, others, length_h=shifts.length_h, least=grid.least_of_shift
            )
            series = Series(
                n[k], area[k] * np.exp(crew)[shift], model[k], shift, crew_var, factor * grid.cell_s / 3600
            )
            coarse = merged(series, double)
            usual = coarse.level()
            wander = fit_background(coarse, usual)
            usual, wander, _ = background_without_suspects(coarse, usual, wander, self.courses)
            six = max(1, round(LEVEL_CELL_H / series.cell_h))
            slow = merged(series, six)
            drift = smooth(*slow.deviation(usual), wander, slow.cell_h)
            at = (np.arange(drift.size) + 0.5) * factor * six
            self.level[k] = np.maximum(1.0 + 0.5 * np.interp(np.arange(rows), at, drift), 0.3) ** 2
            if only is None:
                self.series.append(series)
                self.wander.append(wander)
                self.usual.append(usual)
            else:
                self.series[k], self.wander[k], self.usual[k] = series, wander, usual
