"""Scratches: a V-shaped groove that scatters, with skips, light and heavy stretches, chatter and splinters.

Bright field: the flanks send light aside, a dark line; in the "ridged" family the pushed-up lips make it two
dark lines with a lighter middle. Dark field: a bright line whose strength depends on how squarely the groove
faces a lamp: |cos| of the angle between the groove's normal and the lamp's azimuth, raised to a power, plus a
floor.
"""

from __future__ import annotations

import numpy as np

from vision.synthetic.raytraced import lines
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.scene import DarkLight, Defect, Floats, SceneSpec


def weight_along(scratch: Defect, place_mm: Floats, length_mm: float) -> Floats:
    """Strength of the groove along its course, 0 in the skips, about 1 elsewhere; shape of `place_mm`."""
    rng = np.random.default_rng(scratch.seed)
    knots = max(4, int(length_mm / 6))
    slow = np.interp(place_mm, np.linspace(0, length_mm, knots), rng.normal(0, 1, knots))
    weight = np.exp(rng.uniform(0.05, 0.35) * slow)
    taper = rng.uniform(0.01, 0.1) * length_mm
    weight = weight * np.clip(
        np.minimum(place_mm, length_mm - place_mm) / taper + rng.uniform(0.4, 1.0), 0, 1
    )
    if scratch.style == "chatter":
        pitch = rng.uniform(0.6, 3.0)
        weight = weight * (0.75 + 0.25 * np.sign(np.sin(2 * np.pi * place_mm / pitch + rng.uniform(0, 6))))
    for start, end in scratch.gaps:
        weight = np.where((place_mm > start * length_mm) & (place_mm < end * length_mm), 0, weight)
    return weight


def draw_scratch(canvas: Canvas, scratch: Defect, spec: SceneSpec) -> dict[str, Floats] | None:
    """Lay one scratch; returns what the visibility needs (`rows`, `columns`, `change`, `along` 0..1), None if
    outside.
    """
    path = np.asarray(scratch.path_mm, dtype=float)
    curve = lines.curve_of(canvas, path)
    middle = path[len(path) // 2]
    px_per_mm = 1 / canvas.projection.mm_per_px_at(middle)
    width_px = scratch.width_mm * px_per_mm
    sigma = float(np.sqrt(canvas.blur.sigma_px**2 + 1 / 12))
    rows, columns, across, along = lines.pixels_near(canvas, curve, width_px + 3.5 * sigma + 1)
    if not rows.size:
        return None
    weight = weight_along(scratch, curve.arc_px / curve.length_px * scratch.length_mm, scratch.length_mm)
    strength = lines.stretch(along, curve.arc_px, weight, sigma)
    profile = lines.band(across, width_px, sigma)
    if scratch.style == "ridged":
        outer = lines.band(across, width_px, sigma)
        profile = outer - 0.7 * lines.band(across, 0.4 * width_px, sigma)
    before = lines.levels_at(canvas, rows, columns)
    if spec.lighting == "bright_field":
        factor = np.clip(1 - scratch.strength * strength * profile, 0.02, 2)
        lines.lay_factor(canvas, rows, columns, factor)
    else:
        facing = facing_along(scratch, spec.dark, curve.points)
        facing_here = np.interp(along, curve.arc_px, facing)
        lines.lay_light(canvas, rows, columns, scratch.strength * strength * facing_here * profile)
    change = lines.levels_at(canvas, rows, columns) - before
    return {"rows": rows, "columns": columns, "change": change, "along": along / curve.length_px}


def facing_along(scratch: Defect, light: DarkLight, points: Floats) -> Floats:
    """How squarely the groove faces the lamps along its course (0..about 1.2)."""
    rng = np.random.default_rng(scratch.seed + 5)
    power, floor = rng.uniform(1.0, 3.0), rng.uniform(0.06, 0.3)
    steps = np.gradient(points, axis=0)
    normal = np.arctan2(steps[:, 1], steps[:, 0]) + np.pi / 2
    total = np.full(len(points), floor)
    for azimuth, strength in zip(light.azimuths_deg, light.strengths, strict=True):
        total = total + strength * np.abs(np.cos(normal - np.deg2rad(azimuth))) ** power
    return total / max(1, len(light.azimuths_deg)) ** 0.5
