"""What several photos together cover of a sheet, and the smallest size that can be measured where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import StageError
from vision.frames import Frame
from vision.hidden import TAG

CELLS_ALONG = 240
TILE_MM = 500.0
NEGLIGIBLE_SHARE = 0.002


@dataclass(frozen=True, slots=True)
class SheetMap:
    """A grid over the sheet.

    smallest_mm : shape (rows, columns), smallest nucleus that some photo can size in the cell, NaN where
    none looks;
        rows run along y, columns along x, the first cell at the sheet's origin
    width_mm, length_mm : of the sheet, across and along the ribbon
    under_tags : shape (rows, columns), covered, but by photos alone that have a tag there
    """

    smallest_mm: NDArray[np.float64]
    width_mm: float
    length_mm: float
    under_tags: NDArray[np.bool_]

    @property
    def under_tags_m2(self) -> float:
        """Glass that lay under tags in every photo that covers it."""
        return float(self.under_tags.mean()) * self.width_mm * self.length_mm / 1e6

    def covered_fraction(self, size_mm: float | None = None) -> float:
        """Share of the sheet that is photographed, finely enough to size `size_mm` if that is given."""
        return float(self._good(size_mm).mean())

    def holes(self, size_mm: float | None = None) -> list[tuple[float, float, float, float]]:
        """Parts still to be photographed, largest first: bounding boxes (x0, y0, x1, y1) in mm.

        Slivers of less than 0.2 % of the sheet are left out.
        """
        missing = (~self._good(size_mm)).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(missing, connectivity=4)
        rows, columns = missing.shape
        step_x, step_y = self.width_mm / columns, self.length_mm / rows
        boxes = []
        for k in np.argsort(-stats[1:count, cv2.CC_STAT_AREA], kind="stable") + 1:
            x, y, w, h, area = (int(v) for v in stats[k])
            if area < NEGLIGIBLE_SHARE * missing.size:
                continue
            boxes.append((x * step_x, y * step_y, (x + w) * step_x, (y + h) * step_y))
        return boxes

    def missing_tiles(self, size_mm: float | None = None) -> list[str]:
        """Names of the tiles (about half a metre wide; letters across, numbers along) that lack coverage."""
        good = self._good(size_mm)
        rows, columns = good.shape
        across, along = tile_counts(self.width_mm, self.length_mm)
        names = []
        for i in range(along):
            for j in range(across):
                r0, r1 = i * rows // along, max((i + 1) * rows // along, i * rows // along + 1)
                c0, c1 = j * columns // across, max((j + 1) * columns // across, j * columns // across + 1)
                if float(good[r0:r1, c0:c1].mean()) < 0.98:
                    names.append(f"{tile_letter(j)}{i + 1}")
        return names

    def _good(self, size_mm: float | None) -> NDArray[np.bool_]:
        seen = np.isfinite(self.smallest_mm)
        if size_mm is None:
            return seen
        return seen & (np.where(seen, self.smallest_mm, np.inf) <= size_mm)


def tile_counts(width_mm: float, length_mm: float) -> tuple[int, int]:
    """Tiles across and along a sheet, each about half a metre."""
    return max(1, round(width_mm / TILE_MM)), max(1, round(length_mm / TILE_MM))


def tile_letter(index: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def map_of_results(results: Sequence[dict[str, Any]], width_mm: float, length_mm: float) -> SheetMap:
    """Put together what photos cover. results : as `Inspection.to_dict()` gives them; others than sized ones
    count nil.

    Raises StageError when the sheet has no area.
    """
    if not (width_mm > 0 and length_mm > 0):
        msg = f"sheet of {width_mm:g} x {length_mm:g} mm; expected a width and a length above 0"
        raise StageError(msg)
    cell = max(width_mm, length_mm) / CELLS_ALONG
    columns, rows = max(1, math.ceil(width_mm / cell)), max(1, math.ceil(length_mm / cell))
    smallest = np.full((rows, columns), np.nan)
    bare = np.zeros((rows, columns), bool)
    x = (np.arange(columns) + 0.5) * width_mm / columns
    y = (np.arange(rows) + 0.5) * length_mm / rows
    for result in results:
        covered, limit, frame = (result.get(key) for key in ("covered_mm", "smallest_sized_mm", "frame"))
        if covered is None or limit is None or frame is None or not result.get("covered_fraction"):
            continue
        xs = np.flatnonzero((x >= covered[0]) & (x <= covered[2]))
        ys = np.flatnonzero((y >= covered[1]) & (y <= covered[3]))
        if not len(xs) or not len(ys):
            continue
        grid_x, grid_y = (grid.ravel() for grid in np.meshgrid(x[xs], y[ys]))
        px = Frame.from_dict(frame).mm_to_px(np.column_stack([grid_x, grid_y]))
        inside = (px[:, 0] >= 0) & (px[:, 1] >= 0)
        inside &= (px[:, 0] <= result["width_px"]) & (px[:, 1] <= result["height_px"])
        tagged = np.zeros(inside.shape, bool)
        for place in result.get("hidden") or ():
            x0, y0, x1, y1 = place["box_mm"]
            here = (grid_x >= x0) & (grid_x <= x1) & (grid_y >= y0) & (grid_y <= y1)
            if place["by"] == TAG:
                tagged |= here
            else:
                inside &= ~here
        bare[np.ix_(ys, xs)] |= (inside & ~tagged).reshape(len(ys), len(xs))
        block = smallest[np.ix_(ys, xs)]
        smallest[np.ix_(ys, xs)] = np.where(
            inside.reshape(len(ys), len(xs)), np.fmin(block, float(limit)), block
        )
    return SheetMap(smallest, width_mm, length_mm, np.isfinite(smallest) & ~bare)
