"""The sheet's far edges, looked for in the photo when the set-up does not name the sheet's size.

The near edges lie at x = 0 and y = 0 of the sheet. A far edge is a line across or along the whole field:
sharp over a few pixels in nearly every row, with other light beyond it. Lamps and panels have soft borders,
scratches end, and a line that somebody drew has the same light on both sides.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frames import Frame
from vision.photo.setup_file import LARGEST_MM, PhotoSetup
from vision.results import ByteImage

ROWS = 24
SHARP_PX, SOFT_PX = 2, 16
SPREAD_PX = 2
MOST_ROWS = 0.2  # share of rows that may fail to show the edge: dirt, chips, a tag
LEAST_SHARP_SD = 3.5
EDGE_WIDTH_MM = 2.5
SIDE_PX = 24
LEAST_STEP_SD = 0.8
LEAST_STEP_SHARE = 0.015

Floats = NDArray[np.float64]


def with_seen_edges(grey: ByteImage, setup: PhotoSetup, frame: Frame) -> tuple[PhotoSetup, tuple[str, ...]]:
    """The set-up with far edges of the sheet as the photo shows them, and a sentence for each.

    A set-up that names the sheet's size comes back as it is.
    """
    if setup.sheet_mm is not None or setup.field_mm is None:
        return setup, ()
    width = far_edge_mm(grey, setup.field_mm, frame, axis=0)
    length = far_edge_mm(grey, setup.field_mm, frame, axis=1)
    if width is None and length is None:
        return setup, ()
    sentences = tuple(
        f"The photo shows a cut edge at {name} = {place:.0f} mm; nothing is looked for beyond it."
        for name, place in (("x", width), ("y", length))
        if place is not None
    )
    return replace(setup, sheet_mm=(width or LARGEST_MM, length or LARGEST_MM)), sentences


def far_edge_mm(
    grey: ByteImage, field_mm: tuple[float, float, float, float], frame: Frame, axis: int
) -> float | None:
    """Where the sheet ends inside the field along x (axis 0) or y
    (axis 1), in sheet mm; None where it does not."""
    low, high = max(field_mm[axis], 0.0), field_mm[axis + 2]
    other_low, other_high = max(field_mm[1 - axis], 0.0), field_mm[3 - axis]
    span = other_high - other_low
    if high <= low or span <= 0:
        return None
    middle = [(low + high) / 2, (other_low + other_high) / 2]
    step = float(frame.mm_per_px_at(frame.mm_to_px([middle if axis == 0 else middle[::-1]]))[0])
    across = np.arange(low, high, step)
    if len(across) < 6 * SOFT_PX:
        return None
    rows = other_low + (np.arange(ROWS) + 0.5) / ROWS * span * 0.8 + 0.1 * span
    value, known = _read(grey, frame, across, rows, axis)
    noise = (
        1.4826 * np.median(np.abs(np.diff(value, axis=1))[known[:, 1:]]) / np.sqrt(2) if known.any() else 0
    )
    noise = max(float(noise), 0.4)
    sharp = _sharpness(value, noise)
    sharp[~known] = np.inf  # rows that leave the photo neither help nor hinder, while enough stay
    rank = int(MOST_ROWS * ROWS)
    strength = np.where(known.mean(axis=0) > 0.7, np.partition(sharp, rank, axis=0)[rank], -np.inf)
    beyond = round(EDGE_WIDTH_MM / step) + 3
    for first in np.flatnonzero(strength > LEAST_SHARP_SD):
        if _light_changes(value, known, int(first), beyond, noise):
            # the first of the places that the edge's own sharpest one has spread to
            sharpest = int(first) + int(strength[first : first + 4 * SHARP_PX].argmax()) + SPREAD_PX
            return float(across[min(sharpest, len(across) - 1)])
    return None


def _read(
    grey: ByteImage, frame: Frame, across: Floats, rows: Floats, axis: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Grey values along lines of the sheet, shape (ROWS, len(across)), and where the photo has them."""
    grid_a, grid_r = np.meshgrid(across, rows)
    points = np.column_stack([grid_a.ravel(), grid_r.ravel()])
    px = frame.mm_to_px(points if axis == 0 else points[:, ::-1]).reshape(*grid_a.shape, 2)
    u, v = (np.ascontiguousarray(px[..., k], np.float32) - np.float32(0.5) for k in (0, 1))
    h, w = grey.shape
    known = (u >= 0) & (v >= 0) & (u <= w - 1) & (v <= h - 1)
    value = cv2.remap(grey, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return value.astype(np.float64), known


def _sharpness(value: Floats, noise: float) -> Floats:
    """Change over a few pixels beyond what a soft border would
    give, in sd, best within two pixels of each place."""
    near = _change(value, SHARP_PX)
    far = _change(value, SOFT_PX) * (SHARP_PX / SOFT_PX) * 1.5
    sharp = (near - far) / (noise * np.sqrt(2.0))
    wide: Floats = cv2.dilate(sharp, np.ones((1, 2 * SPREAD_PX + 1), np.uint8)).astype(np.float64)
    return wide


def _change(value: Floats, reach: int) -> Floats:
    """|value ahead - value behind| at `reach` pixels, the ends held."""
    framed = np.pad(value, ((0, 0), (reach, reach)), mode="edge")
    result: Floats = np.abs(framed[:, 2 * reach :] - framed[:, : -2 * reach])
    return result


def _light_changes(value: Floats, known: NDArray[np.bool_], place: int, beyond: int, noise: float) -> bool:
    """Whether the light beyond a place differs from that before it, the same way in nearly every row."""
    before, after = (
        slice(max(place - beyond - SIDE_PX, 0), place - beyond),
        slice(place + beyond, place + beyond + SIDE_PX),
    )
    if place - beyond < SIDE_PX // 2 or place + beyond + SIDE_PX // 2 > value.shape[1]:
        return False
    good = known[:, before].all(axis=1) & known[:, after].all(axis=1)
    if good.sum() < ROWS // 2:
        return False
    first, second = value[good, before].mean(axis=1), value[good, after].mean(axis=1)
    step = second - first
    size = float(np.median(np.abs(step)))
    alike = max(float((step > 0).mean()), float((step < 0).mean()))
    level = max(float(np.median(first)), 1.0)
    return alike > 0.85 and size > LEAST_STEP_SD * noise and size > LEAST_STEP_SHARE * level
