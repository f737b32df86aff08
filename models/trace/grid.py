"""Counts and inspected glass on a grid of time x width.

Time is the true time at the inspection point, in cells of `cell_s`; width is cells of `cell_mm`
from the left gross edge. Exposure is square metres that were really looked at: of a sheet that was looked
at in part, or that perhaps was looked at, that part, spread over the whole sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from models.trace.clock_steps import LineClock
from models.trace.crews import LEAST_OF_SHIFT
from models.trace.data import Defects, Sheets
from models.trace.exposure import Exposure, estimate_exposure

CELL_S = 1800.0
CELL_MM = 25.0
NEAR_SHEETS = 41
BLIND_EXPECTED = 40.0  # defects of all kinds a stretch should have shown before silence means nobody looked


@dataclass(frozen=True)
class Stretch:
    """Sheets of a stretch of ribbon that nobody seems to have looked at.

    expected : defects that were to be expected there; where nobody recorded who looked, sheets with defects
    """

    from_m: float
    to_m: float
    start_s: float
    end_s: float
    sheets: int
    expected: float


@dataclass(frozen=True)
class Grid:
    """
    t0_s, cell_s : start of the first cell and length of a cell, seconds
    x0_mm, cell_mm : left side of the first cell and width of a cell
    area_m2 : float array, shape (T, X), inspected glass
    counts : float array, shape (K, T, X), defects on it
    time_s, x_mm, kind : the defects counted, arrays of shape (D,), in line order
    index, sheet : shape (D,), row of each in the defects given, and its sheet
    estimated : whether the part looked at is estimated of some sheets
    """

    t0_s: float
    cell_s: float
    x0_mm: float
    cell_mm: float
    area_m2: np.ndarray
    counts: np.ndarray
    time_s: np.ndarray
    x_mm: np.ndarray
    kind: np.ndarray
    index: np.ndarray
    sheet: np.ndarray
    blind: tuple[Stretch, ...] = ()
    estimated: bool = False

    @property
    def least_of_shift(self) -> float:
        """Part of the fullest shift that must have been looked at for a shift to tell of its crew."""
        return LEAST_OF_SHIFT if self.estimated else 0.0

    @property
    def shape(self) -> tuple[int, int]:
        return self.area_m2.shape[0], self.area_m2.shape[1]

    def time_of(self, cell: float | np.ndarray) -> np.ndarray:
        return self.t0_s + np.asarray(cell, dtype=float) * self.cell_s

    def cell_of(self, time_s: float | np.ndarray) -> np.ndarray:
        return (np.asarray(time_s, dtype=float) - self.t0_s) / self.cell_s

    def x_of(self, cell: float | np.ndarray) -> np.ndarray:
        return self.x0_mm + np.asarray(cell, dtype=float) * self.cell_mm


def unseen_sheets(
    sheets: Sheets, defects: Defects, clock: LineClock, looked: np.ndarray
) -> tuple[np.ndarray, tuple[Stretch, ...]]:
    """Sheets in stretches without a single defect of any kind where many were to be expected.

    A stretch counts as unseen when, at a third of the rate of the day around it, its silence would have a
    chance below about one in a million (Poisson): crews and drift do not reach that far.

    looked : float array, shape (S,), part of each sheet that was looked at

    Returns
    -------
    (unseen, stretches) : bool array, shape (S,), and what was set aside
    """
    n = sheets.start_m.size
    count = np.bincount(defects.sheet[defects.sheet >= 0], minlength=n)[:n].astype(float)
    area = looked * (sheets.length_mm * sheets.width_mm / 1e6)
    time = clock.true_time(sheets.start_m)
    busy = np.flatnonzero((count > 0) & (looked > 0))
    unseen = np.zeros(n, dtype=bool)
    if busy.size < 20:
        return unseen, ()
    total = np.concatenate([[0.0], np.cumsum(count)])
    glass = np.concatenate([[0.0], np.cumsum(area)])
    edges = np.concatenate([[-1], busy, [n]])
    stretches = []
    gap_area = glass[edges[1:]] - glass[edges[:-1] + 1]
    typical = total[-1] / max(glass[-1], 1e-9)
    for g in np.flatnonzero(gap_area * typical > BLIND_EXPECTED / 3):
        lo, hi = int(edges[g]) + 1, int(edges[g + 1])
        near = (time > time[lo] - 86400.0) & (time < time[hi - 1] + 86400.0)
        near[lo:hi] = False
        looked = area[near].sum()
        rate = count[near].sum() / looked if looked > 0 else typical
        expected = float(gap_area[g] * rate)
        if expected > BLIND_EXPECTED:
            unseen[lo:hi] = True
            stretches.append(_stretch(sheets, clock, lo, hi, expected))
    return unseen, tuple(stretches)


def _stretch(sheets: Sheets, clock: LineClock, lo: int, hi: int, expected: float) -> Stretch:
    """Sheets [lo, hi) on the ribbon and in true time."""
    ends = np.array([sheets.start_m[lo], sheets.start_m[hi - 1] + sheets.length_mm[hi - 1] / 1000])
    (from_m, to_m), (start_s, end_s) = ends.tolist(), clock.true_time(ends).tolist()
    return Stretch(from_m, to_m, start_s, end_s, hi - lo, expected)


def make_grid(
    sheets: Sheets,
    defects: Defects,
    clock: LineClock,
    exposure: Exposure | None = None,
    cell_s: float = CELL_S,
    cell_mm: float = CELL_MM,
) -> Grid:
    """Lay the sheets that were looked at and their defects on the grid.

    exposure : the part looked at of each sheet; None: as told in `sheets`, what is unknown estimated
    """
    exposure = exposure or estimate_exposure(sheets, defects)
    unseen, blind = unseen_sheets(sheets, defects, clock, exposure.looked)
    silent = [_stretch(sheets, clock, s.first, s.end, s.expected) for s in exposure.silences]
    part = np.where(unseen, 0.0, exposure.looked)
    looked = part > 0
    middle = sheets.start_m + sheets.length_mm / 2000.0
    sheet_t = clock.true_time(middle)
    t0 = np.floor(sheet_t.min() / 3600.0) * 3600.0
    rows = int(np.ceil((sheet_t.max() - t0) / cell_s)) + 1
    left, right = sheets.x_left_mm, sheets.x_left_mm + sheets.width_mm
    x0 = np.floor(left.min() / cell_mm) * cell_mm
    columns = int(np.ceil((right.max() - x0) / cell_mm))
    row = np.clip(((sheet_t - t0) / cell_s).astype(int), 0, rows - 1)
    area = _exposure(
        row[looked], (left[looked] - x0) / cell_mm, (right[looked] - x0) / cell_mm,
        part[looked] * sheets.length_mm[looked] / 1000.0 * cell_mm / 1000.0, rows, columns,
    )  # fmt: skip
    # a defect belongs to the cell of its sheet, so that counts and glass never part at a cell's edge
    known = defects.sheet >= 0
    use = np.flatnonzero(known & looked[np.maximum(defects.sheet, 0)])
    use = use[~_beyond_one_sheet(defects.kind[use], defects.sheet[use], sheets.start_m.size)]
    cell_x = np.clip(((defects.ribbon_x_mm[use] - x0) / cell_mm).astype(int), 0, columns - 1)
    key = (defects.kind[use] * rows + row[defects.sheet[use]]) * columns + cell_x
    k = len(defects.kinds)
    counts = np.bincount(key, minlength=k * rows * columns).reshape(k, rows, columns).astype(np.float32)
    area = np.where(counts.sum(axis=0) > 0, np.maximum(area, 1e-6), area)
    time = clock.true_time(defects.ribbon_m[use])
    return Grid(
        float(t0), cell_s, float(x0), cell_mm, area, counts, time,
        defects.ribbon_x_mm[use], defects.kind[use], use, defects.sheet[use],
        tuple(sorted((*blind, *silent), key=lambda stretch: stretch.from_m)), exposure.unknown > 0,
    )  # fmt: skip


def _beyond_one_sheet(kind: np.ndarray, sheet: np.ndarray, sheets: int) -> np.ndarray:
    """Marks, shape (D,), the defects of a sheet beyond what its neighbours make likely.

    A broken roller scratches one sheet forty times: one mishap, and not a rate. A sheet counts up to six
    standard deviations above the mean of the forty sheets around it, and never less than four defects.
    """
    drop = np.zeros(kind.size, dtype=bool)
    for k in np.unique(kind):
        mine = np.flatnonzero(kind == k)
        count = np.bincount(sheet[mine], minlength=sheets).astype(float)
        cap = np.full(sheets, np.inf)
        for _ in range(2):
            near = uniform_filter1d(np.minimum(count, cap), NEAR_SHEETS, mode="nearest")
            cap = np.maximum(np.ceil(near + 6 * np.sqrt(near)), 4.0)
        if not (count > cap).any():
            continue
        order = np.argsort(sheet[mine], kind="stable")
        first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(int)
        rank = np.arange(mine.size) - first[sheet[mine][order]]
        drop[mine[order]] = rank >= cap[sheet[mine][order]]
    return drop


def _exposure(
    row: np.ndarray, lo: np.ndarray, hi: np.ndarray, metre2_per_cell: np.ndarray, rows: int, columns: int
) -> np.ndarray:
    """Area per cell: each sheet spreads evenly from `lo` to `hi` (in cells), by second differences."""
    ramp = np.zeros((rows, columns + 2))
    for edge, sign in ((lo, 1.0), (hi, -1.0)):
        cell = np.clip(np.floor(edge).astype(int), 0, columns)
        part = np.clip(edge - cell, 0.0, 1.0)
        np.add.at(ramp, (row, cell), sign * metre2_per_cell * (1 - part))
        np.add.at(ramp, (row, cell + 1), sign * metre2_per_cell * part)
    return np.maximum(np.cumsum(ramp, axis=1)[:, :columns], 0.0)
