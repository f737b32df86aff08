"""The light before any defect: lamps behind a diffuser (bright field) or oblique light on black (dark field).

Everything here is smooth, so it is computed on a coarse grid and drawn out to the picture's size.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.raytraced.scene import DarkLight, Floats, LampPanel, Plane, SceneSpec

GRID_PX = 8


def lamp_light(lamp: LampPanel, x_mm: Floats | Plane, y_mm: Floats | Plane) -> Plane:
    """Radiance of the lamp panel (1 = its mean) seen at a place of the sheet, in sheet mm, any shape.

    Tubes are periodic across `angle_deg`, each with a strength of its own; the diffuser keeps the first two
    harmonics of their pattern. Beyond the panel there is the dim surround.
    """
    c, s = np.cos(np.deg2rad(lamp.angle_deg)), np.sin(np.deg2rad(lamp.angle_deg))
    x0, y0, x1, y1 = lamp.panel_mm
    across = (y_mm - (y0 + y1) / 2) * c - (x_mm - (x0 + x1) / 2) * s
    turns = across / lamp.pitch_mm + lamp.phase_mm / lamp.pitch_mm
    tube = 1 + lamp.ripple * (np.cos(2 * np.pi * turns) + 0.2 * np.cos(4 * np.pi * turns + 0.4))
    count = len(lamp.strengths)
    places = np.arange(count, dtype=float) - count // 2
    tube = tube * np.interp(turns, places, np.asarray(lamp.strengths))
    inside_mm = np.minimum(np.minimum(x_mm - x0, x1 - x_mm), np.minimum(y_mm - y0, y1 - y_mm))
    share = _smooth_step(inside_mm / lamp.fade_mm + 0.5)
    return np.asarray(lamp.surround + (tube - lamp.surround) * share, dtype=np.float32)


def dark_light(light: DarkLight, spec: SceneSpec, x_mm: Floats, y_mm: Floats) -> Plane:
    """Light of the black ground with the haze that leaks from the lamps' side and from the cut edges."""
    x0, y0, x1, y1 = spec.field_mm
    span = max(x1 - x0, y1 - y0)
    out = np.full(x_mm.shape, light.black)
    for azimuth, strength in zip(light.azimuths_deg, light.strengths, strict=True):
        a = np.deg2rad(azimuth)
        towards = ((x_mm - (x0 + x1) / 2) * np.cos(a) + (y_mm - (y0 + y1) / 2) * np.sin(a)) / span
        out = out + light.black * light.gradient * strength * np.exp(1.6 * towards)
    if light.edge_glow > 0:
        width, length = spec.sheet_mm
        edge = np.minimum(
            np.minimum(np.abs(x_mm), np.abs(x_mm - width)), np.minimum(np.abs(y_mm), np.abs(y_mm - length))
        )
        out = out + light.edge_glow * np.exp(-edge / 12.0)
    return np.asarray(out, dtype=np.float32)


def ground(spec: SceneSpec, projection: Projection, rng: np.random.Generator) -> tuple[Plane, Plane]:
    """The whole picture's light, shape (H, W), and the signed distance to the sheet's edge in px (inside >
    0).
    """
    grid, size = projection.mm_map(GRID_PX)
    x_mm, y_mm = grid[..., 0], grid[..., 1]
    if spec.lighting == "bright_field":
        light = lamp_light(spec.lamp, x_mm, y_mm)
    else:
        light = dark_light(spec.dark, spec, x_mm, y_mm)
        light = light * (1 + spec.dark.cloth * _cloud(light.shape, rng))
    width, length = spec.sheet_mm
    edge_mm = np.minimum(np.minimum(x_mm, width - x_mm), np.minimum(y_mm, length - y_mm))
    edge_px = edge_mm / spec.camera.mm_per_px
    height_px, width_px = spec.camera.height_px, spec.camera.width_px
    full = cv2.resize(np.asarray(light, dtype=np.float32), size, interpolation=cv2.INTER_LINEAR)
    edge = cv2.resize(edge_px.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return full[:height_px, :width_px].copy(), edge[:height_px, :width_px]


def local_light(spec: SceneSpec, x_mm: float, y_mm: float) -> float:
    """Light of the ground at one sheet point (without the cloth's texture)."""
    here = np.array([x_mm]), np.array([y_mm])
    if spec.lighting == "bright_field":
        return float(lamp_light(spec.lamp, *here)[0])
    return float(dark_light(spec.dark, spec, *here)[0])


def _smooth_step(t: Floats) -> Floats:
    clipped = np.clip(t, 0, 1)
    return clipped * clipped * (3 - 2 * clipped)


def _cloud(shape: tuple[int, ...], rng: np.random.Generator) -> Plane:
    """Soft mottle of a dull ground: three octaves of smooth noise, unit standard deviation."""
    height, width = shape[:2]
    total = np.zeros((height, width), dtype=np.float32)
    for octave in (4, 12, 40):
        coarse = rng.standard_normal((max(2, height // octave + 2), max(2, width // octave + 2))).astype(
            np.float32
        )
        total += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(total / max(float(total.std()), 1e-6), dtype=np.float32)
