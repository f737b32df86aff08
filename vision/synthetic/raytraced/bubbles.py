"""Gas in the glass: how an ellipsoidal cavity looks against the lamps and in oblique light.

Families: "ray" traces the view through the cavity onto the lamp panel (refraction twice, total reflection on
the way in and at the back face, Fresnel losses after Schlick); "slope" shades by the slope of the cavity's
wall alone; "open" is a cavity broken through the surface, seen as a sharp half ring. In dark field "ray"
shows the glints where the wall's normal halves the angle between lamp and eye, front and back wall, "slope" a
scattering rim.
"""

from __future__ import annotations

import numpy as np

from vision.synthetic.raytraced.canvas import PatchGrid
from vision.synthetic.raytraced.light import lamp_light
from vision.synthetic.raytraced.scene import DarkLight, Defect, Floats, LampPanel, Plane, SceneSpec

GLASS_INDEX = 1.52
"""Soda-lime glass in visible light (from memory; handbooks give 1.51 to 1.53)."""


def bright_bubble(bubble: Defect, grid: PatchGrid, spec: SceneSpec) -> Plane:
    """Factor on the light behind, on the fine grid."""
    rng = np.random.default_rng(bubble.seed)
    u, v = grid.turned(bubble.angle_deg)
    a, b = bubble.length_mm / 2, bubble.width_mm / 2
    rho = np.hypot(u / a, v / b)
    halo = halo_factor(bubble, u, v, grid, spec, rng)
    soft = np.clip((1 - rho) * b / (1.2 * grid.fine_mm) + 0.5, 0, 1)
    if bubble.style == "ray":
        depth = min(b * rng.uniform(0.55, 1.0), 0.42 * spec.thickness_mm)
        through = _traced(u, v, a, b, depth, bubble, spec.lamp)
        through = 1 - bubble.strength * (1 - through)
    else:
        through = _shaded(u, v, rho, bubble, rng)
    return np.asarray(halo * (1 - soft) + through * soft, dtype=np.float32)


def _traced(u: Plane, v: Plane, a: float, b: float, c: float, bubble: Defect, lamp: LampPanel) -> Plane:
    """Light through the cavity over light beside it, by ray tracing; u along the long axis, v across."""
    q = np.clip(1 - (u / a) ** 2 - (v / b) ** 2, 1e-6, 1).astype(np.float64)
    point = np.stack([u.astype(np.float64), v.astype(np.float64), -c * np.sqrt(q)])
    weight = np.array([1 / a**2, 1 / b**2, 1 / c**2])[:, None, None]
    normal = _unit(point * weight)
    cos_in = -normal[2]
    n = GLASS_INDEX
    k = 1 - n**2 * (1 - cos_in**2)
    enters = k > 0
    root = np.sqrt(np.maximum(k, 0))
    ray = np.stack([np.zeros_like(cos_in), np.zeros_like(cos_in), np.ones_like(cos_in)])
    inside = n * ray + (n * cos_in - root) * normal
    step = -2 * (point * weight * inside).sum(0) / np.maximum((inside * weight * inside).sum(0), 1e-12)
    far = point + step * inside
    wall = _unit(far * weight)
    cos_out = np.clip((inside * wall).sum(0), 0, 1)
    back = np.sqrt(1 - (1 - cos_out**2) / n**2)
    leaves = inside / n - (cos_out / n - back) * wall
    mirrored = ray + 2 * cos_in * normal
    out = np.where(enters, leaves, mirrored)
    side2 = out[0] ** 2 + out[1] ** 2
    escapes = (out[2] > 0) & (n**2 * side2 < 0.999)
    scale = n / np.sqrt(np.maximum(1 - n**2 * side2, 1e-3))
    turn = np.deg2rad(bubble.angle_deg)
    dx, dy = lamp.distance_mm * scale * out[0], lamp.distance_mm * scale * out[1]
    x = bubble.x_mm + dx * np.cos(turn) - dy * np.sin(turn)
    y = bubble.y_mm + dx * np.sin(turn) + dy * np.cos(turn)
    seen = np.where(escapes, lamp_light(lamp, x, y), 0.6 * lamp.surround)
    kept = np.where(enters, _passed(cos_in) * _passed(cos_out), 1.0)
    beside = lamp_light(lamp, np.array([bubble.x_mm]), np.array([bubble.y_mm]))[0]
    return np.asarray(seen * kept / max(float(beside), 1e-3), dtype=np.float32)


def _passed(cosine: Floats) -> Floats:
    """Share of light that passes a glass-gas face (Schlick's approximation of Fresnel)."""
    r0 = ((GLASS_INDEX - 1) / (GLASS_INDEX + 1)) ** 2
    return 1 - (r0 + (1 - r0) * (1 - cosine) ** 5)


def _unit(vectors: Floats) -> Floats:
    return vectors / np.maximum(np.sqrt((vectors**2).sum(0)), 1e-12)


def _shaded(u: Plane, v: Plane, rho: Plane, bubble: Defect, rng: np.random.Generator) -> Plane:
    """Dark rim, bright middle, by wall slope alone; an open bubble keeps one half of its rim."""
    start = rng.uniform(0.3, 0.8)
    soft = rng.uniform(0.05, 0.3)
    ramp = np.clip((rho - start) / soft + 0.5, 0, 1)
    dark = ramp * ramp * (3 - 2 * ramp)
    middle = rng.uniform(0.75, 1.06)
    peak = rng.uniform(0.0, 0.25) * np.exp(-((rho / 0.25) ** 2))
    if bubble.style == "open":
        azimuth = np.arctan2(v / bubble.width_mm, u / bubble.length_mm) - rng.uniform(0, 2 * np.pi)
        dark = np.clip((rho - 0.78) / 0.08, 0, 1) * (0.25 + 0.75 * (0.5 + 0.5 * np.cos(azimuth)) ** 1.5)
    return np.asarray((middle + peak) * (1 - dark) + dark * (1 - bubble.strength), dtype=np.float32)


def halo_factor(
    defect: Defect, u: Plane, v: Plane, grid: PatchGrid, spec: SceneSpec, rng: np.random.Generator
) -> Plane:
    """The disturbed surface round an inclusion as a weak lens: light of the panel looked up where the slope
    bends it.

    A lens in front of an even, wide panel shows nothing, so the second part, the shadow of the lens in partly
    collimated light (proportional to its curvature), is weighed by `LampPanel.collimation`.
    """
    ones = np.ones_like(u)
    if defect.halo_strength <= 0 or defect.halo_ratio <= 1:
        return ones
    sa, sb = defect.halo_ratio * defect.length_mm / 4, defect.halo_ratio * defect.width_mm / 4
    bell = np.exp(-((u / sa) ** 2 + (v / sb) ** 2) / 2)
    peak_slope = defect.halo_strength
    slope_u, slope_v = peak_slope * (u / sa) * bell, peak_slope * (v / sb) * bell
    turn = np.deg2rad(defect.angle_deg)
    reach = (GLASS_INDEX - 1) * spec.lamp.distance_mm
    x = defect.x_mm + reach * (slope_u * np.cos(turn) - slope_v * np.sin(turn))
    y = defect.y_mm + reach * (slope_u * np.sin(turn) + slope_v * np.cos(turn))
    beside = float(lamp_light(spec.lamp, np.array([defect.x_mm]), np.array([defect.y_mm]))[0])
    bent = lamp_light(spec.lamp, x, y) / max(beside, 1e-3)
    curvature = bell * ((u / sa) ** 2 + (v / sb) ** 2 - 2) / 2
    shadow = 1 - spec.lamp.collimation * peak_slope * 12 * curvature
    return np.asarray(bent * np.clip(shadow, 0.3, 1.7), dtype=np.float32)


def dark_bubble(bubble: Defect, grid: PatchGrid, light: DarkLight) -> Plane:
    """Scattered light to add, on the fine grid: the double arc."""
    rng = np.random.default_rng(bubble.seed)
    u, v = grid.turned(bubble.angle_deg)
    a, b = bubble.length_mm / 2, bubble.width_mm / 2
    rho = np.hypot(u / a, v / b)
    inside = np.clip((1 - rho) * b / (1.2 * grid.fine_mm) + 0.5, 0, 1)
    azimuth = np.arctan2(v / b**2, u / a**2) + np.deg2rad(bubble.angle_deg)
    spread = np.deg2rad(light.azimuth_spread_deg)
    if bubble.style == "ray":
        front, back = rng.uniform(0.72, 0.86), rng.uniform(0.84, 0.95)
        width, far_share = rng.uniform(0.05, 0.12), rng.uniform(0.4, 1.0)
        rim = rng.uniform(0.1, 0.35)
    else:
        front = back = rng.uniform(0.86, 0.95)
        width, far_share = rng.uniform(0.04, 0.1), rng.uniform(0.5, 1.0)
        rim = rng.uniform(0.02, 0.3)
    out = rim * np.exp(-(((rho - 0.95) / 0.045) ** 2) / 2)
    for towards_deg, strength in zip(light.azimuths_deg, light.strengths, strict=True):
        gap = _wrapped(azimuth - np.deg2rad(towards_deg))
        near = np.exp(-((gap / spread) ** 2) / 2) * np.exp(-(((rho - front) / width) ** 2) / 2)
        gap_far = _wrapped(gap - np.pi)
        far = np.exp(-((gap_far / spread) ** 2) / 2) * np.exp(-(((rho - back) / width) ** 2) / 2)
        out = out + strength * (near + far_share * far)
    out = out + rng.uniform(0, 0.04)
    if bubble.style == "open":
        out = out + 1.2 * np.exp(-(((rho - 0.93) / 0.05) ** 2) / 2) * (
            0.3 + 0.7 * (np.cos(azimuth - rng.uniform(0, 6.28)) > 0)
        )
    if bubble.halo_strength > 0:
        haze = np.exp(-((rho / bubble.halo_ratio) ** 2) * 2) * (1 - inside)
        out = out * inside + bubble.halo_strength * 0.6 * haze
    else:
        out = out * inside
    return np.asarray(bubble.strength * out, dtype=np.float32)


def _wrapped(angle: Floats | Plane) -> Floats:
    return np.asarray((np.asarray(angle) + np.pi) % (2 * np.pi) - np.pi)
