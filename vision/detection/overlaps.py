"""Which of several spots in one place stands for all: doubles of two scales, pieces of lines, parts of spots.

All thresholds were set by hand, origin unknown; lengths are in photo pixels unless they are shares.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.classification import classes
from vision.detection.line_fits import Line
from vision.detection.profiles import Outline
from vision.detection.spots import Candidates

Array = NDArray[np.floating]
DUST_COLUMN = classes.CLASSES.index("dust")
NOISE_COLUMN = classes.CLASSES.index("noise")

# two outlines are one nucleus up to this distance (px, or share of the smaller) and log ratio of length
DOUBLE_GAP_PX, DOUBLE_GAP_SHARE, DOUBLE_LOG_RATIO = 1.2, 0.2, 0.3
# a spot lies on a line up to this distance from it: px, and share of the spot's own width
ON_LINE_PX, ON_LINE_SHARE = 3.0, 0.3
LINE_BOX_RIM_PX = 6.0
"""Only spots in a line's box with this rim are looked at: more than any spot that lies on it needs."""
LINE_IS_NOISE = 0.7
"""A line of at least this probability of noise hides no spots."""
SPOT_FOR_CERTAIN = 0.6
"""A spot on a line stays when it is bubble, stone or dust with at least this probability."""
# a spot of at least this length (px) and probability of a spot defect hides smaller ones inside it: those
# of a middle within this share of its length, and up to this share of its length themselves
HIDING_LENGTH_PX, HIDING_SCORE = 5.0, 0.3
HIDDEN_WITHIN, HIDDEN_LENGTH = 0.6, 0.8
# of two spots whose middles are this close (px, or share of the smaller) the one of the higher score stays
SAME_PLACE_PX, SAME_PLACE_SHARE = 1.5, 0.35


def without_doubles(spots: Candidates, shape: Outline) -> NDArray[np.intp]:
    """Rows left when of candidates with one outline only one stays: of a fine scale, then the strongest.

    spots, shape : N candidates and their outlines
    """
    order = np.lexsort((-spots.peak, spots.coarse))
    gap = np.hypot(shape.x_px[:, None] - shape.x_px, shape.y_px[:, None] - shape.y_px)
    size = np.maximum(shape.length_px, 1.0)
    near = gap < np.maximum(DOUBLE_GAP_PX, DOUBLE_GAP_SHARE * np.minimum(size[:, None], size))
    same = near & (np.abs(np.log(size[:, None] / size)) < DOUBLE_LOG_RATIO)
    dropped = np.zeros(len(size), bool)
    for i in order:
        if not dropped[i]:
            same[i, i] = False
            dropped |= same[i]
    return np.flatnonzero(~dropped)


def standing_alone(shape: Outline, rows: Array, lines: list[Line], line_rows: Array) -> NDArray[np.bool_]:
    """Spots worth listing that are not part of a line or of another spot, shape (N,).

    rows, line_rows : class probabilities (N, classes) of the spots, (L, classes) of the lines
    """
    keep = classes.worth_listing(rows)
    real = [line for line, row in zip(lines, line_rows, strict=True) if row[NOISE_COLUMN] < LINE_IS_NOISE]
    _drop_on_lines(keep, shape, rows, real)
    _drop_inside(keep, shape, rows)
    _drop_same_place(keep, shape, rows)
    return keep


def _drop_on_lines(keep: NDArray[np.bool_], shape: Outline, rows: Array, lines: list[Line]) -> None:
    spot_like = rows[:, :2].sum(1) + rows[:, DUST_COLUMN]
    for line in lines:
        near = np.flatnonzero(keep)
        lo, hi = line.path_px.min(0) - LINE_BOX_RIM_PX, line.path_px.max(0) + LINE_BOX_RIM_PX
        x, y = shape.x_px[near], shape.y_px[near]
        near = near[(x >= lo[0]) & (x <= hi[0]) & (y >= lo[1]) & (y <= hi[1])]
        if not near.size:
            continue
        some = line.path_px[::2]
        gap = np.hypot(shape.x_px[near][:, None] - some[:, 0], shape.y_px[near][:, None] - some[:, 1]).min(1)
        on = gap < ON_LINE_PX + ON_LINE_SHARE * shape.width_px[near]
        keep[near[on & (spot_like[near] < SPOT_FOR_CERTAIN)]] = False


def _drop_inside(keep: NDArray[np.bool_], shape: Outline, rows: Array) -> None:
    """The glints, rims and grains of a large spot, the largest first."""
    for i in np.argsort(-shape.length_px):
        if not keep[i] or shape.length_px[i] < HIDING_LENGTH_PX or rows[i, :2].sum() < HIDING_SCORE:
            continue
        gap = np.hypot(shape.x_px - shape.x_px[i], shape.y_px - shape.y_px[i])
        inner = gap < HIDDEN_WITHIN * shape.length_px[i]
        inner &= shape.length_px < HIDDEN_LENGTH * shape.length_px[i]
        inner[i] = False
        keep[inner] = False


def _drop_same_place(keep: NDArray[np.bool_], shape: Outline, rows: Array) -> None:
    for i in np.argsort(-rows[:, :3].sum(1)):
        if not keep[i]:
            continue
        gap = np.hypot(shape.x_px - shape.x_px[i], shape.y_px - shape.y_px[i])
        reach = np.maximum(SAME_PLACE_PX, SAME_PLACE_SHARE * np.minimum(shape.length_px, shape.length_px[i]))
        same = (gap < reach) & keep
        same[i] = False
        keep[same] = False
