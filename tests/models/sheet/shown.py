"""Results of invented photos, as an inspection gives them, for tests of what is put together from them."""

from __future__ import annotations

from typing import Any

import numpy as np

Box = tuple[float, float, float, float]
BUBBLE = {"bubble": 0.9, "stone": 0.05, "scratch": 0.0, "not_glass": 0.05}
DUST = {"bubble": 0.1, "stone": 0.1, "scratch": 0.0, "not_glass": 0.8}


def find(number: int, x: float, y: float, **more: Any) -> dict[str, Any]:
    """A bubble of 1 mm."""
    base = {
        "number": number, "kind": "bubble", "not_glass": None, "x_mm": x, "y_mm": y, "length_mm": 1.0,
        "width_mm": 0.8, "halo_mm": None, "length_sd_mm": 0.05, "path_mm": None, "kind_scores": BUBBLE,
        "flags": [],
    }  # fmt: skip
    return {**base, **more}


def scratch(number: int, path: Any, **more: Any) -> dict[str, Any]:
    """A scratch along a path, shape (N, 2), as long as the path."""
    points = np.asarray(path, float)
    x, y = points[len(points) // 2]
    base = {
        "kind": "scratch",
        "path_mm": points.tolist(),
        "length_mm": float(np.hypot(*np.diff(points, axis=0).T).sum()),
        "width_mm": 0.1,
        "kind_scores": {"bubble": 0.0, "stone": 0.0, "scratch": 0.95, "not_glass": 0.05},
    }
    return find(number, float(x), float(y), **{**base, **more})


def result(
    box: Box, finds: list[dict[str, Any]], mm_per_px: float = 0.1, residual_mm: float = 0.05, **more: Any
) -> dict[str, Any]:
    """A photo that shows a box of the sheet."""
    base = {
        "photo": "photo.jpg",
        "scale": {"mm_per_px": mm_per_px, "source": "tags", "residual_mm": residual_mm},
        "finds": finds,
        "covered_mm": list(box),
        "covered_fraction": 1.0,
        "smallest_sized_mm": 3 * mm_per_px,
        "hidden": [],
    }
    return {**base, **more}


def line(x0: float, y0: float, x1: float, y1: float, count: int = 40) -> np.ndarray:
    """A straight path."""
    return np.column_stack([np.linspace(x0, x1, count), np.linspace(y0, y1, count)])


def cut(path: np.ndarray, box: Box) -> list[np.ndarray]:
    """The pieces of a dense path that lie in a box."""
    inside = (path[:, 0] >= box[0]) & (path[:, 0] <= box[2]) & (path[:, 1] >= box[1]) & (path[:, 1] <= box[3])
    places = np.flatnonzero(inside)
    if not len(places):
        return []
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    return [path[run] for run in runs if len(run) > 2]
