"""Lint: thin threads that wander, curl into loops or kink, with bright and dull stretches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.synthetic.parametric.canvas import Canvas
from vision.synthetic.parametric.paths import STEP_PX, drifting, lay_line, path_along, placed, profile_shown
from vision.synthetic.random_draws import log_uniform, near
from vision.synthetic.truth import ArtefactTruth, path_row


@dataclass(frozen=True)
class FibreParameters:
    """How the fibres of one domain look. stiff : share of its length over which a fibre keeps its bend"""

    length_mm: float
    width_mm: float
    stiff: float
    kinks: float
    peak: float
    patchy: float
    light_share: float


def fibre_parameters(rng: np.random.Generator) -> FibreParameters:
    return FibreParameters(
        length_mm=log_uniform(rng, 0.8, 8),
        width_mm=log_uniform(rng, 0.01, 0.05),
        stiff=log_uniform(rng, 0.15, 1.5),
        kinks=float(rng.choice([0, rng.uniform(0, 2.5)])),
        peak=log_uniform(rng, 3, 25),
        patchy=float(rng.uniform(0, 0.9)),
        light_share=float(rng.choice([0, rng.uniform(0, 0.5)])),
    )


def fibre(rng: np.random.Generator, canvas: Canvas, params: FibreParameters) -> ArtefactTruth | None:
    """Stamp one fibre; None where it does not fit."""
    mm = canvas.mm_per_px
    length = float(np.clip(near(rng, params.length_mm, 0.6) / mm, 4, 280))
    count = max(10, int(length / STEP_PX))
    stiff = max(near(rng, params.stiff, 0.3) * length, 4.0)
    heading = drifting(rng, count, length / count, stiff, int(rng.poisson(params.kinks)))
    path = placed(rng, canvas, path_along(heading, length))
    if path is None:
        return None
    width = max(near(rng, params.width_mm, 0.2) / mm, 0.03)
    offsets = np.zeros(1) if width < 0.5 else np.linspace(-width / 2, width / 2, 3)
    weights = np.full(offsets.size, width / offsets.size)
    s, knots = np.linspace(0, 1, count), max(6, int(length / 8))
    power = np.clip(
        1 + params.patchy * np.interp(s, np.linspace(0, 1, knots), rng.normal(size=knots)), 0.05, 3
    )
    shape = profile_shown(canvas, offsets, weights)
    middle = path[count // 2]
    strength = (
        near(rng, params.peak, 0.6) * canvas.sd(float(middle[0]), float(middle[1])) / max(abs(shape[0]), 1e-6)
    )
    strength = min(strength, 1.2 / max(width, 0.12) * 0.5)
    sign = -0.6 if not canvas.dark and rng.random() < params.light_share else 1.0
    lay_line(canvas, path, offsets, sign * strength * weights, power)
    return path_row("lint", path, width)
