"""Bubbles: rings and arcs after several formulae, symmetric, drawn out along y."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.synthetic.parametric.canvas import Array, Canvas, DrawnDefect, drawn_spot
from vision.synthetic.random_draws import log_uniform, near, some
from vision.synthetic.textures import soft

BRIGHT_STYLES = ("gaussian ring", "annulus", "lens", "slope", "double ring", "disc with spot")
DARK_STYLES = ("gaussian ring", "annulus", "double arc", "crescent", "glints", "glow", "slope")


@dataclass(frozen=True)
class BubbleParameters:
    """How the bubbles of one domain look. wall : share of the radius; dot_px : below this length they are
    plain dots; lamp : direction of the light (rad); faint : share that is only just seen"""

    styles: tuple[str, ...]
    aspect: float
    aspect_spread: float
    lean_sd: float
    wall: float
    sharp: float
    contrast: float
    contrast_spread: float
    faint: float
    centre: float
    fill: float
    one_sided: float
    lamp: float
    arc_power: float
    floor: float
    halo_share: float
    halo_strength: float
    halo_reach: float
    dot_px: float


def bubble_parameters(rng: np.random.Generator, dark: bool) -> BubbleParameters:
    return BubbleParameters(
        styles=some(rng, DARK_STYLES if dark else BRIGHT_STYLES),
        aspect=1 + float(rng.gamma(1.2, 0.3)),
        aspect_spread=float(rng.uniform(0.03, 0.3)),
        lean_sd=float(np.radians(rng.uniform(1, 10))),
        wall=log_uniform(rng, 0.1, 0.6),
        sharp=log_uniform(rng, 0.5, 3),
        contrast=log_uniform(rng, 0.06, 1.1) if dark else float(rng.uniform(0.4, 0.98)),
        contrast_spread=float(rng.uniform(0.1, 0.6)) if dark else float(rng.uniform(0.03, 0.25)),
        faint=float(rng.uniform(0.1, 0.5)),
        centre=float(rng.uniform(-0.1, 0.45 if dark else 0.3)),
        fill=float(rng.uniform(0, 0.35)),
        one_sided=float(rng.uniform(0, 0.4)),
        lamp=float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.3))
        if rng.random() < 0.6
        else float(rng.uniform(0, 6.3)),
        arc_power=log_uniform(rng, 0.5, 6),
        floor=float(rng.uniform(0, 0.5)),
        halo_share=float(rng.choice([0, rng.uniform(0.2, 1)])),
        halo_strength=log_uniform(rng, 0.02, 0.25) * float(rng.choice([-1, 1])),
        halo_reach=float(rng.uniform(1.15, 2.5)),
        dot_px=float(rng.choice([0, rng.uniform(1.2, 3)])),
    )


def bubble(
    rng: np.random.Generator, canvas: Canvas, params: BubbleParameters, x: float, y: float, length: float
) -> DrawnDefect:
    """Stamp one bubble; `length_px` is the long axis of its outer rim at half depth."""
    aspect = max(1.0, near(rng, params.aspect, params.aspect_spread))
    turn = np.pi / 2 + rng.normal(0, params.lean_sd)
    a, b = length / 2, length / 2 / min(aspect, 3.2)
    size = (length, 2 * b, float(np.degrees(turn)))
    halo = rng.random() < params.halo_share and length > 2
    reach = params.halo_reach * float(rng.uniform(0.8, 1.25)) if halo else 1.0
    patch = canvas.patch(x, y, a * (2 * reach - 1 if halo else 1.3))
    if patch is None:
        return drawn_spot("bubble", x, y, size, None)
    u, v = patch.turned(turn)
    rho = np.hypot(u / a, v / b)
    # the wall's normal, in picture directions
    phi = np.arctan2(v / b, u / a) + turn
    inside = soft((rho - 1) * b, max(0.12, 0.04 * b * params.sharp))
    style = str(rng.choice(params.styles))
    if length < params.dot_px:
        pattern = inside if style in ("annulus", "slope", "lens") else np.exp(-np.log(2) * rho**2)
    elif canvas.dark:
        pattern = _dark(rng, params, style, rho, phi, inside)
    else:
        pattern = _bright(rng, params, style, rho, phi, inside)
    if halo:
        pattern = pattern + _halo(rng, params, rho, reach, canvas.dark)
    pattern = np.asarray(pattern, np.float32)
    if rng.random() < params.faint:
        strength = canvas.strength_for(patch, pattern, canvas.sd(x, y), log_uniform(rng, 2.5, 22))
    else:
        strength = near(rng, params.contrast, params.contrast_spread)
    seen = canvas.lay(patch, pattern, min(strength, 1.6 if canvas.dark else 0.99))
    return drawn_spot("bubble", x, y, size, seen, length * (2 * reach - 1) if halo else None)


def _ring(rho: Array, wall: float) -> Array:
    """A ring of Gaussian profile whose outer flank is at half height where rho = 1."""
    width = 0.42 * wall
    return np.exp(-(((rho - 1 + 1.177 * width) / width) ** 2) / 2)


def _bright(
    rng: np.random.Generator, params: BubbleParameters, style: str, rho: Array, phi: Array, inside: Array
) -> Array:
    """Share of the light that is lost: a dark rim, a bright middle."""
    wall = float(np.clip(near(rng, params.wall, 0.15), 0.08, 0.75))
    if style == "gaussian ring":
        ring = _ring(rho, wall)
    elif style == "annulus":
        ring = inside * np.clip((rho - 1 + wall) / 0.08 + 0.5, 0, 1)
    elif style == "lens":
        ring = inside * np.clip(rho, 0, 1) ** (2 * params.sharp)
    elif style == "slope":
        slope = rho / np.sqrt(np.maximum(1 - rho * rho, 1e-3))
        turn_at = (1 - wall) / np.sqrt(1 - (1 - wall) ** 2)
        off = params.one_sided * turn_at
        lamp = np.sqrt(slope**2 + off**2 - 2 * off * slope * np.cos(phi - params.lamp))
        ring = inside * (1 - 1 / (1 + (lamp / turn_at) ** (2 + 3 * params.sharp)))
    elif style == "double ring":
        ring = np.maximum(_ring(rho, 0.5 * wall), 0.7 * _ring(rho / (1 - 0.7 * wall), 0.5 * wall))
    else:
        ring = inside * (1 - np.exp(-((rho / (0.9 - wall)) ** 2)) * float(rng.uniform(0.6, 1)))
    if style != "slope":
        ring = ring * (1 + 0.7 * params.one_sided * np.cos(phi - params.lamp)) / (1 + 0.35 * params.one_sided)
    # a thin rim must not lose against the middle: seen from afar a bubble is dark
    middle = min(1.0, wall / 0.35) * inside * np.exp(-((rho / max(0.85 - wall, 0.15)) ** 2))
    return np.asarray(ring + params.fill * (1 - ring) * inside * 0.6 - params.centre * middle)


def _dark(
    rng: np.random.Generator, params: BubbleParameters, style: str, rho: Array, phi: Array, inside: Array
) -> Array:
    """Light that is scattered towards the camera: a ring, arcs or glints on the wall."""
    wall = float(np.clip(near(rng, 0.7 * params.wall, 0.15), 0.07, 0.5))
    around = phi - params.lamp
    if style == "annulus":
        shape = inside * np.clip((rho - 1 + wall) / 0.08 + 0.5, 0, 1)
    elif style == "double arc":
        shape = _ring(rho, wall) * (
            params.floor + (1 - params.floor) * np.abs(np.cos(around)) ** params.arc_power
        )
    elif style == "crescent":
        shape = _ring(rho, 1.4 * wall) * (
            params.floor + (1 - params.floor) * (0.5 + 0.5 * np.cos(around)) ** params.arc_power
        )
    elif style == "glints":
        far = float(rng.uniform(0.3, 1))
        place, width = 1 - wall, 0.6 * wall
        p, q = rho * np.cos(around), rho * np.sin(around)
        shape = np.exp(-(((p - place) ** 2 + q**2) / (2 * width**2))) + far * np.exp(
            -(((p + place) ** 2 + q**2) / (2 * width**2))
        )
        shape = inside * shape + 0.5 * params.floor * _ring(rho, 0.5 * wall)
    elif style == "glow":
        shape = (
            inside * ((1 - np.clip(rho, 0, 1) ** 2) ** params.sharp * 0.7 + params.floor)
            + _ring(rho, wall) * params.floor
        )
    elif style == "slope":
        slope = rho / np.sqrt(np.maximum(1 - rho * rho, 1e-3))
        at = (1 - wall) / np.sqrt(1 - (1 - wall) ** 2)
        p, q = slope * np.cos(around), slope * np.sin(around)
        far = float(rng.uniform(0.3, 1))
        shape = np.exp(-(((p - at) ** 2 + (q / 1.6) ** 2) / (2 * (0.4 * at) ** 2)))
        shape = shape + far * np.exp(-(((p + at) ** 2 + (q / 1.6) ** 2) / (2 * (0.4 * at) ** 2)))
        shape = inside * shape + params.floor * _ring(rho, 0.6 * wall)
    else:
        shape = _ring(rho, wall)
    if style in ("gaussian ring", "annulus"):
        shape = shape * (1 + params.one_sided * np.cos(around))
    if params.centre > 0.15:
        spot = float(rng.uniform(0.1, 0.25))
        gx, gy = rng.uniform(-0.35, 0.35, 2)
        p, q = rho * np.cos(phi), rho * np.sin(phi)
        shape = shape + params.centre * inside * np.exp(-((p - gx) ** 2 + (q - gy) ** 2) / (2 * spot**2))
    return np.asarray(shape + 0.6 * params.fill * inside)


def _halo(rng: np.random.Generator, params: BubbleParameters, rho: Array, reach: float, dark: bool) -> Array:
    """The lens of displaced glass round a bubble: weak, symmetric."""
    out = np.clip((rho - 1) / max(reach - 1, 0.1), 0, None)
    strength = near(rng, params.halo_strength, 0.3)
    if dark:
        return np.asarray(abs(strength) * 0.6 * (rho > 1) * np.exp(-2 * out))
    if params.halo_reach < 1.8:
        return np.asarray(strength * (rho > 1) * np.exp(-(((out - 0.5) / 0.35) ** 2)))
    return np.asarray(strength * (rho > 1) * np.exp(-2 * out) * np.cos(1.8 * out))
