"""What is in the demo plant's glass, and what its crews see of it. Pure; seconds count from the start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.demo import scenario as s
from models.demo.production import DAY_S, Floats, Ribbon, Sheets, ShiftPlan, smooth_noise
from models.ribbon.residence import Residence, VesselChain

#: median length in mm and spread (of the logarithm) by kind
_SIZES = {"bubble": (0.48, 0.55), "stone": (0.62, 0.5), "scratch": (26.0, 0.8), "roll mark": (0.9, 0.15)}
_EDGE_MM, _EDGE_WORSE = 280.0, 1.9


@dataclass(frozen=True, slots=True)
class Seen:
    """Defects that a crew wrote down, shape (N,) each, in the order of the ribbon.

    sheet : index into the sheets.  x_mm, y_mm : on the sheet.  length_mm, width_mm, halo_mm : NaN where none.
    """

    sheet: NDArray[np.intp]
    kind: NDArray[np.str_]
    x_mm: Floats
    y_mm: Floats
    length_mm: Floats
    width_mm: Floats
    halo_mm: Floats


def make_defects(rng: np.random.Generator, ribbon: Ribbon, sheets: Sheets, shifts: list[ShiftPlan]) -> Seen:
    """The background of each kind and the three stories, thinned by what each crew sees."""
    looked = np.flatnonzero(sheets.inspected)
    parts = [_background(rng, ribbon, sheets, looked, kind) for kind in s.RATES_PER_M2]
    parts.append(_street(rng, sheets, looked))
    parts.append(_marks(rng, sheets, looked))
    sheet = np.concatenate([part[0] for part in parts])
    kind = np.concatenate([np.full(part[0].size, part[3]) for part in parts])
    x_mm, y_mm = (np.concatenate([part[i] for part in parts]) for i in (1, 2))
    length, width, halo = _sizes(rng, kind)
    sharp = np.array([s.SHARPNESS[plan.crew] for plan in shifts])[sheets.shift[sheet]]
    # A small fault is overlooked more easily, most of all by the crew that looks less closely.
    ease = np.where(kind == "scratch", 1.0, length / (length + 0.25))
    seen = rng.random(sheet.size) < np.clip(sharp * (0.55 + 0.6 * ease), 0, 1)
    order = np.lexsort((y_mm[seen], sheet[seen]))
    return Seen(*(column[seen][order] for column in (sheet, kind, x_mm, y_mm, length, width, halo)))


def furnace() -> VesselChain:
    """Melter and refiner as they truly are: by the plant's own figures."""
    return VesselChain(
        tuple(
            Residence(
                s.FIGURES[f"{part}_mass_t"],
                s.FIGURES[f"{part}_plug_fraction"],
                s.FIGURES[f"{part}_tanks_in_series"],
            )
            for part in ("melter", "refiner")
        )
    )


def stone_response(ribbon: Ribbon, times_s: Floats) -> Floats:
    """Share of the glass leaving the furnace at `times_s` that entered during the upset.

    Tonnes drawn since its start and end, through melter and refiner (plug flow, then tanks in series).
    """
    chain = furnace()
    step_t = ribbon.pull_t_per_day[:-1] * np.diff(ribbon.times_s) / DAY_S
    drawn_t = np.concatenate([[0.0], np.cumsum(step_t)])
    begin_s = s.STONE_EVENT.day * DAY_S
    end_s = begin_s + (s.STONE_EVENT.hours or 0.0) * 3600
    now, begin, end = (np.interp(t, ribbon.times_s, drawn_t) for t in (times_s, begin_s, end_s))
    since_begin, since_end = np.maximum(now - begin, 0), np.maximum(now - end, 0)
    return np.asarray(chain.cdf(since_begin) - chain.cdf(since_end))


_Part = tuple[NDArray[np.intp], Floats, Floats, str]


def _background(
    rng: np.random.Generator, ribbon: Ribbon, sheets: Sheets, looked: NDArray[np.intp], kind: str
) -> _Part:
    drift = np.exp(0.22 * smooth_noise(rng, ribbon.times_s, 1.4 * DAY_S))
    per_sheet = s.RATES_PER_M2[kind] * s.NET_MM * s.SHEET_MM / 1e6
    expected = per_sheet * np.interp(sheets.cut_s[looked], ribbon.times_s, drift)
    if kind == "stone":
        at_bath = ribbon.log.time_at(sheets.start_m[looked] - s.LAYOUT_M["bath_inlet"])
        expected = expected * (1 + s.STONE_STRENGTH * stone_response(ribbon, np.asarray(at_bath)))
    # Days differ more than chance alone would have it: a gamma mixture of Poisson counts.
    counts = rng.poisson(expected * rng.gamma(6.0, 1 / 6.0, looked.size))
    sheet = np.repeat(looked, counts)
    return (
        sheet,
        _across(rng, sheet.size, edges=kind != "scratch"),
        rng.uniform(0, s.SHEET_MM, sheet.size),
        kind,
    )


def _across(rng: np.random.Generator, count: int, *, edges: bool) -> Floats:
    x = rng.uniform(0, s.NET_MM, count)
    if edges:
        # Some are moved from the middle towards the edges, where the glass is worse.
        share = 2 * _EDGE_MM * (_EDGE_WORSE - 1) / s.NET_MM
        moved = rng.random(count) < share
        side = rng.random(count) < 0.5
        near = rng.uniform(0, _EDGE_MM, count)
        x = np.where(moved, np.where(side, near, s.NET_MM - near), x)
    return x


def _street(rng: np.random.Generator, sheets: Sheets, looked: NDArray[np.intp]) -> _Part:
    on = (sheets.cut_s[looked] >= s.STREET_FROM * DAY_S) & (sheets.cut_s[looked] < s.STREET_TO * DAY_S)
    counts = rng.poisson(np.where(on, s.STREET_PER_M * s.SHEET_MM / 1000, 0.0))
    sheet = np.repeat(looked, counts)
    x = rng.normal(s.STREET_X_MM - s.X_LEFT_MM, s.STREET_SD_MM, sheet.size)
    return sheet, x, rng.uniform(0, s.SHEET_MM, sheet.size), "bubble"


def _marks(rng: np.random.Generator, sheets: Sheets, looked: NDArray[np.intp]) -> _Part:
    """Marks one circumference apart along the ribbon, of which part is seen."""
    diameter = next(diameter for name, diameter, _ in s.ROLLS if name == s.MARK_ROLL)
    pitch_m = np.pi * diameter / 1000
    on = (sheets.cut_s >= s.MARK_FROM * DAY_S) & (sheets.cut_s < s.MARK_TO * DAY_S)
    if not on.any():
        nothing = np.empty(0)
        return np.empty(0, np.intp), nothing, nothing, "roll mark"
    first, last = sheets.start_m[on].min(), sheets.start_m[on].max() + s.SHEET_MM / 1000
    at_m = np.arange(first + rng.uniform(0, pitch_m), last, pitch_m)
    sheet = np.searchsorted(sheets.start_m, at_m, side="right") - 1
    y = (at_m - sheets.start_m[sheet]) * 1000 + rng.normal(0, 1.5, at_m.size)
    kept = np.isin(sheet, looked) & (y >= 0) & (y <= s.SHEET_MM) & (rng.random(at_m.size) < s.MARK_SEEN)
    x = rng.normal(s.MARK_X_MM - s.X_LEFT_MM, 1.2, at_m.size)
    return sheet[kept], x[kept], y[kept], "roll mark"


def _sizes(rng: np.random.Generator, kind: NDArray[np.str_]) -> tuple[Floats, Floats, Floats]:
    median = np.array([_SIZES[k][0] for k in _SIZES])
    spread = np.array([_SIZES[k][1] for k in _SIZES])
    row = np.array([list(_SIZES).index(str(k)) for k in kind], dtype=np.intp)
    length = np.round(median[row] * np.exp(spread[row] * rng.normal(0, 1, kind.size)), 2)
    length = np.clip(length, np.where(kind == "scratch", 3.0, 0.15), np.where(kind == "scratch", 900.0, 9.0))
    across = np.where(kind == "bubble", rng.uniform(0.45, 0.95, kind.size), rng.uniform(0.6, 0.98, kind.size))
    width = np.where(kind == "scratch", rng.choice([0.05, 0.08, 0.1, 0.15, 0.25], kind.size), length * across)
    has_halo = (kind == "stone") & (rng.random(kind.size) < 0.7)
    halo = np.where(has_halo, length * rng.uniform(1.6, 3.2, kind.size), np.nan)
    sizes = (length, np.maximum(width, 0.03), halo)
    return tuple(np.asarray(np.round(size, 2), float) for size in sizes)  # type: ignore[return-value]
