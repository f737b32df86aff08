"""A second, simpler renderer for the training set: shapes laid into a field of light.

It differs from `vision.synthetic.raytraced` on purpose (profiles drawn as such instead of traced light), so
that the networks cannot lean on the looks of one renderer. Lengths in pixels unless a name says otherwise;
the outer corner of the first pixel is (0, 0). Truth rows use the same keys as `vision.synthetic.raytraced`.

Left out: perspective, lens distortion, colour. The other renderer has those.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry.shapes import calipers
from vision.synthetic.canvas import FlatCanvas, Patch, shared
from vision.synthetic.textures import smooth_noise, soft
from vision.synthetic.truth import LINE_PEAK, LINE_TOTAL, SPOT_PEAK, SPOT_TOTAL, DefectTruth, spot_row

Array = NDArray[Any]


@dataclass
class Canvas(FlatCanvas):
    """Light of one field before the lens: `scatter` adds light (dark field), `pass_` multiplies it (bright
    field).

    unit : noise of a pixel in units of the pattern's amplitude
    last_peak, last_total : signal to noise of the last pattern, of its best pixel and of a filter of
        exactly its shape
    """

    height: int
    width: int
    dark: bool
    mm_per_px: float
    blur_px: float = 0.8
    unit: float = 1.0
    last_peak: float = 0.0
    last_total: float = 0.0
    scatter: Array = field(init=False)
    pass_: Array = field(init=False)

    def __post_init__(self) -> None:
        self.scatter = np.zeros((self.height, self.width), np.float32)
        self.pass_ = np.ones((self.height, self.width), np.float32)

    def lay(self, patch: Patch, fine: Array) -> None:
        """Average an oversampled pattern to pixels and lay it into the light."""
        coarse = patch.settle(fine)
        seen = np.abs(cv2.GaussianBlur(coarse, (0, 0), self.blur_px)) / self.unit
        self.last_peak, self.last_total = float(seen.max()), float(np.sqrt((seen**2).sum()))
        if self.dark:
            self.scatter[patch.rows, patch.cols] += coarse
        else:
            self.pass_[patch.rows, patch.cols] *= np.maximum(1 - coarse, 0.02)

    def splat(self, x: Array, y: Array, weight: Array) -> None:
        """Add points of light (or shade) with bilinear weights: lines much thinner than a pixel keep their
        energy."""
        at, light = shared(x, y, weight, self.width, self.height)
        if self.dark:
            self.scatter.reshape(-1)[at] += light
        else:
            self.pass_.reshape(-1)[at] *= np.clip(1 - light, 0.02, 3)


def blob_outline(rng: np.random.Generator, rough: float, lobes: int = 7, points: int = 180) -> Array:
    """Radius (points,) of a random closed outline of mean radius 1."""
    t = np.linspace(0, 2 * np.pi, points, endpoint=False)
    r = np.ones(points)
    for k in range(2, lobes):
        r += rough * rng.normal() / k**0.7 * np.cos(k * t + rng.uniform(0, 2 * np.pi))
    return np.clip(r, 0.35, 2.2)


def bubble(rng: np.random.Generator, c: Canvas, x: float, y: float, length: float, amp: float) -> DefectTruth:
    """An elliptical ring: double arc in dark field, dark rim with bright centre in bright field."""
    aspect = rng.uniform(1, 1.15) if rng.random() < 0.5 else rng.uniform(1, 2.8)
    turn = np.radians(90 + rng.normal(0, 6)) if rng.random() < 0.85 else rng.uniform(0, np.pi)
    a, b = length / 2, length / 2 / aspect
    lens = rng.random() < 0.5 and length > 3
    got = c.patch(x, y, a * (2.0 if lens else 1.1) + 1.5)
    row = spot_row("bubble", x, y, (length, 2 * b, float(np.degrees(turn))), visible=False)
    if got is None:
        return row
    dx, dy = got.dx, got.dy
    u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    rho = np.hypot(u / a, v / b)
    phi = np.arctan2(v / b, u / a)
    inside = soft((rho - 1) * b, 0.15)
    thick = rng.uniform(0.08, 0.5) if c.dark else rng.uniform(0.15, 0.75)
    inner = np.clip((rho - (1 - thick)) / thick, 0, 1)
    sharp = rng.uniform(0.4, 2.5)
    ring = inside * inner**sharp
    if rng.random() < 0.3:
        ring = inside * np.exp(-((rho - 1 + thick * 0.6) ** 2) / (2 * (thick * 0.35) ** 2))
    lamp = rng.uniform(0, 2 * np.pi)
    if c.dark:
        arcs = np.abs(np.cos((phi - lamp) * (1 if rng.random() < 0.7 else 0.5))) ** rng.uniform(0.5, 4)
        depth = rng.uniform(0.2, 0.95) if rng.random() < 0.75 else 0.0
        shape = ring * (1 - depth + depth * arcs)
        shape += inside * rng.uniform(0, 0.35)
        if rng.random() < 0.45:
            gx, gy = a * rng.uniform(-0.5, 0.5), b * rng.uniform(-0.5, 0.5)
            shape += rng.uniform(0.2, 1.2) * np.exp(
                -((u - gx) ** 2 + (v - gy) ** 2) / (2 * (b * rng.uniform(0.1, 0.25)) ** 2)
            )
        if lens:
            shape += (rho > 1) * rng.uniform(0.0, 0.12) * np.exp(-(rho - 1) / 0.3)
    else:
        shape = ring * (1 + rng.uniform(0, 0.3) * np.cos(phi - lamp))
        shape -= inside * np.exp(-((rho / rng.uniform(0.2, 0.5)) ** 2)) * rng.uniform(0.0, 0.4)
        shape += inside * rng.uniform(0, 0.2)
        if lens:
            shape -= (rho > 1) * rng.uniform(0.0, 0.2) * np.exp(-(((rho - 1.15) / 0.12) ** 2))
    c.lay(got, (amp * shape).astype(np.float32))
    row["visible"] = c.last_peak >= SPOT_PEAK and c.last_total >= SPOT_TOTAL
    return row


def stone(rng: np.random.Generator, c: Canvas, x: float, y: float, length: float, amp: float) -> DefectTruth:
    """An irregular opaque core, with a distorted zone round it more often than not."""
    r = blob_outline(rng, rng.uniform(0.02, 0.22) if rng.random() < 0.8 else 0.0, int(rng.integers(5, 11)))
    t = np.linspace(0, 2 * np.pi, r.size, endpoint=False)
    flat = 1 / rng.uniform(1, 2.0)
    turn = rng.uniform(0, np.pi)
    px, py = r * np.cos(t), flat * r * np.sin(t)
    xy = np.column_stack((px * np.cos(turn) - py * np.sin(turn), px * np.sin(turn) + py * np.cos(turn)))
    far, across, angle = calipers(xy)
    k = length / far
    halo = rng.uniform(1.4, 4.0) if rng.random() < 0.75 else 0.0
    row = spot_row("stone", x, y, (length, across * k, angle), False, halo * length if halo else None)
    got = c.patch(x, y, length * max(0.6, halo * 0.75) + 1.5)
    if got is None:
        return row
    dx, dy, over = got.dx, got.dy, got.over
    u, v = (dx * np.cos(turn) + dy * np.sin(turn)) / k, (-dx * np.sin(turn) + dy * np.cos(turn)) / k / flat
    rho = np.hypot(u, v)
    edge = np.interp(np.arctan2(v, u) % (2 * np.pi), np.append(t, 2 * np.pi), np.append(r, r[0])).astype(
        np.float32
    )
    core = soft((rho - edge) * k * flat, rng.uniform(0.1, 0.6))
    grain = smooth_noise(rng, core.shape, max(2.0, rng.uniform(0.1, 0.4) * length * over))
    core = core * np.clip(1 + rng.uniform(0, 0.4) * (rng.random() < 0.65) * grain, 0.2, 2)
    shape = core
    if halo:
        out = np.clip((rho / edge - 1) / max(halo - 1, 0.2), 0, None)
        weak = rng.uniform(0.03, 0.3)
        if c.dark:
            shape = core + (rho > edge) * weak * np.exp(-2.2 * out) * (
                1 + 0.3 * smooth_noise(rng, core.shape, 6 * over)
            )
        else:
            wave = np.cos(out * np.pi * rng.uniform(0.8, 2.5) + rng.uniform(-0.6, 0.6)) * np.exp(-1.6 * out)
            lean = 1 + rng.uniform(0, 0.8) * np.cos(np.arctan2(v, u) - rng.uniform(0, 6.3))
            shape = core - (rho > edge) * weak * wave * lean * rng.choice([1.0, 1.0, -1.0])
        if rng.random() < 0.3:
            tail = (
                np.exp(-((dx / (0.25 * length)) ** 2)) * np.exp(-np.abs(dy) / (0.9 * length)) * (rho > edge)
            )
            shape = shape + rng.uniform(0.03, 0.2) * tail
    c.lay(got, (amp * shape).astype(np.float32))
    row["visible"] = c.last_peak >= SPOT_PEAK and c.last_total >= SPOT_TOTAL
    return row


def curve(rng: np.random.Generator, length: float, wobble: float, step: float = 0.3) -> Array:
    """A smooth path (N, 2) of arc length `length` px from the origin, turning by about `wobble` rad in
    all."""
    n = max(8, int(length / step))
    knots = max(3, int(rng.integers(3, 6)))
    bend = np.interp(np.linspace(0, 1, n), np.linspace(0, 1, knots), rng.normal(0, 1, knots))
    heading = rng.uniform(0, 2 * np.pi) + wobble * np.cumsum(bend) / n
    ds = length / n
    return np.column_stack((np.cumsum(np.cos(heading)), np.cumsum(np.sin(heading)))) * ds


def ribbon_of_points(path: Array, width: float, step: float) -> tuple[Array, Array, Array]:
    """Points across a path of some width: x, y and share of each point's area, px2."""
    d = np.gradient(path, axis=0)
    n = np.column_stack((-d[:, 1], d[:, 0])) / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    m = max(1, int(np.ceil(width / 0.4)))
    off = (np.arange(m) + 0.5) / m * width - width / 2
    xy = path[:, None] + off[None, :, None] * n[:, None]
    return xy[..., 0].ravel(), xy[..., 1].ravel(), np.full(xy.shape[0] * m, width * step / m)


def scratch(rng: np.random.Generator, c: Canvas, length: float, width: float, amp: float) -> DefectTruth:
    """A thin line, straight or curved, whole or broken, brighter here than there."""
    wobble = rng.choice([0.0, 0.05, 0.3, 1.2, 2.5])
    path = curve(rng, length, wobble)
    lo, hi = path.min(0), path.max(0)
    room = np.array([c.width, c.height]) - 12 - (hi - lo)
    start = 6 + np.maximum(room, 1) * rng.random(2) - lo
    path = path + start
    inside = (path[:, 0] > 2) & (path[:, 1] > 2) & (path[:, 0] < c.width - 2) & (path[:, 1] < c.height - 2)
    path = path[inside] if inside.sum() > 8 else path
    n = len(path)
    step = length / max(8, int(length / 0.3))
    power = np.clip(
        1 + rng.uniform(0, 0.4) * np.interp(np.arange(n), np.linspace(0, n, 8), rng.normal(size=8)), 0.3, 2
    )
    if rng.random() < 0.4 and length > 30:
        for _ in range(int(rng.integers(1, 4))):
            gap = int(rng.uniform(0.02, 0.09) * n)
            at = int(rng.uniform(0.15, 0.85) * n)
            power[at : at + gap] = 0
    sign = 1.0
    if not c.dark:
        sign = -1.0 if rng.random() < 0.35 else 1.0
    px, py, area = ribbon_of_points(path, width, step)
    c.splat(px, py, (sign * amp * area * np.repeat(power, len(px) // n)).astype(np.float32))
    arc = step * (n - 1)
    row = spot_row(
        "scratch", float(path[n // 2, 0]), float(path[n // 2, 1]), (arc, width, 0.0), visible=False
    )
    row["path_px"] = path[:: max(1, n // 60)]
    spread = np.sqrt(2 * np.pi) * np.hypot(c.blur_px, 0.4)
    peak = amp * min(width / spread, 1.0) * float(np.median(power)) / c.unit
    row["visible"] = peak >= LINE_PEAK and peak * np.sqrt(length) >= LINE_TOTAL
    return row
