"""Wet and greasy things on the glass: drops and runs, tide marks, finger marks, suction cups, smears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.synthetic.parametric.canvas import Canvas
from vision.synthetic.parametric.outlines import Grain
from vision.synthetic.parametric.paths import lay_line
from vision.synthetic.random_draws import log_uniform, near
from vision.synthetic.textures import smooth_noise, soft
from vision.synthetic.truth import ArtefactTruth, box_row

FINGERS = ("ridges", "smear", "rubbed")
DROPS = ("ring", "disc", "tide marks")


@dataclass(frozen=True)
class SmearParameters:
    """How wet and greasy things of one domain look; `peak` is their strength over the noise of a pixel."""

    drops: tuple[str, ...]
    fingers: tuple[str, ...]
    peak: float
    rim: float
    light_share: float


def smear_parameters(rng: np.random.Generator) -> SmearParameters:
    return SmearParameters(
        drops=tuple(str(v) for v in rng.permutation(DROPS)[:2]),
        fingers=tuple(str(v) for v in rng.permutation(FINGERS)[:2]),
        peak=log_uniform(rng, 1, 12),
        rim=log_uniform(rng, 0.01, 0.1),
        light_share=float(rng.choice([0, rng.uniform(0, 1)])),
    )


def _strength(rng: np.random.Generator, canvas: Canvas, params: SmearParameters, x: float, y: float) -> float:
    sign = -1.0 if not canvas.dark and rng.random() < params.light_share else 1.0
    most = 0.6 if canvas.dark else 0.5
    return sign * min(near(rng, params.peak, 0.5) * canvas.sd(x, y), most)


def drop(
    rng: np.random.Generator, canvas: Canvas, params: SmearParameters, x: float, y: float
) -> ArtefactTruth:
    """A dried drop: a rim of residue, a film inside, at times a run below it."""
    size = float(np.clip(log_uniform(rng, 1, 14) / canvas.mm_per_px, 5, 130))
    amp = _strength(rng, canvas, params, x, y)
    style = str(rng.choice(params.drops))
    patch = canvas.patch(x, y, 0.62 * size + 2)
    if patch is not None:
        grain = Grain(rng, "harmonics", float(rng.uniform(0.01, 0.09)), float(rng.uniform(1, 1.4)), size)
        rho, gap = grain.seen_from(patch.dx, patch.dy)
        rim = np.exp(-((gap / max(0.6, size * params.rim)) ** 2))
        film = soft(gap, 1.0) * np.clip(
            0.7 + 0.4 * smooth_noise(rng, gap.shape, max(4.0, 0.2 * size * patch.over)), 0, 1.5
        )
        pattern = rim + film * rng.uniform(0, 0.3)
        if style == "disc":
            pattern = film * 0.8 + 0.3 * rim
        elif style == "tide marks":
            for k in range(int(rng.integers(1, 4))):
                inner = 1 - (k + 1) * rng.uniform(0.1, 0.22)
                pattern = pattern + 0.7 * np.exp(
                    -(((rho - inner) * size / 2 / max(0.6, size * params.rim)) ** 2)
                )
        canvas.lay(patch, np.asarray(pattern, np.float32), amp)
    if rng.random() < 0.35:
        count = int(size * rng.uniform(1, 5) / 0.5) + 10
        path = np.column_stack(
            (x + np.cumsum(rng.normal(0, 0.03, count)), y + size / 2 + np.arange(count) * 0.5)
        )
        width = max(0.8, size * float(rng.uniform(0.04, 0.25)))
        offsets = np.linspace(-width / 2, width / 2, max(2, int(width / 0.5)))
        across = 0.35 + 0.65 * (np.abs(offsets) / (width / 2)) ** 4
        lay_line(canvas, path, offsets, 0.6 * amp * across * width / offsets.size, np.linspace(1, 0.4, count))
        return box_row("drip", x, y + count * 0.25, size * 1.2, size * 1.2 + count * 0.5)
    return box_row("drip", x, y, size * 1.2, size * 1.2)


def finger(
    rng: np.random.Generator, canvas: Canvas, params: SmearParameters, x: float, y: float
) -> ArtefactTruth:
    """A finger mark: bent ridges, patchy; a smear where they are finer than the pixel or rubbed out."""
    size = float(np.clip(rng.uniform(9, 21) / canvas.mm_per_px, 12, 230))
    style = str(rng.choice(params.fingers))
    patch = canvas.patch(x, y, 0.75 * size)
    if patch is not None:
        u, v = patch.turned(float(rng.uniform(0, np.pi)))
        body = soft(
            np.hypot(u / (size / 2), v / (size * rng.uniform(0.3, 0.42))) - 1, float(rng.uniform(0.15, 0.7))
        )
        bend = np.hypot(u + size * 0.15, v - size * rng.uniform(-0.4, 0.4))
        bend = bend + 0.05 * size * smooth_noise(rng, u.shape, size * patch.over / 3)
        pitch = rng.uniform(0.4, 0.55) / canvas.mm_per_px
        ridges = 0.5 + 0.5 * np.cos(2 * np.pi * bend / pitch) if pitch > 1.5 and style == "ridges" else 0.5
        patchy = np.clip(0.6 + 0.5 * smooth_noise(rng, u.shape, size * patch.over / 7), 0, 1.6)
        if style == "rubbed":
            streak = smooth_noise(rng, (u.shape[0], 1), max(2.0, patch.over * 1.5))
            patchy = patchy * np.clip(0.7 + 0.5 * streak, 0, 2)
        canvas.lay(
            patch, np.asarray(body * ridges * patchy, np.float32), _strength(rng, canvas, params, x, y)
        )
    return box_row("finger mark", x, y, size * 1.1, size * 1.1)


def cup(
    rng: np.random.Generator, canvas: Canvas, params: SmearParameters, x: float, y: float
) -> ArtefactTruth:
    """The print of a suction cup: one to three patchy circles, at times only an arc."""
    radius = float(np.clip(rng.uniform(20, 75) / canvas.mm_per_px, 30, 420))
    amp = 0.7 * _strength(rng, canvas, params, x, y)
    for ring in radius * (1 - np.append(0, np.sort(rng.uniform(0.03, 0.25, int(rng.integers(0, 3)))))):
        t = np.arange(0, float(rng.uniform(2.5, 6.28)), 0.5 / ring) + rng.uniform(0, 6.28)
        path = np.column_stack((x + ring * np.cos(t), y + ring * np.sin(t)))
        width = float(rng.uniform(0.8, 5))
        offsets = np.linspace(-width / 2, width / 2, max(2, int(width / 0.6)))
        power = np.clip(
            0.7 + 0.6 * np.interp(np.linspace(0, 1, t.size), np.linspace(0, 1, 30), rng.normal(size=30)), 0, 2
        )
        lay_line(canvas, path, offsets, amp * np.full(offsets.size, width / offsets.size), power)
    return box_row("finger mark", x, y, 2 * radius + 6, 2 * radius + 6)


def wiped(
    rng: np.random.Generator, canvas: Canvas, params: SmearParameters, x: float, y: float
) -> ArtefactTruth:
    """Smear of a cloth: a soft band of fine streaks."""
    size = float(np.clip(log_uniform(rng, 15, 120) / canvas.mm_per_px, 40, 380))
    patch = canvas.patch(x, y, 0.6 * size)
    if patch is not None:
        u, v = patch.turned(float(rng.uniform(0, np.pi)))
        body = np.exp(-((u / (0.4 * size)) ** 4) - (v / (0.15 * size)) ** 2)
        knots = max(6, int(size / rng.uniform(1.5, 6)))
        bent = v + 0.15 * u * u / size * rng.uniform(-1, 1)
        streak = np.interp(
            bent.ravel(), np.linspace(-size, size, 2 * knots), rng.normal(size=2 * knots)
        ).reshape(u.shape)
        pattern = body * np.clip(0.5 + 0.5 * streak, 0, 2)
        canvas.lay(patch, np.asarray(pattern, np.float32), 0.6 * _strength(rng, canvas, params, x, y))
    return box_row("finger mark", x, y, size * 0.9, size * 0.9)
