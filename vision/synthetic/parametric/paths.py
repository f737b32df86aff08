"""Courses of thin things over the glass: smooth, hooked, wandering; and laying them with a cross profile."""

from __future__ import annotations

import numpy as np

from vision.synthetic.parametric.canvas import Array, Canvas, PatternSnr

STEP_PX = 0.35
COURSES = ("straight", "along the draw", "arc", "hook", "bend", "shaky")


def headings(rng: np.random.Generator, style: str, count: int) -> Array:
    """Direction (rad) along a course of `count` steps."""
    s = np.linspace(0, 1, count)
    first = rng.uniform(0, 2 * np.pi)
    if style == "straight":
        return np.full(count, first) + rng.normal(0, 0.02) * s
    if style == "along the draw":
        return np.full(count, np.pi / 2 + rng.normal(0, 0.03)) + rng.normal(0, 0.01) * s
    if style == "arc":
        return np.asarray(first + rng.uniform(0.1, 2.2) * rng.choice([-1, 1]) * s)
    if style == "hook":
        start = rng.uniform(0.6, 0.9)
        return np.asarray(
            first + rng.uniform(1, 3.5) * rng.choice([-1, 1]) * np.clip((s - start) / (1 - start), 0, 1)
        )
    if style == "bend":
        return np.asarray(first + np.interp(s, np.linspace(0, 1, 5), np.cumsum(rng.normal(0, 0.25, 5))))
    shake = np.interp(s, np.linspace(0, 1, 40), rng.normal(0, 0.12, 40))
    return np.asarray(first + rng.normal(0, 0.3) * s + shake)


def drifting(rng: np.random.Generator, count: int, step: float, stiff: float, kinks: int) -> Array:
    """Direction along a fibre: curvature that drifts over `stiff` px, now and then a kink."""
    curl = np.zeros(count)
    knots = max(3, int(count * step / stiff) + 2)
    curl = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, knots), rng.normal(0, 1.5 / stiff, knots))
    turn = (
        rng.uniform(0, 2 * np.pi)
        + np.cumsum(curl) * step
        + rng.normal(0, 1.2 / stiff) * np.arange(count) * step
    )
    for at in rng.integers(0, count, kinks):
        turn[at:] += rng.normal(0, 1.2)
    return np.asarray(turn)


def path_along(heading: Array, length: float) -> Array:
    """Points (N, 2) of arc length `length`, middle of its box at the origin."""
    step = length / len(heading)
    path = np.column_stack((np.cumsum(np.cos(heading)), np.cumsum(np.sin(heading)))) * step
    return np.asarray(path - (path.min(0) + path.max(0)) / 2)


def placed(rng: np.random.Generator, canvas: Canvas, path: Array, margin: float = 6) -> Array | None:
    """The course somewhere on the glass; None where it does not fit."""
    low = np.array(canvas.room[:2]) + margin - path.min(0)
    high = np.array(canvas.room[2:]) - margin - path.max(0)
    if np.any(high <= low):
        return None
    return np.asarray(path + rng.uniform(low, high))


def lay_line(canvas: Canvas, path: Array, offsets: Array, weights: Array, power: Array) -> None:
    """Lay a line: at each offset (px, across) its flux `weights` (strength x px), times `power` (N,)."""
    d = np.gradient(path, axis=0)
    step = np.hypot(d[:, 0], d[:, 1])
    normal = np.column_stack((-d[:, 1], d[:, 0])) / np.maximum(step, 1e-9)[:, None]
    xy = path[:, None] + offsets[None, :, None] * normal[:, None]
    flux = (power * step)[:, None] * weights[None]
    canvas.splat(xy[..., 0].ravel(), xy[..., 1].ravel(), flux.ravel())


def profile_shown(canvas: Canvas, offsets: Array, weights: Array) -> tuple[float, float, float]:
    """The cross profile after lens and pixel for strength 1: its strongest value, energy (px) and where it is
    strongest (px)."""
    sigma = canvas.spread_px
    reach = float(np.abs(offsets).max()) + 4 * sigma
    t = np.arange(-reach, reach, 0.1)
    bell = np.exp(-((t[:, None] - offsets[None]) ** 2) / (2 * sigma**2)) / (np.sqrt(2 * np.pi) * sigma)
    profile = bell @ weights
    best = int(np.abs(profile).argmax())
    return float(profile[best]), float((profile**2).sum() * 0.1), float(t[best])


def line_snr(
    canvas: Canvas,
    path: Array,
    power: Array,
    strength: float,
    profile: tuple[float, float, float],
    whole_px: float,
) -> PatternSnr:
    """Signal to noise of a line over what lies below it: its median along the line, and its total.

    To be taken before the line is laid. whole_px : width over all
    """
    every = max(1, len(path) // 400)
    d = np.gradient(path, axis=0)[::every]
    normal = np.column_stack((-d[:, 1], d[:, 0])) / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    at = path[::every] + profile[2] * normal
    before = np.array([canvas.level(x, y) for x, y in at])
    unit = 1.0 if canvas.dark else -before
    sd = float(np.median(canvas.noise(before) / np.abs(unit)))
    step = float(np.hypot(*np.diff(path, axis=0).T).mean())
    peak = abs(strength * profile[0]) * float(np.median(power)) / sd
    total = abs(strength) / sd * np.sqrt(profile[1] * (power**2).sum() * step)
    # pixels that share their noise, along the line and across what the filter averages there
    alike = 2 * np.sqrt(np.pi) * canvas.grain_px
    total /= np.sqrt(max(alike, 1) * max(alike / np.hypot(1, canvas.grain_px / canvas.spread_px), 1))
    change = strength * profile[0] * power[::every] * unit
    beside = normal * (0.5 * whole_px + abs(profile[2]) + 3 * canvas.spread_px + 1)
    return PatternSnr(peak, float(total), at[:, 0], at[:, 1], before, change, beside)
