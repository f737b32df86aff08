"""What a careful engineer does on a spreadsheet, for comparison.

An 8-hourly u chart per kind with 3-sigma limits (optionally widened to the robust spread of the data),
neighbouring signals joined; the mean lag of the section that the length suggests; the nearest event before; a
roll by the median distance between neighbouring marks.
"""

from __future__ import annotations

import numpy as np

from models.trace import TraceInput
from models.trace.charts import u_chart
from tests.simulator.line import DAY, HOUR
from tests.simulator.score import Reported

CELL_S = 8 * HOUR


def spreadsheet(given: TraceInput, *, robust: bool) -> list[Reported]:
    """Episodes as the spreadsheet reports them."""
    sheets, defects = given.sheets, given.defects
    first = sheets.cut_s.min()
    cell = ((sheets.cut_s - first) // CELL_S).astype(int)
    cells = int(cell.max()) + 1
    area = np.bincount(cell, sheets.length_mm * sheets.width_mm / 1e6, cells)
    left, right = float(sheets.x_left_mm.min()), float((sheets.x_left_mm + sheets.width_mm).max())
    said = []
    for k, kind in enumerate(defects.kinds):
        mine = defects.kind == k
        counts = np.bincount(cell[defects.sheet[mine]], minlength=cells).astype(float)
        chart = u_chart(counts, area)
        high = chart.value > chart.upper
        if robust:
            rate = counts / np.maximum(area, 1e-9)
            middle = np.median(rate)
            spread = 1.4826 * np.median(np.abs(rate - middle))
            high = rate > middle + 3 * np.maximum(spread, (chart.upper - chart.centre) / 3)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(int), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            said.append(_report(given, kind, mine, first + a * CELL_S, first + b * CELL_S, (left, right)))
    return said


def _report(
    given: TraceInput, kind: str, mine: np.ndarray, start: float, end: float, band: tuple[float, float]
) -> Reported:
    vessels = given.vessels
    pull = 500.0 if given.line is None else float(np.mean(given.line.pull_t_per_day))
    refiner = 0.0 if vessels is None else vessels.refiner_mass_t / pull * DAY
    melter = 0.0 if vessels is None else vessels.melter_mass_t / pull * DAY
    if kind == "scratch":
        section, lag = "lehr", 0.3 * HOUR
    elif end - start >= 2 * DAY:
        section, lag = "melter", melter + refiner
    elif end - start >= DAY:
        section, lag = "refiner", refiner
    else:
        section, lag = "bath", 0.5 * HOUR
    origin = start - lag
    before = sorted((e for e in given.events if e.start_s <= origin), key=lambda e: origin - e.start_s)
    return Reported(
        kind, *band, start, end, section, origin, end - lag,
        tuple(e.event_id for e in before[:3]), _roll(given, mine, start, end) if kind == "scratch" else None,
        origin,
    )  # fmt: skip


def _roll(given: TraceInput, mine: np.ndarray, start: float, end: float) -> str | None:
    seen = given.sheets.cut_s[given.defects.sheet]
    here = mine & (seen >= start) & (seen < end)
    metre = np.sort(given.defects.ribbon_m[here])
    if metre.size < 5 or not given.rolls:
        return None
    apart = np.diff(metre)
    apart = apart[(apart > 0.3) & (apart < 1.3)]
    if apart.size == 0:
        return None
    pitch = float(np.median(apart)) * 1000
    return min(given.rolls, key=lambda r: abs(np.pi * r.diameter_mm - pitch)).name
