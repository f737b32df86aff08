"""What lies on the glass or in the picture without being in the glass: drawn as sprites."""

from __future__ import annotations

import cv2
import numpy as np

from vision.geometry.shapes import arc_places, at_arc
from vision.synthetic.sprites.primitives import Array, Canvas, blob_outline, curve, ribbon_of_points
from vision.synthetic.textures import smooth_noise, soft
from vision.synthetic.truth import ArtefactTruth, box_row, path_row

# Pen strokes of a few capitals and digits on a unit square, x right and y down.
GLYPHS: dict[str, list[list[tuple[float, float]]]] = {
    "A": [[(0, 1), (0.5, 0), (1, 1)], [(0.2, 0.6), (0.8, 0.6)]],
    "K": [[(0, 0), (0, 1)], [(1, 0), (0, 0.55), (1, 1)]],
    "X": [[(0, 0), (1, 1)], [(1, 0), (0, 1)]],
    "1": [[(0.2, 0.3), (0.6, 0), (0.6, 1)]],
    "2": [[(0, 0.2), (0.3, 0), (0.8, 0.05), (0.9, 0.35), (0, 1), (1, 1)]],
    "4": [[(0.8, 1), (0.8, 0), (0, 0.7), (1, 0.7)]],
    "7": [[(0, 0), (1, 0), (0.4, 1)]],
    "O": [[(0.5, 0), (0.95, 0.3), (0.95, 0.7), (0.5, 1), (0.05, 0.7), (0.05, 0.3), (0.5, 0)]],
    ">": [[(0, 0.5), (1, 0.5)], [(0.6, 0.2), (1, 0.5), (0.6, 0.8)]],
}


def speck(
    rng: np.random.Generator, c: Canvas, x: float, y: float, length: float, amp: float
) -> ArtefactTruth:
    """A grain of dust: angular, often lit from one side, no halo; sometimes a pair or a small heap."""
    reach = length * 1.5 + 2
    got = c.patch(x, y, reach)
    if got is None:
        return box_row("dust", x, y, length, length)
    dx, dy, over = got.dx, got.dy, got.over
    shape = np.zeros_like(dx)
    for _ in range(1 if rng.random() < 0.75 else int(rng.integers(2, 5))):
        r = blob_outline(rng, rng.uniform(0.15, 0.5), int(rng.integers(4, 9)))
        t = np.linspace(0, 2 * np.pi, r.size, endpoint=False)
        flat = rng.uniform(0.35, 1)
        turn = rng.uniform(0, np.pi)
        ox, oy = rng.normal(0, 0.35 * length, 2) if shape.any() else (0.0, 0.0)
        u = ((dx - ox) * np.cos(turn) + (dy - oy) * np.sin(turn)) / (length / 2)
        v = (-(dx - ox) * np.sin(turn) + (dy - oy) * np.cos(turn)) / (length / 2 * flat)
        rho = np.hypot(u, v)
        edge = np.interp(np.arctan2(v, u) % (2 * np.pi), np.append(t, 2 * np.pi), np.append(r, r[0]))
        grain = smooth_noise(rng, dx.shape, max(2.0, 0.2 * length * over))
        lean = 1 + rng.uniform(0, 0.7) * np.clip(u, -1.5, 1.5) / 1.5
        one = soft((rho - edge) * length / 2 * flat, rng.uniform(0.05, 0.9) * max(1.0, 0.15 * length))
        shape = np.maximum(shape, one * np.clip(lean * (1 + rng.uniform(0, 0.5) * grain), 0.05, 2.5))
    if rng.random() < 0.3:
        shape = cv2.GaussianBlur(shape.astype(np.float32), (0, 0), float(rng.uniform(0.3, 1.2) * over))
    c.lay(got, (amp * shape).astype(np.float32))
    return box_row("dust", x, y, length * 1.6, length * 1.6)


def fibre(rng: np.random.Generator, c: Canvas, length: float, width: float, amp: float) -> ArtefactTruth:
    """Lint: a thin thread that bends or kinks, with bright and dull stretches."""
    path = curve(rng, length, float(rng.choice([0.8, 2.0, 4.0, 7.0])))
    lo, hi = path.min(0), path.max(0)
    path = path + rng.uniform(6, np.maximum(7, np.array([c.width, c.height]) - 6 - (hi - lo))) - lo
    n = len(path)
    power = 1 + rng.uniform(0.1, 0.9) * np.interp(np.arange(n), np.linspace(0, n, 12), rng.normal(size=12))
    px, py, area = ribbon_of_points(path, width, length / n)
    sign = 1.0 if c.dark or rng.random() < 0.85 else -1.0
    c.splat(px, py, (sign * amp * area * np.repeat(np.clip(power, 0.05, 3), len(px) // n)).astype(np.float32))
    return path_row("lint", path, width, most_points=40)


def writing(
    rng: np.random.Generator, c: Canvas, x: float, y: float, height: float, pen: float, amp: float
) -> list[ArtefactTruth]:
    """A few pen strokes with ragged density, sometimes a ring round something."""
    rows: list[ArtefactTruth] = []
    at = x
    for name in rng.choice(list(GLYPHS), int(rng.integers(1, 5))):
        if rng.random() < 0.12:
            t = np.linspace(0.1, 2 * np.pi + rng.uniform(-0.3, 0.4), 24)
            strokes = [np.column_stack((0.5 + 0.9 * np.cos(t), 0.5 + 0.8 * np.sin(t)))]
        else:
            strokes = [np.asarray(s, float) for s in GLYPHS[str(name)]]
        for stroke in strokes:
            pts = (
                stroke * height * np.array([0.65, 1.0]) + rng.normal(0, 0.04 * height, stroke.shape) + [at, y]
            )
            s = arc_places(pts)
            n = max(8, int(s[-1] / 0.5))
            path = at_arc(pts, s, np.linspace(0, s[-1], n))
            px, py, area = ribbon_of_points(path, pen, s[-1] / n)
            m = len(px) // n
            edge = np.abs((np.arange(m) + 0.5) / m - 0.5) * 2
            across = 1 + rng.uniform(-0.3, 0.8) * (edge**4 - 0.2)
            along = 1 + rng.uniform(0, 0.4) * np.interp(
                np.arange(n), np.linspace(0, n, 10), rng.normal(size=10)
            )
            power = np.outer(np.clip(along, 0.2, 2), np.clip(across, 0.1, 2)).ravel()
            c.splat(px, py, (amp * area * power).astype(np.float32))
            rows.append(path_row("marker", path, pen, most_points=40))
        at += height * rng.uniform(0.75, 1.1)
    return rows


def drip(rng: np.random.Generator, c: Canvas, x: float, y: float, size: float, amp: float) -> ArtefactTruth:
    """A dried drop: a thin uneven rim, a faint inside, sometimes a run below it."""
    got = c.patch(x, y, size * 0.8 + 3)
    if got is not None:
        dx, dy, over = got.dx, got.dy, got.over
        r = blob_outline(rng, rng.uniform(0.01, 0.08), 6)
        t = np.linspace(0, 2 * np.pi, r.size, endpoint=False)
        phi = np.arctan2(dy, dx) % (2 * np.pi)
        gap = np.hypot(dx, dy * rng.uniform(0.75, 1.1)) - size / 2 * np.interp(
            phi, np.append(t, 2 * np.pi), np.append(r, r[0])
        )
        rim = np.exp(-((gap / max(0.7, size * rng.uniform(0.01, 0.06))) ** 2)) * (
            1 + 0.5 * np.cos(phi - rng.uniform(0, 6))
        )
        inside = (gap < 0) * rng.uniform(0, 0.35) * (1 + 0.3 * smooth_noise(rng, dx.shape, 8 * over))
        c.lay(got, (amp * (rim + inside)).astype(np.float32))
    if rng.random() < 0.5:
        n = int(size * rng.uniform(1, 5) / 0.5) + 8
        run = np.column_stack((x + np.cumsum(rng.normal(0, 0.02, n)), y + size / 2 + np.arange(n) * 0.5))
        px, py, area = ribbon_of_points(run, max(0.6, size * rng.uniform(0.03, 0.2)), 0.5)
        c.splat(px, py, (0.4 * amp * area).astype(np.float32))
        return box_row("drip", x, y + n * 0.25, size * 1.3, size * 1.3 + n * 0.5)
    return box_row("drip", x, y, size * 1.3, size * 1.3)


def finger(
    rng: np.random.Generator, c: Canvas, x: float, y: float, size: float, ridge: float, amp: float
) -> ArtefactTruth:
    """A finger mark: an oval of bent parallel ridges, patchy; a smear when the ridges are below the pixel."""
    got = c.patch(x, y, size * 0.75)
    if got is not None:
        dx, dy, over = got.dx, got.dy, got.over
        turn = rng.uniform(0, np.pi)
        u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
        body = soft(np.hypot(u / (size / 2), v / (size * 0.36)) - 1, 0.4)
        bend = np.hypot(u + size * 0.1, v - size * rng.uniform(-0.4, 0.4)) + 0.04 * size * smooth_noise(
            rng, dx.shape, size * over / 3
        )
        ridges = 0.5 + 0.5 * np.cos(2 * np.pi * bend / ridge) if ridge > 1.2 else np.full_like(dx, 0.5)
        patchy = np.clip(0.7 + 0.5 * smooth_noise(rng, dx.shape, size * over / 6), 0, 1.6)
        c.lay(got, (amp * body * ridges * patchy).astype(np.float32))
    return box_row("finger mark", x, y, size * 1.2, size * 1.2)


def glow(rng: np.random.Generator, c: Canvas, x: float, y: float, size: float, amp: float) -> ArtefactTruth:
    """A reflection of something in the booth: soft, long or round, with or without one sharp border."""
    yy, xx = np.mgrid[0 : c.height, 0 : c.width].astype(np.float32)
    turn = rng.uniform(0, np.pi)
    u = (xx - x) * np.cos(turn) + (yy - y) * np.sin(turn)
    v = -(xx - x) * np.sin(turn) + (yy - y) * np.cos(turn)
    flat = rng.uniform(1, 8)
    spot = np.exp(-((np.hypot(u / size, v / size * flat)) ** rng.uniform(1.5, 6)))
    if c.dark:
        c.scatter += (amp * spot).astype(np.float32)
    else:
        c.pass_ *= (1 + 0.3 * amp * spot).astype(np.float32)
    return box_row("reflection", x, y, 2.4 * size, 2.4 * size)


def cup_ring(
    rng: np.random.Generator, c: Canvas, x: float, y: float, size: float, amp: float
) -> ArtefactTruth:
    """The print of a suction cup: a large faint ring, patchy, single or double."""
    rows: list[tuple[Array, Array]] = []
    for radius in (size / 2, size / 2 * rng.uniform(0.85, 0.96))[: int(rng.integers(1, 3))]:
        t = np.arange(0, 2 * np.pi, 0.5 / radius)
        rows.append((x + radius * np.cos(t), y + radius * np.sin(t)))
    px, py = np.concatenate([r[0] for r in rows]), np.concatenate([r[1] for r in rows])
    patchy = np.clip(
        0.7 + 0.6 * np.interp(np.arange(px.size), np.linspace(0, px.size, 30), rng.normal(size=30)), 0, 2
    )
    width = rng.uniform(0.8, 4)
    for off in np.linspace(-width / 2, width / 2, int(width / 0.5) + 1):
        k = 1 + off / (size / 2)
        c.splat(x + (px - x) * k, y + (py - y) * k, (amp * 0.25 * patchy).astype(np.float32))
    return box_row("finger mark", x, y, size * 1.1, size * 1.1)
