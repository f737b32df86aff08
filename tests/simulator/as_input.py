"""The invented line as the arrays a trace takes."""

from __future__ import annotations

import numpy as np

from models.trace.data import Defects, LineRows, PlantEvent, RollPlace, Sheets, TraceInput, Vessels
from tests.simulator.defects import SimDefects
from tests.simulator.line import SimLine


def as_input(line: SimLine, made: SimDefects, looked: np.ndarray | None = None) -> TraceInput:
    """looked : part of each sheet looked at as told, NaN for unknown; None: all told as looked at."""
    f = line.figures
    n = line.sheet_start_m.size
    trim = (f.gross_mm - f.net_mm) / 2
    cutter = line.layout.upstream_m["cutter"]
    sheets = Sheets(
        start_m=line.sheet_start_m,
        length_mm=line.sheet_length_mm,
        width_mm=np.full(n, f.net_mm),
        x_left_mm=np.full(n, trim),
        cut_s=np.round(line.stamped(line.log.time_at(line.sheet_start_m - cutter))),
        looked=np.ones(n) if looked is None else looked,
    )
    return TraceInput(
        sheets=sheets,
        defects=Defects(made.kinds, made.kind, made.ribbon_m, made.ribbon_x, made.sheet),
        line=LineRows(line.log_times, line.log_speed, line.log_thickness, line.log_pull),
        layout=line.layout,
        vessels=Vessels(
            f.melter.mass_t, f.melter.plug_fraction, f.melter.tanks,
            f.refiner.mass_t, f.refiner.plug_fraction, f.refiner.tanks,
            f.density, f.gross_mm, f.net_mm, f.mass_tolerance, f.plug_tolerance, *f.tanks, f.mass_tolerance,
        ),
        events=tuple(
            PlantEvent(i, _quarter(s), None if e is None else _quarter(e), k) for i, s, e, k in made.events
        ),
        rolls=tuple(RollPlace(r.name, r.diameter_mm, r.upstream_m) for r in line.rolls),
    )  # fmt: skip


def _quarter(time_s: float) -> float:
    return float(np.round(time_s / 900.0) * 900.0)
