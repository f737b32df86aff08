"""Shifts in which nobody looked at a sheet, and what a plant's file says of it."""

from __future__ import annotations

import numpy as np

from tests.simulator.line import SimLine


def pass_shifts(rng: np.random.Generator, line: SimLine, share: float = 1 / 3) -> None:
    """A random `share` of the line's shifts passes without a look; to be called before defects are made."""
    shift = np.searchsorted(line.shift_edges, line.log.time_at(line.sheet_start_m), side="right")
    line.inspected &= ~(rng.random(int(shift.max()) + 1) < share)[shift]


def told(line: SimLine) -> np.ndarray:
    """Part of each sheet looked at, as a file with a full column `looked_at` says it."""
    return line.inspected.astype(float)


def untold(line: SimLine) -> np.ndarray:
    """The same without the column."""
    return np.full(line.inspected.size, np.nan)
