"""Truth rows: what a synthetic photo holds, and from what signal to noise on it can be seen.

The same keys for all renderers; a family leaves out what it does not know (millimetres, style). In files the
keys stand as they do here.
"""

from __future__ import annotations

from typing import Any, NotRequired, TypedDict

from numpy.typing import NDArray

Array = NDArray[Any]

# signal to noise from which on a defect is called visible (by hand): of its best pixel, and of a filter of
# exactly its shape; of a scratch the median along it of the best pixel across it
SPOT_PEAK, SPOT_TOTAL = 4.0, 9.0
LINE_PEAK, LINE_TOTAL = 1.5, 20.0


class DefectTruth(TypedDict):
    """One defect of the glass.

    kind : "bubble", "stone" or "scratch"; x_px, y_px : its middle in the photo; visible : it can be seen
    length_* : nucleus' largest dimension or arc length; width_* : across it; halo_* : None where none shows
    path_px : (M, 2) course of a scratch; snr, snr_total : what `visible` follows from
    """

    kind: str
    x_px: float
    y_px: float
    length_px: float
    visible: bool
    width_px: NotRequired[float]
    halo_px: NotRequired[float | None]
    path_px: NotRequired[Any]
    style: NotRequired[str]
    x_mm: NotRequired[float]
    y_mm: NotRequired[float]
    length_mm: NotRequired[float]
    width_mm: NotRequired[float]
    halo_mm: NotRequired[float | None]
    angle_deg: NotRequired[float]
    path_mm: NotRequired[list[list[float]] | None]
    mm_per_px: NotRequired[float]
    snr: NotRequired[float]
    snr_total: NotRequired[float]


class ArtefactTruth(TypedDict):
    """One surface artefact, or the cut edge.

    what : its class (`results.ARTEFACTS`); box_px : x, y, width, height; path_px, width_px : of what has a
        course
    detail : how it was drawn
    """

    what: str
    box_px: list[Any]
    x_px: NotRequired[float]
    y_px: NotRequired[float]
    path_px: NotRequired[Any]
    width_px: NotRequired[float]
    detail: NotRequired[str]
    x_mm: NotRequired[float]
    y_mm: NotRequired[float]


class Truth(TypedDict):
    """All that one photo holds, under the names of its truth file."""

    defects: list[DefectTruth]
    not_glass: list[ArtefactTruth]


def box_row(what: str, x: float, y: float, w: float, h: float) -> ArtefactTruth:
    """An artefact by its box: middle, width and height, px."""
    box = [int(x - w / 2) - 1, int(y - h / 2) - 1, int(w) + 3, int(h) + 3]
    return {"what": what, "x_px": x, "y_px": y, "box_px": box, "path_px": None}


def path_row(what: str, path: Array, width: float, most_points: int = 80) -> ArtefactTruth:
    """An artefact by its course (N, 2) and width, px."""
    lo, hi = path.min(0) - width / 2 - 1, path.max(0) + width / 2 + 1
    box = [int(lo[0]), int(lo[1]), int(hi[0] - lo[0]) + 2, int(hi[1] - lo[1]) + 2]
    middle = path[len(path) // 2]
    return {
        "what": what,
        "x_px": float(middle[0]),
        "y_px": float(middle[1]),
        "box_px": box,
        "path_px": path[:: max(1, len(path) // most_points)],
        "width_px": width,
    }


def spot_row(
    kind: str,
    x: float,
    y: float,
    size: tuple[float, float, float],
    visible: bool,
    halo: float | None = None,
) -> DefectTruth:
    """A defect by its middle (px), length and width (px), direction (degrees) and halo (px)."""
    return {
        "kind": kind,
        "x_px": x,
        "y_px": y,
        "length_px": size[0],
        "width_px": size[1],
        "angle_deg": float(size[2] % 180),
        "halo_px": halo,
        "visible": visible,
    }
