"""Dust: grains, crumbs, chips, points and clumps on the glass, never with a disturbed zone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.synthetic.canvas import Patch
from vision.synthetic.parametric.canvas import Array, Canvas
from vision.synthetic.parametric.outlines import Grain
from vision.synthetic.random_draws import log_uniform, near, some
from vision.synthetic.textures import smooth_noise, soft
from vision.synthetic.truth import ArtefactTruth, box_row

SHAPES = ("grain", "crumb", "chip", "point", "clump", "soft grain", "lit flake")


@dataclass(frozen=True)
class DustParameters:
    """How the dust of one domain looks. median_mm, spread : of the sizes; clumped : share that lies in
    swarms"""

    shapes: tuple[str, ...]
    median_mm: float
    spread: float
    rough: float
    aspect: float
    contrast: float
    contrast_spread: float
    faint: float
    softness: float
    haze_px: float
    one_sided: float
    toward: float
    texture: float
    pairs: float
    clumped: float
    glints: float


def dust_parameters(rng: np.random.Generator, dark: bool) -> DustParameters:
    return DustParameters(
        shapes=some(rng, SHAPES, 4),
        median_mm=log_uniform(rng, 0.07, 0.45),
        spread=float(rng.uniform(0.25, 0.8)),
        rough=float(rng.uniform(0.08, 0.5)),
        aspect=1 + float(rng.gamma(1.5, 0.35)),
        contrast=log_uniform(rng, 0.04, 1.0) if dark else float(rng.uniform(0.15, 0.85)),
        contrast_spread=float(rng.uniform(0.2, 0.9)) if dark else float(rng.uniform(0.1, 0.5)),
        faint=float(rng.uniform(0.15, 0.6)),
        softness=log_uniform(rng, 0.05, 0.9),
        haze_px=float(rng.choice([0, rng.uniform(0.3, 1.4)], p=[0.65, 0.35])),
        one_sided=float(rng.uniform(0, 0.9)),
        toward=float(rng.uniform(0, 6.3)),
        texture=float(rng.uniform(0, 0.6)),
        pairs=float(rng.uniform(0, 0.3)),
        clumped=float(rng.choice([0, rng.uniform(0, 0.6)])),
        glints=float(rng.choice([0, rng.uniform(0, 0.4)], p=[0.7, 0.3])),
    )


def dust_length(rng: np.random.Generator, params: DustParameters, mm_per_px: float) -> float:
    """Length of one grain, px: 0.04 to 0.9 mm. Where the pixels are coarse only the larger grains are drawn:
    the others could never be seen."""
    median_mm = max(params.median_mm, 0.7 * mm_per_px)
    return float(np.clip(near(rng, median_mm, params.spread), 0.04, 0.9)) / mm_per_px


def dust(
    rng: np.random.Generator, canvas: Canvas, params: DustParameters, x: float, y: float, length: float
) -> ArtefactTruth:
    """Stamp one grain, or a few that touch."""
    style = str(rng.choice(params.shapes))
    parts = int(rng.integers(2, 6)) if style == "clump" else 2 if rng.random() < params.pairs else 1
    haze = params.haze_px * float(rng.uniform(0.5, 1.3)) if params.haze_px and rng.random() < 0.6 else 0.0
    patch = canvas.patch(x, y, length * (0.75 if parts == 1 else 1.4) + 2 * haze + 0.5)
    if patch is None:
        return box_row("dust", x, y, length, length)
    pattern = np.zeros_like(patch.dx)
    far, at = 0.0, np.zeros(2)
    for k in range(parts):
        size = length if k == 0 else length * float(rng.uniform(0.4, 1))
        pattern = np.maximum(pattern, _grain(rng, params, style, patch, at, size))
        far = max(far, float(np.hypot(*at)) + 0.58 * size)
        at = at * 0.4 + rng.normal(0, 0.35 * length, 2)
        at = at / max(1.0, float(np.hypot(*at)) / max(0.85 * length, 1e-3))
    if haze:
        pattern = cv2.GaussianBlur(pattern.astype(np.float32), (0, 0), haze * patch.over)
    if not canvas.dark and rng.random() < params.glints:
        u, _ = patch.turned(params.toward)
        pattern = pattern * np.clip(1 - 1.6 * np.clip(u / (0.5 * length), 0, 1), -0.8, 1)
    pattern = np.asarray(pattern, np.float32)
    if rng.random() < params.faint:
        strength = canvas.strength_for(patch, pattern, canvas.sd(x, y), log_uniform(rng, 3, 45))
    else:
        strength = near(rng, params.contrast, params.contrast_spread)
    canvas.lay(patch, pattern, min(strength, 1.3 if canvas.dark else 0.95))
    return box_row("dust", x, y, 2 * far + 0.6, 2 * far + 0.6)


def _grain(
    rng: np.random.Generator, params: DustParameters, style: str, patch: Patch, at: Array, size: float
) -> Array:
    aspect = float(np.clip(near(rng, params.aspect, 0.2), 1, 4))
    if style == "chip":
        aspect = float(rng.uniform(2, 5.5))
    family = {"crumb": "shard", "chip": "shard", "point": "disc"}.get(style, "harmonics")
    grain = Grain(rng, family, near(rng, params.rough, 0.25), 1.0 if style == "point" else aspect, size)
    dx, dy = patch.dx - np.float32(at[0]), patch.dy - np.float32(at[1])
    rho, gap = grain.seen_from(dx, dy)
    if style == "point":
        return soft(gap, 0.15) if params.softness < 0.3 else np.exp(-np.log(2) * rho**2)
    edge = max(0.12, params.softness * 0.5 * grain.width * (2 if style == "soft grain" else 1))
    body = soft(gap, edge)
    lean = 1 + params.one_sided * np.clip(
        (dx * np.cos(params.toward) + dy * np.sin(params.toward)) / (size / 2), -1, 1
    )
    if style == "lit flake":
        body = body * (0.55 + 0.6 * np.exp(-(((rho - 0.85) / 0.25) ** 2)))
    if params.texture > 0 and size > 2:
        lean = lean * np.clip(
            1 + params.texture * smooth_noise(rng, dx.shape, max(2.0, 0.25 * size * patch.over)), 0.1, 2.5
        )
    return np.asarray(body * lean)
