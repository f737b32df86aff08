"""Scratches: hairlines, tapered, broken, dashed, bundled, light or dark or both side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.geometry.shapes import path_length
from vision.synthetic.parametric.canvas import Array, Canvas, DrawnDefect
from vision.synthetic.parametric.paths import (
    COURSES,
    STEP_PX,
    headings,
    lay_line,
    line_snr,
    path_along,
    placed,
    profile_shown,
)
from vision.synthetic.random_draws import log_uniform, near, some
from vision.synthetic.truth import spot_row

MANNERS = ("even", "tapered", "broken", "dashed", "chattering", "patchy")
PROFILES = ("plain", "two-toned", "bundle")
STRONGEST_DARK, STRONGEST_BRIGHT = 1.5, 0.9


@dataclass(frozen=True)
class ScratchParameters:
    """How the scratches of one domain look. light_share : share that is brighter than the glass in bright
    field"""

    courses: tuple[str, ...]
    manners: tuple[str, ...]
    profiles: tuple[str, ...]
    width_mm: float
    light_share: float
    peak: float
    peak_spread: float


def scratch_parameters(rng: np.random.Generator) -> ScratchParameters:
    return ScratchParameters(
        courses=some(rng, COURSES, 4),
        manners=some(rng, MANNERS, 4),
        profiles=some(rng, PROFILES, 2) if rng.random() < 0.5 else ("plain",),
        width_mm=log_uniform(rng, 0.025, 0.25),
        light_share=float(rng.choice([0, 1, rng.uniform(0.2, 0.8)], p=[0.5, 0.15, 0.35])),
        peak=log_uniform(rng, 2, 12),
        peak_spread=float(rng.uniform(0.3, 0.8)),
    )


def scratch(rng: np.random.Generator, canvas: Canvas, params: ScratchParameters) -> DrawnDefect | None:
    """Stamp one scratch; None where it does not fit. `width_px` is that of the groove or the whole bundle."""
    mm = canvas.mm_per_px
    x0, y0, x1, y1 = canvas.room
    longest = 0.85 * min(x1 - x0, y1 - y0)
    length = float(np.clip(log_uniform(rng, 3, 300) / mm, 14, max(longest, 15)))
    count = max(10, int(length / STEP_PX))
    path = placed(rng, canvas, path_along(headings(rng, str(rng.choice(params.courses)), count), length))
    if path is None:
        return None
    width = float(np.clip(near(rng, params.width_mm, 0.3), 0.02, 0.3)) / mm
    offsets, weights, whole = _profile(rng, str(rng.choice(params.profiles)), width)
    power = _along(rng, str(rng.choice(params.manners)), count, length)
    shape = profile_shown(canvas, offsets, weights)
    x, y = (float(v) for v in path[count // 2])
    strength = near(rng, params.peak, params.peak_spread) * canvas.sd(x, y) / max(abs(shape[0]), 1e-6)
    most = STRONGEST_DARK if canvas.dark else STRONGEST_BRIGHT
    strength = min(strength, most)
    sign = -1.0 if not canvas.dark and rng.random() < params.light_share else 1.0
    seen = line_snr(canvas, path, power, sign * strength, shape, whole)
    lay_line(canvas, path, offsets, sign * strength * weights, power)
    size = path_length(path), whole, 0.0
    row = spot_row("scratch", x, y, size, visible=seen.as_line)
    row["path_px"] = path[:: max(1, count // 80)]
    return DrawnDefect(row, seen)


def _profile(rng: np.random.Generator, style: str, width: float) -> tuple[Array, Array, float]:
    """Offsets (px), flux at each (px) for strength 1, and the width over all."""
    lines = max(1, int(np.ceil(width / 0.4)))
    plain = (np.arange(lines) + 0.5) / lines * width - width / 2
    if style == "two-toned":
        apart = max(0.5 * width, float(rng.uniform(0.3, 0.9)))
        other = float(rng.uniform(0.4, 1.0))
        offsets = np.concatenate((plain - apart / 2, plain + apart / 2))
        flux = np.concatenate((np.ones(lines), -other * np.ones(lines))) * width / lines
        return offsets, flux, width + apart
    if style == "bundle":
        spread = float(rng.uniform(0.8, 3))
        middles = np.sort(rng.uniform(-spread / 2, spread / 2, int(rng.integers(2, 6))))
        shares = rng.uniform(0.3, 1, middles.size)
        offsets = (middles[:, None] + 0.5 * plain[None]).ravel()
        flux = (shares[:, None] * np.full(lines, 0.5 * width / lines)[None]).ravel()
        return offsets, flux, float(np.ptp(middles)) + 0.5 * width
    return plain, np.full(lines, width / lines), width


def _along(rng: np.random.Generator, manner: str, count: int, length: float) -> Array:
    """Strength along the course; its ends always show."""
    s = np.linspace(0, 1, count)
    power = 1 + rng.uniform(0, 0.15) * np.interp(s, np.linspace(0, 1, 9), rng.normal(size=9))
    if manner == "tapered":
        power *= (
            0.2 + 0.8 * np.sin(np.pi * s) ** rng.uniform(0.3, 1) if rng.random() < 0.5 else 0.25 + 0.75 * s
        )
    elif manner == "broken" and length > 30:
        for at in rng.uniform(0.1, 0.85, int(rng.integers(1, 5))):
            power[(s > at) & (s < at + min(rng.uniform(0.02, 0.09), 25 / length))] = 0
    elif manner == "dashed" and length > 40:
        period = rng.uniform(6, 40)
        power[((s * length / period + 0.2) % 1 > rng.uniform(0.55, 0.9)) & (s > 0.03) & (s < 0.97)] = 0
    elif manner == "chattering":
        power *= 1 + rng.uniform(0.2, 0.6) * np.cos(2 * np.pi * s * length / rng.uniform(3, 15))
    elif manner == "patchy":
        knots = max(6, int(length / rng.uniform(6, 30)))
        power *= np.clip(1 + 0.7 * np.interp(s, np.linspace(0, 1, knots), rng.normal(size=knots)), 0.1, 2.5)
    return np.clip(power, 0, 3)
