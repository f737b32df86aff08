"""What a trace looks at: arrays of one line, in line order. No session, no clock, no disk.

Times are seconds since the Unix epoch, UTC, as float arrays. Places along the ribbon are metres on the
line's counter, places across it millimetres from the left gross edge.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.errors import BadValue
from models.ribbon import Layout, MeasuredResidence


@dataclass(frozen=True)
class Vessels:
    """Melter and refiner figures with how far the truth may lie from them (uniform within).

    *_tracer : equally likely curves of the plant's own tracer run; empty where the figures hold
    """

    melter_mass_t: float
    melter_plug_fraction: float
    melter_tanks: float
    refiner_mass_t: float
    refiner_plug_fraction: float
    refiner_tanks: float
    density_t_per_m3: float = 2.5
    gross_width_mm: float | None = None
    net_width_mm: float | None = None
    melter_mass_rel_tolerance: float = 0.04
    melter_plug_tolerance: float = 0.03
    melter_tanks_low: float | None = None
    melter_tanks_high: float | None = None
    refiner_mass_rel_tolerance: float = 0.04
    melter_tracer: tuple[MeasuredResidence, ...] = ()
    refiner_tracer: tuple[MeasuredResidence, ...] = ()
    melter_and_refiner_tracer: tuple[MeasuredResidence, ...] = ()


@dataclass(frozen=True)
class LineRows:
    """The line log as step functions: row i holds until row i + 1. Arrays of shape (N,)."""

    times_s: np.ndarray
    speed_m_per_min: np.ndarray
    thickness_mm: np.ndarray
    pull_t_per_day: np.ndarray
    gross_width_mm: np.ndarray | None = None


@dataclass(frozen=True)
class Sheets:
    """Sheets sorted by metre, arrays of shape (S,); `cut_s` as stamped by the inspection computer.

    looked : part of each that was looked at, 0 to 1; NaN where nobody knows
    """

    start_m: np.ndarray
    length_mm: np.ndarray
    width_mm: np.ndarray
    x_left_mm: np.ndarray
    cut_s: np.ndarray
    looked: np.ndarray

    def __post_init__(self) -> None:
        if self.start_m.size and (np.diff(self.start_m) < 0).any():
            raise BadValue("Sheets: expected them sorted by metre of ribbon.")
        if ((self.looked < 0) | (self.looked > 1)).any():
            raise BadValue("Sheets: part looked at: expected 0 to 1, NaN for unknown.")


@dataclass(frozen=True)
class Defects:
    """Defects, arrays of shape (D,): `kind` indexes `kinds`, `sheet` indexes the sheets (-1: unknown)."""

    kinds: tuple[str, ...]
    kind: np.ndarray
    ribbon_m: np.ndarray
    ribbon_x_mm: np.ndarray
    sheet: np.ndarray


@dataclass(frozen=True)
class PlantEvent:
    """Something that happened, entered by hand, good to a quarter of an hour."""

    event_id: str
    start_s: float
    end_s: float | None
    kind: str
    text: str = ""


@dataclass(frozen=True)
class TagSeries:
    """Readings of one furnace tag, arrays of shape (N,), times increasing."""

    tag: str
    unit: str
    times_s: np.ndarray
    values: np.ndarray


@dataclass(frozen=True)
class RollPlace:
    name: str
    diameter_mm: float
    upstream_m: float


@dataclass(frozen=True)
class TraceInput:
    """One line's data for a trace."""

    sheets: Sheets
    defects: Defects
    line: LineRows | None
    layout: Layout = field(default_factory=Layout)
    vessels: Vessels | None = None
    events: tuple[PlantEvent, ...] = ()
    tags: tuple[TagSeries, ...] = ()
    rolls: tuple[RollPlace, ...] = ()
