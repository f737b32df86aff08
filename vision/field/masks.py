"""Which pixels show glass that is to be looked at: field, sheet, tags and blown-out places.

The field and the sheet's cut edges are drawn from the set-up through the frame, so a backdrop past the cut
edge is left out wherever the set-up names the sheet's size (and its two edges at x = 0 and y = 0 are always
known).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.field.hidden import BLOWN_OUT, OUTSIDE, TAG, boxes_of
from vision.frames import Frame
from vision.geometry.tag_sides import MODULES_ACROSS
from vision.geometry.tags import SeenTag
from vision.one_thread import product
from vision.photo.setup_file import PhotoSetup
from vision.results import ByteImage, Hidden, Rectangle

EDGE_MARGIN_MM = 1.5
EDGE_MARGIN_PX = 4.0
QUIET_ZONE_MODULES = 1.6
SATURATED = 251
SUBPIXEL_BITS = 4
GRID_CELLS, GRID_NODES = 160, 33  # along and across the field: for shares and boxes, not for finds

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class VisibleField:
    """What of the field the photo shows.

    mask : uint8, shape (H, W), 255 on glass inside the field; covered_mm : bounding box in sheet mm (None
    without a frame); fraction : of the field's glass that the mask shows; hidden_fraction : of the field
    inside the photo that is blown out; hidden : where in the box no glass was looked at
    """

    mask: ByteImage
    covered_mm: Rectangle | None
    fraction: float | None
    hidden_fraction: float
    glass_mm: Rectangle | None = None
    looked_at_mm: Rectangle | None = None
    hidden: tuple[Hidden, ...] = ()

    def gap_to_cut_edge_mm(self, points_mm: Floats) -> Floats:
        """Distance of sheet points, shape (N, 2), from the strip along the nearest cut edge; < 0 inside the
        strip.

        Infinite where the field has no cut edge.
        """
        gap = np.full(len(points_mm), np.inf)
        if self.glass_mm is None or self.looked_at_mm is None:
            return gap
        for side in range(4):
            if self.glass_mm[side] != self.looked_at_mm[side]:
                inwards = points_mm[:, side % 2] - self.looked_at_mm[side]
                gap = np.minimum(gap, inwards if side < 2 else -inwards)
        return gap


def visible_field(
    grey: ByteImage, setup: PhotoSetup | None, frame: Frame | None, tags: list[SeenTag]
) -> VisibleField:
    """The mask of what is to be looked at, and how much of the field it covers.

    grey : uint8, shape (H, W); setup, frame : None when nobody knows; tags : as found in the photo
    """
    h, w = grey.shape
    if setup is None or frame is None or setup.field_mm is None:
        mask = np.full((h, w), 255, np.uint8)
        for tag in tags:
            _draw(mask, _grown(tag.corners_px), 0)
        return VisibleField(mask, None, None, _hide_saturated(grey, mask))
    rectangle = glass_of_field(setup)
    mask = np.zeros((h, w), np.uint8)
    trimmed = _trim_cut_edges(rectangle, setup, frame, (h, w))
    _draw(mask, frame.mm_to_px(_outline(trimmed)), 255)
    papers = [_grown(np.asarray(corners, np.float64)) for _, corners in setup.tags]
    for paper in papers:
        _draw(mask, frame.mm_to_px(paper), 0)
    blown_out = _hide_saturated(grey, mask)
    fraction, box, hidden = _coverage(mask, frame, rectangle, trimmed, papers)
    return VisibleField(mask, box, fraction, blown_out, rectangle, trimmed, hidden)


def glass_of_field(setup: PhotoSetup) -> Rectangle:
    """The part of the field that is sheet: cut off at x = 0, y =
    0 and, where the set-up names them, at the sheet's far edges."""
    if setup.field_mm is None:
        return 0.0, 0.0, 0.0, 0.0
    x0, y0, x1, y1 = setup.field_mm
    x0, y0 = max(x0, 0.0), max(y0, 0.0)
    if setup.sheet_mm is not None:
        x1, y1 = min(x1, setup.sheet_mm[0]), min(y1, setup.sheet_mm[1])
    return x0, y0, x1, y1


def _trim_cut_edges(
    rectangle: Rectangle, setup: PhotoSetup, frame: Frame, shape: tuple[int, int]
) -> Rectangle:
    """Step back from cut edges inside the photo: the edge itself
    is bright or dark and a millimetre or two wide."""
    x0, y0, x1, y1 = rectangle
    middle = frame.mm_to_px([((x0 + x1) / 2, (y0 + y1) / 2)])
    middle = np.clip(middle, 0, [shape[1], shape[0]])
    margin = EDGE_MARGIN_MM + EDGE_MARGIN_PX * float(frame.mm_per_px_at(middle)[0])
    if x0 <= 0.0:
        x0 = margin
    if y0 <= 0.0:
        y0 = margin
    if setup.sheet_mm is not None:
        if x1 >= setup.sheet_mm[0]:
            x1 = setup.sheet_mm[0] - margin
        if y1 >= setup.sheet_mm[1]:
            y1 = setup.sheet_mm[1] - margin
    return x0, y0, max(x1, x0), max(y1, y0)


def _outline(rectangle: Rectangle, pieces: int = 24) -> Floats:
    """The rectangle's border as a polygon with enough corners to follow a bent picture."""
    x0, y0, x1, y1 = rectangle
    t = np.linspace(0.0, 1.0, pieces, endpoint=False)
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    return np.concatenate([corners[i] + t[:, None] * (corners[(i + 1) % 4] - corners[i]) for i in range(4)])


def _grown(corners: Floats) -> Floats:
    """A tag with the white margin it was printed on."""
    middle = corners.mean(axis=0)
    grown: Floats = middle + (corners - middle) * (1.0 + 2.0 * QUIET_ZONE_MODULES / MODULES_ACROSS)
    return grown


def _draw(mask: ByteImage, polygon_px: Floats, value: int) -> None:
    """Fill a polygon; OpenCV counts from pixel centres, hence the half pixel."""
    limit = 4.0 * max(mask.shape)
    points = np.clip(polygon_px - 0.5, -limit, limit) * (1 << SUBPIXEL_BITS)
    cv2.fillPoly(mask, [np.round(points).astype(np.int32)], value, shift=SUBPIXEL_BITS)


def _hide_saturated(grey: ByteImage, mask: ByteImage) -> float:
    """Take wide blown-out places out of the mask; small ones are defects that shine. Returns their share."""
    h, w = grey.shape
    block = 8
    blown = (grey[block // 2 :: block, block // 2 :: block] >= SATURATED).astype(np.uint8)
    if not blown.any():
        return 0.0
    wide = cv2.morphologyEx(blown, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    if not wide.any():
        return 0.0
    wide = cv2.dilate(wide, np.ones((5, 5), np.uint8)) & cv2.dilate(blown, np.ones((3, 3), np.uint8))
    before = cv2.countNonZero(mask)
    whole = cv2.resize(wide, (w, h), interpolation=cv2.INTER_NEAREST)
    mask[whole > 0] = 0
    return 1.0 - cv2.countNonZero(mask) / before if before else 0.0


def _grid_in_photo(frame: Frame, rectangle: Rectangle) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Column and row of the pixel at the middle of every grid cell, each of shape (GRID_CELLS, GRID_CELLS).

    Straight between nodes a few cells apart: a bent picture departs from that by less than a pixel.
    """
    x0, y0, x1, y1 = rectangle
    nodes = np.linspace(0.0, 1.0, GRID_NODES)
    at = np.stack(np.meshgrid(x0 + nodes * (x1 - x0), y0 + nodes * (y1 - y0)), axis=-1)
    px = frame.mm_to_px(at.reshape(-1, 2)).reshape(GRID_NODES, GRID_NODES, 2)
    middle = (np.arange(GRID_CELLS) + 0.5) / GRID_CELLS * (GRID_NODES - 1)
    share = np.maximum(1.0 - np.abs(middle[:, None] - np.arange(GRID_NODES)), 0.0)
    u, v = (np.floor(product(product(share, px[..., k]), share.T)).astype(np.int64) for k in (0, 1))
    return u, v


def _coverage(
    mask: ByteImage, frame: Frame, rectangle: Rectangle, trimmed: Rectangle, papers: list[Floats]
) -> tuple[float, Rectangle | None, tuple[Hidden, ...]]:
    """Share of the rectangle's area that was looked at, counted on a grid of sheet points; its box in mm; and
    what of the box was not looked at.

    The strip along a cut edge counts as looked at: what lies there is the edge, which the photo shows.
    papers : corners of the tags with their margins, shape (4, 2), mm
    """
    x0, y0, x1, y1 = rectangle
    if x1 <= x0 or y1 <= y0:
        return 0.0, None, ()
    h, w = mask.shape
    xs, ys = np.linspace(x0, x1, GRID_CELLS + 1), np.linspace(y0, y1, GRID_CELLS + 1)
    grid_x, grid_y = np.meshgrid(0.5 * (xs[1:] + xs[:-1]), 0.5 * (ys[1:] + ys[:-1]))
    u, v = _grid_in_photo(frame, rectangle)
    inside = (u >= 0) & (v >= 0) & (u < w) & (v < h)
    strip = (grid_x < trimmed[0]) | (grid_x > trimmed[2]) | (grid_y < trimmed[1]) | (grid_y > trimmed[3])
    seen = inside & strip
    seen[inside] |= mask[v[inside], u[inside]] > 0
    if not seen.any():
        return 0.0, None, ()
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    box = float(xs[columns[0]]), float(ys[rows[0]]), float(xs[columns[-1] + 1]), float(ys[rows[-1] + 1])
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    borders = xs[columns[0] : columns[-1] + 2], ys[rows[0] : rows[-1] + 2]
    half_x, half_y = (xs[1] - xs[0]) / 2, (ys[1] - ys[0]) / 2
    under = np.zeros_like(seen)
    hidden = []
    for (ax, ay), (bx, by) in [(paper.min(axis=0), paper.max(axis=0)) for paper in papers]:
        # half a cell more: the tag's border lies somewhere in a pixel
        under |= (
            (grid_x >= ax - half_x)
            & (grid_x <= bx + half_x)
            & (grid_y >= ay - half_y)
            & (grid_y <= by + half_y)
        )
        left, top = max(float(ax), box[0], trimmed[0]), max(float(ay), box[1], trimmed[1])
        right, bottom = min(float(bx), box[2], trimmed[2]), min(float(by), box[3], trimmed[3])
        # a tag beside the sheet may reach over its edge by the margin it was printed with
        if right - left > half_x and bottom - top > half_y:
            hidden.append(Hidden(TAG, (left, top, right, bottom)))
    hidden += boxes_of((inside & ~seen & ~under)[part], BLOWN_OUT, *borders)
    hidden += boxes_of((~inside & ~under)[part], OUTSIDE, *borders)
    return float(seen.mean()), box, tuple(hidden)
