"""Stones: an opaque core of many outlines in a disturbed zone of many styles, at times bare."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.synthetic.parametric.canvas import Array, Canvas, DrawnDefect, drawn_spot
from vision.synthetic.parametric.outlines import Grain
from vision.synthetic.random_draws import log_uniform, near, some
from vision.synthetic.textures import smooth_noise, soft

CORES = ("disc", "harmonics", "polygon", "star", "gaussian", "cluster", "flat dot")
HALOS = ("ripple", "ring", "brightening", "darkening", "one-sided", "drawn out")
HALO_SHOWS = 0.025


@dataclass(frozen=True)
class StoneParameters:
    """How the stones of one domain look. softness, texture, halo_strength : shares of the core's strength"""

    cores: tuple[str, ...]
    halos: tuple[str, ...]
    rough: float
    aspect: float
    softness: float
    texture: float
    contrast: float
    contrast_spread: float
    faint: float
    halo_share: float
    halo_strength: float
    halo_spread: float
    halo_reach: float
    bare_px: float
    tail_share: float
    rim: float


def stone_parameters(rng: np.random.Generator, dark: bool) -> StoneParameters:
    return StoneParameters(
        cores=some(rng, CORES),
        halos=some(rng, HALOS, 2),
        rough=log_uniform(rng, 0.02, 0.25),
        aspect=float(rng.uniform(1, 1.5)),
        softness=log_uniform(rng, 0.02, 0.5),
        texture=float(rng.choice([0, rng.uniform(0.05, 0.45)])),
        contrast=log_uniform(rng, 0.06, 1.2) if dark else float(rng.uniform(0.5, 0.99)),
        contrast_spread=float(rng.uniform(0.1, 0.6)) if dark else float(rng.uniform(0.02, 0.2)),
        faint=float(rng.uniform(0.1, 0.5)),
        halo_share=float(rng.choice([rng.uniform(0, 0.4), rng.uniform(0.7, 1)], p=[0.25, 0.75])),
        halo_strength=log_uniform(rng, 0.02, 0.5),
        halo_spread=float(rng.uniform(0.1, 0.6)),
        halo_reach=float(rng.uniform(1.3, 3.8)),
        bare_px=float(rng.choice([0, rng.uniform(1.5, 4.5)], p=[0.7, 0.3])),
        tail_share=float(rng.choice([0, rng.uniform(0, 0.4)])),
        rim=float(rng.uniform(-0.3, 0.5)),
    )


def stone(
    rng: np.random.Generator, canvas: Canvas, params: StoneParameters, x: float, y: float, length: float
) -> DrawnDefect:
    """Stamp one stone; its sizes are the calipers of the core's outline at half depth."""
    style = str(rng.choice(params.cores))
    family = style if style in ("harmonics", "polygon", "star", "disc") else "disc"
    if style == "cluster":
        family = "harmonics"
    aspect = float(np.clip(near(rng, params.aspect, 0.12), 1, 1.8))
    rough = near(rng, params.rough, 0.3) * (1.6 if style == "cluster" else 1)
    grain = Grain(rng, family, rough, aspect, length)
    halo = rng.random() < params.halo_share and style != "flat dot" and length >= params.bare_px
    reach = max(1.2, near(rng, params.halo_reach, 0.2)) if halo else 1.0
    tail = rng.random() < params.tail_share
    patch = canvas.patch(
        x, y, length * (0.62 if not halo else 0.5 * min(1.3 * reach, 5)) + (1.2 * length if tail else 0)
    )
    if patch is None:
        return drawn_spot("stone", x, y, grain.size, None)
    rho, gap = grain.seen_from(patch.dx, patch.dy)
    core = _core(rng, params, style, grain, rho, gap, patch.over)
    if canvas.dark and params.rim > 0 and style not in ("gaussian", "flat dot"):
        core = core * (1 - params.rim * np.clip(1 - rho, 0, 1))
    zone = np.zeros_like(core)
    if halo:
        zone = _zone(rng, str(rng.choice(params.halos)), rho, patch.dx, patch.dy, reach, canvas.dark)
        zone = zone * min(near(rng, params.halo_strength, params.halo_spread), 0.6)
    if tail:
        across = patch.dx / (0.22 * grain.width)
        along = np.maximum(patch.dy * float(rng.choice([-1, 1])), -0.3 * length) / length
        zone = zone + rng.uniform(0.05, 0.3) * np.exp(-(across**2) - 1.5 * along**2) * (along > 0)
    if not canvas.dark and halo:
        # a halo is a lens of its own: it does not fade with the core
        zone = zone / max(params.contrast, 0.3)
    pattern = np.asarray(core + (1 - core.clip(0, 1)) * zone, np.float32)
    if rng.random() < params.faint:
        strength = canvas.strength_for(patch, pattern, canvas.sd(x, y), log_uniform(rng, 2.5, 22))
    else:
        strength = near(rng, params.contrast, params.contrast_spread)
    strength = min(strength, 1.6 if canvas.dark else 0.99)
    seen = canvas.lay(patch, pattern, strength)
    shows = np.abs(strength * zone) > HALO_SHOWS
    width = 2 * float(np.hypot(patch.dx, patch.dy)[shows].max()) if shows.any() else 0.0
    return drawn_spot("stone", x, y, grain.size, seen, width if width > 1.25 * length else None)


def _core(
    rng: np.random.Generator,
    params: StoneParameters,
    style: str,
    grain: Grain,
    rho: Array,
    gap: Array,
    over: int,
) -> Array:
    if style == "gaussian":
        return np.asarray(np.exp(-np.log(2) * rho ** rng.uniform(1.8, 3.5)))
    edge = max(0.12, params.softness * 0.5 * grain.width) if style != "flat dot" else 0.12
    core = soft(gap, edge)
    if style == "cluster":
        lumps = smooth_noise(rng, core.shape, max(2.0, 0.3 * grain.length * over))
        core = core * np.clip(0.85 + 0.35 * lumps, 0.15, 1.2)
    if style != "flat dot" and params.texture > 0:
        fine = smooth_noise(rng, core.shape, max(2.0, rng.uniform(0.08, 0.35) * grain.length * over))
        core = core * np.clip(1 + params.texture * fine, 0.15, 1.6)
    return np.asarray(core)


def _zone(
    rng: np.random.Generator, style: str, rho: Array, dx: Array, dy: Array, reach: float, dark: bool
) -> Array:
    """The disturbed glass outside the core, about 1 at its strongest; > 0 takes light in bright field and
    gives light in dark field."""
    out = np.clip((rho - 1) / max(reach - 1, 0.15), 0, None)
    outside = np.clip((rho - 1) * 4, 0, 1)
    phi = np.arctan2(dy, dx)
    toward = rng.uniform(0, 2 * np.pi)
    if style == "ripple":
        wave = np.cos(np.pi * out * rng.uniform(1.5, 4) + rng.uniform(0, 6.3)) * np.exp(-1.5 * out)
    elif style == "ring":
        wave = np.exp(-(((out - rng.uniform(0.4, 0.9)) / rng.uniform(0.1, 0.35)) ** 2)) * rng.choice([-1, 1])
    elif style == "brightening":
        wave = -np.exp(-((out / 0.7) ** rng.uniform(1, 2)))
    elif style == "darkening":
        wave = np.exp(-((out / 0.7) ** rng.uniform(1, 2)))
    elif style == "one-sided":
        wave = np.cos(phi - toward) * np.exp(-((out / 0.7) ** 2)) * rng.uniform(0.7, 1.2)
    else:
        squeeze = rng.uniform(0.4, 0.8)
        wave = np.exp(-(out**2) * 2 * (np.sin(phi) ** 2 + np.cos(phi) ** 2 / squeeze**2)) * rng.choice(
            [-1, 1]
        )
    wave = wave * outside * (1 + rng.uniform(0, 0.4) * np.cos(phi - toward))
    return np.asarray(
        np.abs(wave) if dark and style != "ripple" else np.maximum(wave, -0.3) if dark else wave
    )
