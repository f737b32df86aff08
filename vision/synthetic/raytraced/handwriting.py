"""Felt-pen writing as strokes: characters of our own, each a little different every time."""

from __future__ import annotations

import numpy as np

from vision.synthetic.raytraced.scene import Floats

_GLYPHS: dict[str, list[list[tuple[float, float]]]] = {
    "0": [
        [
            (0.5, 0),
            (0.1, 0.2),
            (0, 0.5),
            (0.15, 0.85),
            (0.5, 1),
            (0.85, 0.8),
            (1, 0.5),
            (0.85, 0.15),
            (0.5, 0),
        ]
    ],
    "1": [[(0.2, 0.25), (0.55, 0), (0.55, 1)]],
    "2": [[(0.05, 0.25), (0.3, 0), (0.8, 0.05), (0.9, 0.35), (0.5, 0.65), (0, 1), (0.95, 1)]],
    "3": [[(0.1, 0.1), (0.5, 0), (0.9, 0.2), (0.5, 0.45), (0.95, 0.7), (0.6, 1), (0.05, 0.9)]],
    "4": [[(0.65, 1), (0.65, 0), (0, 0.65), (0.95, 0.65)]],
    "5": [[(0.9, 0), (0.2, 0), (0.1, 0.45), (0.6, 0.4), (0.95, 0.7), (0.6, 1), (0.05, 0.9)]],
    "7": [[(0, 0), (0.95, 0), (0.35, 1)], [(0.2, 0.5), (0.75, 0.5)]],
    "8": [
        [
            (0.5, 0.45),
            (0.1, 0.25),
            (0.5, 0),
            (0.9, 0.2),
            (0.5, 0.45),
            (0.05, 0.75),
            (0.5, 1),
            (0.95, 0.75),
            (0.5, 0.45),
        ]
    ],
    "9": [[(0.9, 0.3), (0.55, 0.5), (0.1, 0.3), (0.35, 0), (0.85, 0.05), (0.9, 0.4), (0.75, 1)]],
    "A": [[(0, 1), (0.5, 0), (1, 1)], [(0.2, 0.62), (0.8, 0.62)]],
    "B": [[(0.1, 1), (0.1, 0), (0.7, 0.08), (0.75, 0.4), (0.1, 0.48), (0.9, 0.6), (0.85, 0.92), (0.1, 1)]],
    "K": [[(0.1, 0), (0.1, 1)], [(0.9, 0), (0.1, 0.55), (0.95, 1)]],
    "X": [[(0, 0), (1, 1)], [(1, 0), (0, 1)]],
    "/": [[(0.9, 0), (0.1, 1)]],
    "-": [[(0.1, 0.5), (0.9, 0.5)]],
    ">": [[(0, 0.5), (1, 0.5)], [(0.65, 0.2), (1, 0.5), (0.65, 0.8)]],
    "o": [[(float(np.cos(t) / 2 + 0.5), float(np.sin(t) / 2 + 0.5)) for t in np.linspace(0.3, 6.7, 24)]],
}
"""Handwritten characters as strokes in a unit box: our own lettering."""

WRITING = "012345789ABKX/->o"


def written(text: str, height_mm: float, rng: np.random.Generator) -> list[Floats]:
    """Strokes of a short handwritten text, centred, sheet mm."""
    strokes, at = [], 0.0
    slant = rng.normal(0.1, 0.12)
    for letter in text:
        for raw in _GLYPHS[letter]:
            points = np.asarray(raw, dtype=float) + rng.normal(0, 0.035, (len(raw), 2))
            dense = _smooth(points)
            x = (dense[:, 0] * 0.62 + at + slant * (0.5 - dense[:, 1])) * height_mm
            strokes.append(np.column_stack([x, (dense[:, 1] - 0.5 + rng.normal(0, 0.02)) * height_mm]))
        at += 0.85 + rng.normal(0, 0.06)
    middle = np.concatenate(strokes).mean(axis=0)
    return [stroke - middle for stroke in strokes]


def _smooth(points: Floats) -> Floats:
    """Corner-cutting curve through a stroke (Chaikin), ends kept."""
    for _ in range(2):
        a, b = points[:-1], points[1:]
        inner = np.stack([0.78 * a + 0.22 * b, 0.22 * a + 0.78 * b], axis=1).reshape(-1, 2)
        points = np.concatenate([points[:1], inner, points[-1:]])
    return points
