"""Printed reference tags in the corners of the glass, square to the picture, with exact area cover."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from vision.synthetic.parametric.canvas import Array, Canvas

MODULES = 7
INK = 0.06


def corners(rng: np.random.Generator, canvas: Canvas) -> dict[int, tuple[float, float, float]]:
    """Left, top and side (px) of each tag by its number."""
    x0, y0, x1, y1 = canvas.glass
    module = max(7.0, float(rng.uniform(0.028, 0.05)) * canvas.width / MODULES)
    side = MODULES * module
    gap = 2 * module + rng.uniform(2, 12, (4, 2))
    lefts, tops = (x0, x1, x1, x0), (y0, y0, y1, y1)
    return {
        k: (
            float(lefts[k] + gap[k, 0] if k in (0, 3) else lefts[k] - gap[k, 0] - side),
            float(tops[k] + gap[k, 1] if k in (0, 1) else tops[k] - gap[k, 1] - side),
            side,
        )
        for k in range(4)
    }


def lay(
    rng: np.random.Generator,
    canvas: Canvas,
    places: dict[int, tuple[float, float, float]],
    field_mm: list[float],
) -> dict[str, Any]:
    """Print the tags with their white margin of one module; returns what the set-up says of them: corners in
    sheet mm, clockwise from the tag's own top left."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    paper = float(rng.uniform(0.25, 0.8))
    in_setup = {}
    for number, (x, y, side) in places.items():
        printed = cv2.aruco.generateImageMarker(dictionary, number, MODULES, borderBits=1)
        printed = np.pad(np.where(printed > 127, paper, INK * paper), 1, constant_values=paper)
        module = side / MODULES
        rows, down = _cover(y - module, module, canvas.height)
        cols, across = _cover(x - module, module, canvas.width)
        bare = 1 - np.outer(down.sum(1), across.sum(1))
        canvas.light[rows, cols] = canvas.light[rows, cols] * bare + down @ printed @ across.T
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side + [x, y]
        in_setup[str(number)] = (square * canvas.mm_per_px + field_mm[:2]).tolist()
    return {"dictionary": "DICT_5X5_50", "corners_mm": in_setup}


def _cover(start: float, module: float, count: int) -> tuple[slice, Array]:
    """Pixels along one axis that a tag with its margin touches, and the share of each that each module
    covers."""
    low = max(int(np.floor(start)), 0)
    high = min(int(np.ceil(start + (MODULES + 2) * module)), count)
    pixel = np.arange(low, high)[:, None]
    edge = start + np.arange(MODULES + 2)[None] * module
    share = np.minimum(pixel + 1, edge + module) - np.maximum(pixel, edge)
    return slice(low, high), np.clip(share, 0, 1)
