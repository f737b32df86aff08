"""The light before anything is in it: lamps and their bands, haze, and the cut edge with what lies beyond."""

from __future__ import annotations

import itertools

import cv2
import numpy as np

from vision.synthetic.parametric.camera import Camera
from vision.synthetic.parametric.canvas import Array, Canvas
from vision.synthetic.random_draws import log_uniform
from vision.synthetic.textures import smooth_noise
from vision.synthetic.truth import ArtefactTruth, box_row

COARSE = 8
SIDES = ("left", "top", "right", "bottom")


def bright_light(rng: np.random.Generator, size: tuple[int, int]) -> Array:
    """Lamps behind a diffuser: tubes, fall-off, at times the panel's end inside the picture."""
    light = rng.uniform(0.28, 0.85) * _uneven(rng, size, 0.35)
    h, w = light.shape
    if rng.random() < 0.12:
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        turn = float(rng.choice([0, np.pi / 2, np.pi, -np.pi / 2]) + rng.normal(0, 0.05))
        gap = (x / w - 0.5) * np.cos(turn) + (y / h - 0.5) * np.sin(turn) - rng.uniform(0.25, 0.45)
        light *= 1 - rng.uniform(0.3, 0.85) / (1 + np.exp(-gap / log_uniform(rng, 0.004, 0.06)))
    return _full(light, size) * _bands(rng, size)


def dark_light(rng: np.random.Generator, size: tuple[int, int], camera: Camera) -> Array:
    """A black ground, often with haze: fog in patches or growing to one side, 20 to 120 grey where it is
    strongest."""
    h, w = size[0] // COARSE + 2, size[1] // COARSE + 2
    light = log_uniform(rng, 0.003, 0.08) * _uneven(rng, size, 0.5)
    if rng.random() < 0.5:
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        fog = np.zeros((h, w), np.float32)
        for _ in range(int(rng.integers(1, 6))):
            cx, cy, reach = (
                rng.uniform(-0.1, 1.1) * w,
                rng.uniform(-0.1, 1.1) * h,
                rng.uniform(0.1, 0.6) * max(h, w),
            )
            turn, flat = rng.uniform(0, np.pi), rng.uniform(0.3, 1)
            u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
            v = -(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)
            fog += rng.uniform(0.3, 1) * np.exp(-((np.hypot(u, v / flat) / reach) ** rng.uniform(1.2, 3)))
        if rng.random() < 0.5:
            turn = rng.uniform(0, 2 * np.pi)
            fog += (
                rng.uniform(0.3, 1)
                * np.clip(0.5 + (x / w - 0.5) * np.cos(turn) + (y / h - 0.5) * np.sin(turn), 0, 1) ** 2
            )
        if rng.random() < 0.5:
            fog *= np.clip(1 + 0.25 * smooth_noise(rng, (h, w), rng.uniform(4, 20)), 0.3, 2)
        light = light + camera.light_of(log_uniform(rng, 20, 120)) * fog / max(float(fog.max()), 1e-3)
    full = _full(light, size) * _bands(rng, size)
    if rng.random() < 0.2:
        # a cloth's weave or dull paint behind the glass
        full *= np.clip(1 + rng.uniform(0.01, 0.05) * smooth_noise(rng, size, rng.uniform(2, 6)), 0.5, 1.5)
    return np.asarray(full, np.float32)


def _full(coarse: Array, size: tuple[int, int]) -> Array:
    whole = cv2.resize(
        coarse.astype(np.float32),
        (coarse.shape[1] * COARSE, coarse.shape[0] * COARSE),
        interpolation=cv2.INTER_CUBIC,
    )
    return np.maximum(whole[: size[0], : size[1]], 1e-4)


def _uneven(rng: np.random.Generator, size: tuple[int, int], most: float) -> Array:
    """Tubes, a slope and fall-off to the corners, mean about 1, on the coarse grid."""
    h, w = size[0] // COARSE + 2, size[1] // COARSE + 2
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    y, x = y / h - rng.uniform(0.3, 0.7), x / w - rng.uniform(0.3, 0.7)
    light = (
        1
        - rng.uniform(0, 0.8) * (x * x + y * y)
        + rng.uniform(-most, most) * x
        + rng.uniform(-most, most) * y
    )
    if rng.random() < 0.65:
        turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.06))
        v = x * np.cos(turn) + y * np.sin(turn)
        tubes = int(rng.integers(2, 9))
        places = (np.arange(-1, tubes + 1) + 0.5) / tubes - 0.5 + rng.normal(0, 0.1 / tubes, tubes + 2)
        power = np.clip(rng.normal(1, 0.12, tubes + 2), 0.5, 1.4)
        bell = np.exp(-(((v[..., None] - places) * tubes / rng.uniform(0.3, 0.6)) ** 2)) @ power
        light = light * (1 + rng.uniform(0.02, 0.4) * (bell / max(float(bell.mean()), 1e-3) - 1))
    return np.asarray(np.clip(light, 0.15, 2.5), np.float32)


def _bands(rng: np.random.Generator, size: tuple[int, int]) -> Array:
    """Flicker of the lamps on a rolling shutter, as a factor that broadcasts over the picture."""
    if rng.random() > 0.4:
        return np.ones((1, 1), np.float32)
    upright = rng.random() < 0.25
    turn = 2 * np.pi * np.arange(size[1] if upright else size[0]) / log_uniform(rng, 70, 1600) + rng.uniform(
        0, 6.3
    )
    wave = 1 + log_uniform(rng, 0.005, 0.12) * (np.cos(turn) + rng.uniform(0, 0.4) * np.cos(2 * turn + 1))
    return np.asarray(wave[None, :] if upright else wave[:, None], np.float32)


def mirrored(rng: np.random.Generator, canvas: Canvas, camera: Camera) -> ArtefactTruth:
    """The mirror image of something in the booth: a lamp, a window with bars, the straight border of a
    table."""
    w, h = canvas.width, canvas.height
    style = str(rng.choice(["lamp", "window", "border", "patch"]))
    middle = rng.uniform(0, 1, 2) * [w, h]
    long = float(rng.uniform(0.08, 0.6)) * min(w, h)
    wide = long * float(rng.uniform(0.08, 0.3) if style == "lamp" else rng.uniform(0.4, 1.0))
    if style == "border":
        long, wide = 1.2 * max(w, h), float(rng.uniform(0.1, 0.5)) * min(w, h)
    turn = (
        float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.15))
        if rng.random() < 0.7
        else float(rng.uniform(0, np.pi))
    )
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    panes = [np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])]
    if style == "window":
        columns, bar = int(rng.integers(1, 4)), float(rng.uniform(0.03, 0.1))
        edges = np.linspace(-0.5, 0.5, columns + 1)
        halves = [(-0.5, 0.5)] if rng.random() < 0.5 else [(-0.5, -bar), (0.0, 0.5)]
        panes = [
            np.array([[a + bar / 2, lo], [b - bar / 2, lo], [b - bar / 2, hi], [a + bar / 2, hi]])
            for a, b in itertools.pairwise(edges)
            for lo, hi in halves
        ]
    shapes = [(pane * [long, wide]) @ axes + middle for pane in panes]
    soft = log_uniform(rng, 0.4, 4) if style in ("window", "border") else log_uniform(rng, 1, 40)
    corners = np.concatenate(shapes)
    x0, y0 = np.maximum(np.floor(corners.min(0) - 3 * soft), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(corners.max(0) + 3 * soft), [w, h]).astype(int)
    row = box_row("reflection", (x0 + x1) / 2, (y0 + y1) / 2, max(x1 - x0, 1), max(y1 - y0, 1))
    if x1 - x0 < 3 or y1 - y0 < 3:
        return row
    mask = np.zeros((y1 - y0, x1 - x0), np.float32)
    for shape in shapes:
        cv2.fillPoly(mask, [np.round((shape - [x0, y0]) * 16).astype(np.int32)], 1.0, cv2.LINE_8, 4)
    mask = cv2.GaussianBlur(mask, (0, 0), soft)
    here = canvas.light[y0:y1, x0:x1]
    if canvas.dark:
        here += np.float32(camera.light_of(log_uniform(rng, 8, 100))) * mask
    elif rng.random() < 0.7:
        here += np.float32(rng.uniform(0.02, 0.3) * float(here.mean())) * mask
    else:
        here *= 1 - np.float32(rng.uniform(0.05, 0.5)) * mask
    return row


def cut_edge(rng: np.random.Generator, canvas: Canvas, side: str) -> ArtefactTruth:
    """Draw what lies beyond the glass on one side, and the bright or dark cut edge between."""
    upright = side in ("left", "right")
    count = canvas.width if upright else canvas.height
    at = canvas.glass[SIDES.index(side)]
    inwards = (np.arange(count) + 0.5 - at) * (1 if side in ("left", "top") else -1)
    beyond = np.flatnonzero(inwards < 1)
    span = slice(int(beyond[0]), int(beyond[-1]) + 1)
    part = canvas.light[:, span] if upright else canvas.light[span].T
    cover = np.clip(inwards[span] + 0.5, 0, 1).astype(np.float32)
    level = rng.uniform(0.02, 1) * float(part.mean()) if not canvas.dark else log_uniform(rng, 0.003, 0.3)
    pitch = max(rng.uniform(30, 160) / canvas.mm_per_px, 8)
    slats = 1 + rng.uniform(0, 0.5) * np.cos(
        2 * np.pi * (np.arange(part.shape[0]) + rng.uniform(0, pitch)) / pitch
    )
    rough = 1 + rng.uniform(0.02, 0.15) * smooth_noise(rng, part.shape, rng.uniform(1.5, 8))
    back = np.clip(level * slats[:, None] * rough, 0.001, 1.1).astype(np.float32)
    part[:] = part * cover + back * (1 - cover)
    width = rng.uniform(0.4, 1.6) / canvas.mm_per_px
    line = np.clip(width / 2 + 0.5 - np.abs(inwards - width / 2), 0, 1).astype(np.float32)
    near = np.flatnonzero(line > 0)
    strip = slice(int(near[0]), int(near[-1]) + 1)
    part = canvas.light[:, strip] if upright else canvas.light[strip].T
    ragged = np.clip(1 + 0.2 * smooth_noise(rng, (part.shape[0], 1), 12), 0.3, 1.5) * line[strip]
    if canvas.dark:
        part += np.float32(rng.uniform(0.1, 0.9)) * ragged.astype(np.float32)
    else:
        part *= 1 - np.clip(np.float32(rng.uniform(0.3, 0.95)) * ragged, 0, 0.97).astype(np.float32)
    middle = at + (width / 2 if side in ("left", "top") else -width / 2)
    if upright:
        return box_row("cut edge", middle, canvas.height / 2, width + 2, canvas.height)
    return box_row("cut edge", canvas.width / 2, middle, canvas.width, width + 2)
