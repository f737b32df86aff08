"""What a pen leaves on the glass: letters in several typefaces, rings, ticks, arrows, crosses."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.geometry.shapes import arc_places, at_arc
from vision.synthetic.parametric.canvas import Array, Canvas
from vision.synthetic.parametric.paths import lay_line
from vision.synthetic.random_draws import log_uniform, near
from vision.synthetic.textures import smooth_noise
from vision.synthetic.truth import ArtefactTruth, box_row, path_row

TYPEFACES = tuple(range(8))
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789-/+?#"
STROKES = ("tick", "arrow", "cross", "line", "ring", "question")


@dataclass(frozen=True)
class PenParameters:
    """How the pen of one domain writes. ragged : unevenness of the ink; rim : darker borders of a stroke"""

    typefaces: tuple[int, ...]
    width_mm: float
    height_mm: float
    strength: float
    ragged: float
    rim: float
    upright: bool


def pen_parameters(rng: np.random.Generator, dark: bool) -> PenParameters:
    return PenParameters(
        typefaces=tuple(int(v) for v in rng.permutation(TYPEFACES)[:2]),
        width_mm=log_uniform(rng, 0.5, 3.5),
        height_mm=log_uniform(rng, 7, 50),
        strength=log_uniform(rng, 0.01, 0.5) if dark else float(rng.uniform(0.08, 0.95)),
        ragged=float(rng.uniform(0, 0.5)),
        rim=float(rng.uniform(-0.3, 0.8)),
        upright=bool(rng.random() < 0.2),
    )


def letters(
    rng: np.random.Generator, canvas: Canvas, params: PenParameters, x: float, y: float
) -> ArtefactTruth | None:
    """Write one to five letters round a place."""
    mm = canvas.mm_per_px
    tall = float(np.clip(near(rng, params.height_mm, 0.3) / mm, 10, 260))
    pen = float(np.clip(near(rng, params.width_mm, 0.15) / mm, 0.6, tall / 5))
    text = "".join(rng.choice(list(LETTERS), int(rng.integers(1, 6))))
    over = 4 if tall < 70 else 2
    face = int(rng.choice(params.typefaces))
    line = max(1, round(pen * over))
    scale = cv2.getFontScaleFromHeight(face, max(int(tall * over), 8), line)
    (w, h), below = cv2.getTextSize(text, face, scale, line)
    side = int(np.hypot(w, h + below) + 4 * line) // over * over + 2 * over
    mask = np.zeros((side, side), np.uint8)
    cv2.putText(mask, text, ((side - w) // 2, (side + h) // 2), face, scale, 255, line, cv2.LINE_AA)
    turn = float(rng.normal(0, 10)) + (90 if params.upright else 0)
    mask = cv2.warpAffine(mask, cv2.getRotationMatrix2D((side / 2, side / 2), turn, 1), (side, side))
    ink = (
        cv2.resize(mask, (side // over, side // over), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    )
    inked = np.argwhere(ink > 0.1)
    if not len(inked):
        return None
    soft = cv2.GaussianBlur(ink, (0, 0), max(0.4 * pen, 0.5))
    ink = ink * (1 + params.rim * (1 - soft / max(float(soft.max()), 1e-6)))
    ink = ink * np.clip(1 + params.ragged * smooth_noise(rng, ink.shape, max(3.0, 1.5 * pen)), 0.05, 2)
    x0, y0 = int(x - ink.shape[1] / 2), int(y - ink.shape[0] / 2)
    cx0, cy0 = max(x0, 0), max(y0, 0)
    cx1, cy1 = min(x0 + ink.shape[1], canvas.width), min(y0 + ink.shape[0], canvas.height)
    if cx1 - cx0 < 4 or cy1 - cy0 < 4:
        return None
    cut = ink[cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0]
    canvas.lay_pixels(
        slice(cy0, cy1), slice(cx0, cx1), (near(rng, params.strength, 0.15) * cut).astype(np.float32)
    )
    low, high = inked.min(0), inked.max(0)
    middle = (low + high) / 2
    return box_row(
        "marker",
        x0 + float(middle[1]),
        y0 + float(middle[0]),
        float(high[1] - low[1]),
        float(high[0] - low[0]),
    )


def stroke(
    rng: np.random.Generator,
    canvas: Canvas,
    params: PenParameters,
    x: float,
    y: float,
    ring_px: float | None = None,
) -> list[ArtefactTruth]:
    """Draw one sign; with `ring_px` a ring of that diameter round the place."""
    mm = canvas.mm_per_px
    tall = float(np.clip(near(rng, params.height_mm, 0.4) / mm, 12, 240))
    pen = float(np.clip(near(rng, params.width_mm, 0.15) / mm, 0.4, tall / 5))
    shape = "ring" if ring_px is not None else str(rng.choice(STROKES))
    rows = []
    for piece in _pieces(rng, shape):
        size = tall if ring_px is None else ring_px
        points = piece * size + rng.normal(0, 0.02 * size, piece.shape) * (shape != "ring") + [x, y]
        rows.append(_draw(rng, canvas, params, points, pen))
    return rows


def _pieces(rng: np.random.Generator, shape: str) -> list[Array]:
    """Strokes of a sign of height about 1 round the origin."""
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn), np.sin(turn)
    around = np.array([[c, s], [-s, c]])
    if shape == "ring":
        t = np.linspace(0, 2 * np.pi + rng.uniform(-0.5, 0.6), 40) + turn
        swell = 1 + rng.uniform(0, 0.12) * np.cos(2 * t + turn)
        return [np.column_stack((0.5 * swell * np.cos(t), 0.5 * swell * rng.uniform(0.75, 1) * np.sin(t)))]
    if shape == "tick":
        return [np.array([[-0.35, 0.0], [-0.1, 0.4], [0.45, -0.5]])]
    if shape == "arrow":
        return [
            np.array([[-0.5, 0.0], [0.5, 0.0]]) @ around,
            np.array([[0.25, -0.2], [0.5, 0.0], [0.25, 0.2]]) @ around,
        ]
    if shape == "cross":
        return [np.array([[-0.4, -0.4], [0.4, 0.4]]), np.array([[-0.4, 0.4], [0.4, -0.4]])]
    if shape == "line":
        return [np.array([[-0.6, 0.0], [0.0, rng.normal(0, 0.05)], [0.6, 0.0]]) @ around]
    return [
        np.array([[-0.25, -0.3], [0.0, -0.5], [0.25, -0.25], [0.0, 0.05], [0.0, 0.25]]),
        np.array([[0.0, 0.42], [0.02, 0.47]]),
    ]


def _draw(
    rng: np.random.Generator, canvas: Canvas, params: PenParameters, points: Array, pen: float
) -> ArtefactTruth:
    along = arc_places(points)
    count = max(8, int(along[-1] / 0.5))
    q = np.linspace(0, along[-1], count)
    path = at_arc(points, along, q)
    lines = max(1, int(np.ceil(pen / 0.5)))
    offsets = (np.arange(lines) + 0.5) / lines * pen - pen / 2
    across = 1 + params.rim * (np.abs(offsets) / (pen / 2)) ** 3
    power = np.clip(
        1 + params.ragged * np.interp(q, np.linspace(0, along[-1], 14), rng.normal(size=14)), 0.1, 2
    )
    lay_line(canvas, path, offsets, params.strength * across * pen / lines, power)
    return path_row("marker", path, pen)
