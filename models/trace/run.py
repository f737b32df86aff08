"""A whole trace: from the arrays of one line to its episodes and their furnace periods."""

from __future__ import annotations

import numpy as np

from models.errors import BadValue
from models.trace.clock_steps import LineClock, read_clock
from models.trace.crews import sharpness
from models.trace.curves import episode_curve
from models.trace.data import TraceInput
from models.trace.episodes import Rules, find_episodes
from models.trace.excursions import find_excursions
from models.trace.exposure import Exposure, estimate_exposure
from models.trace.fits import median, vessel_ends
from models.trace.grid import Grid, make_grid
from models.trace.origin import Cause, Origin, causes_of, explain, with_shared_vessels
from models.trace.repeats import Pitch, find_pitch, rayleigh
from models.trace.result import Episode, TraceResult
from models.trace.rolls import RollMatch, match_rolls, section_of
from models.trace.routes import Routes, make_routes
from models.trace.scene import Found, Scene

DAY_S = 86400.0
NARROW_MM = 250.0
SAME_PLACE = 0.5  # mean resultant length of places on the sheet above which the cold end did it


def trace(given: TraceInput, rules: Rules | None = None, exposure: Exposure | None = None) -> TraceResult:
    """Trace one line.

    exposure : the part looked at of each sheet; None: as told, and estimated where nobody recorded it

    Raises
    ------
    BadValue : fewer than two sheets, or no defects at all
    """
    if given.sheets.start_m.size < 2:
        raise BadValue(
            "There are fewer than two sheets to trace; expected sheets with their place on the ribbon."
        )
    if given.defects.kind.size == 0 or not given.defects.kinds:
        raise BadValue("There are no defects to trace in this stretch; expected at least one.")
    cutter = given.layout.station_m("cutting")
    clock = read_clock(given.sheets, given.line, 0.0 if cutter is None else cutter)
    exposure = exposure or estimate_exposure(given.sheets, given.defects)
    grid = make_grid(given.sheets, given.defects, clock, exposure)
    routes = make_routes(given, clock.log)
    scene = find_episodes(grid, given.defects.kinds, routes, rules or Rules())
    excursions = [x for series in given.tags for x in find_excursions(series)]
    causes = causes_of(given.events, excursions)
    width = float(grid.shape[1]) * grid.cell_mm
    scene.found = with_shared_vessels(
        scene.found, given.defects.kinds, lambda f: min(1.0, (f.x_hi_mm - f.x_lo_mm) / width), routes, causes
    )
    episodes = [_episode(found, scene, given, clock, routes, causes) for found in scene.found]
    episodes.sort(key=lambda e: (e.seen_start_s, e.kind, e.x_lo_mm))
    return TraceResult(
        tuple(episodes), clock.steps, grid.blind, scene.shifts, _sharpness(scene), float(grid.area_m2.sum()),
        int(grid.kind.size), grid.t0_s, float(grid.time_of(grid.shape[0])), exposure,
    )  # fmt: skip


def _sharpness(scene: Scene) -> tuple[tuple[float, float, float], ...]:
    """How sharp each shift was, from all kinds together."""
    shifts = scene.shifts
    if shifts is None or not scene.series:
        return ()
    js = shifts.edges_s.size - 1
    n = np.array([np.bincount(s.shift, s.counts, js) for s in scene.series])
    bare = np.array([
        np.bincount(s.shift, scene.grid_hours(k) * (1 + s.model), js) for k, s in enumerate(scene.series)
    ])  # fmt: skip
    every, least = np.ones(n.shape[0], dtype=bool), scene.grid.least_of_shift
    value, var = sharpness(n, bare, every, length_h=shifts.length_h, least=least)
    seen = n.sum(axis=0) > 0
    return tuple(
        (float(shifts.edges_s[j]), float(np.exp(value[j])), float(np.sqrt(var[j])))
        for j in np.flatnonzero(seen)
    )


def _members(grid: Grid, found: Found) -> np.ndarray:
    lo, hi = np.searchsorted(grid.time_s, [found.start_s, found.end_s])
    here = (
        (grid.kind[lo:hi] == found.kind)
        & (grid.x_mm[lo:hi] >= found.x_lo_mm)
        & (grid.x_mm[lo:hi] < found.x_hi_mm)
    )
    return lo + np.flatnonzero(here)


def _episode(
    found: Found, scene: Scene, given: TraceInput, clock: LineClock, routes: Routes, causes: list[Cause]
) -> Episode:
    grid = scene.grid
    name = given.defects.kinds[found.kind]
    rows = _members(grid, found)
    members = grid.index[rows]
    width = float(grid.shape[1]) * grid.cell_mm
    share = min(1.0, (found.x_hi_mm - found.x_lo_mm) / width)
    pitch, rolls, sections, upstream = _touching(found, name, members, given, routes)
    origin = explain(
        found.fits, 1.0 if found.wide else share, name, routes, causes, sections=sections, upstream_m=upstream
    )  # fmt: skip
    start, end = _seen(found, origin, routes)
    # the grid's outer cells stick out past the sheets
    left = max(found.x_lo_mm, float(given.sheets.x_left_mm.min()))
    right = min(found.x_hi_mm, float((given.sheets.x_left_mm + given.sheets.width_mm).max()))
    curve = episode_curve(scene, found, origin.section)
    middle = curve.start_s + 0.5 * curve.width_s
    part = np.clip(
        (np.minimum(middle + 0.5 * curve.width_s, end) - np.maximum(curve.start_s, start)) / curve.width_s,
        0,
        1,
    )
    expected = (curve.background * part).sum()
    return Episode(
        name, left, right, found.wide, start, end,
        float(clock.log.metre_at(start)), float(clock.log.metre_at(end)), int(rows.size), float(expected),
        float(np.exp(min(0.0, found.log_p))), origin.section, origin.section_weights,
        origin.start_s, origin.end_s, origin.onset_s, origin.stop_s, origin.causes, origin.none_weight,
        _course_name(found, origin), pitch, tuple(rolls), curve, grid.index[rows],
    )  # fmt: skip


def _seen(found: Found, origin: Origin, routes: Routes) -> tuple[float, float]:
    """Onset and end at the inspection point, with what the causes say of them where the course is sharp."""
    fit = found.fits["sharp"]
    if origin.section in found.fits:
        reach = (found.start_s - 3 * DAY_S, found.end_s + 3 * DAY_S)
        told = vessel_ends(found.fits[origin.section], routes, origin.pairs_weight, reach)
        return (found.start_s, found.end_s) if told is None else told
    plain = fit.posterior()
    ends = []
    for at, known in ((fit.start_s, found.start_s), (fit.end_s, found.end_s)):
        alone, weighed = median(at, plain), median(at, origin.pairs_weight)
        # an end that a joined piece has moved is left where it is
        ends.append(weighed if abs(alone - known) < 60.0 else known)
    return (ends[0], ends[1]) if ends[1] > ends[0] else (found.start_s, found.end_s)


def _course_name(found: Found, origin: Origin) -> str:
    fit = found.fits.get(origin.section, found.fits["sharp"])
    return {"step": "burst", "ramp": "ramp", "ramp_hold": "ramp", "fall": "decay", "peak": "rise and fall",
            "vessel": "rise and decay through the vessel"}[fit.family]  # fmt: skip


def _touching(
    found: Found, name: str, members: np.ndarray, given: TraceInput, routes: Routes
) -> tuple[Pitch | None, list[RollMatch], dict[str, float] | None, float | None]:
    """Rhythm, rolls and what they say: (pitch, rolls, section probabilities, place upstream)."""
    if found.wide or found.x_hi_mm - found.x_lo_mm > NARROW_MM or members.size < 8:
        return None, [], None, None
    metre, sheet = given.defects.ribbon_m[members], given.defects.sheet[members]
    on_sheet = (metre - given.sheets.start_m[sheet]) * 1000.0
    length = given.sheets.length_mm[sheet]
    concentration, p = rayleigh(on_sheet / np.maximum(length, 1.0), 1.0)
    if p < 1e-6 and concentration > SAME_PLACE and np.unique(sheet).size >= 6:
        return None, [], {"cold_end": 0.97, "lehr": 0.03}, None
    diameters = [r.diameter_mm for r in given.rolls]
    low = 0.9 * np.pi * min(diameters) / 3 if diameters else 200.0
    high = 1.1 * np.pi * max(diameters) if diameters else 2000.0
    pitch = find_pitch(metre, max(low, 80.0), max(high, 1500.0))
    if pitch is None:
        return None, [], None, None
    rolls = match_rolls(pitch, given.rolls)
    if not rolls:
        return pitch, [], {"lehr": 0.6, "cold_end": 0.25, "bath": 0.15}, None
    sections: dict[str, float] = {}
    for match in rolls:
        section = section_of(match.roll.upstream_m, routes)
        sections[section] = sections.get(section, 0.0) + match.weight
    return pitch, rolls, sections, rolls[0].roll.upstream_m
