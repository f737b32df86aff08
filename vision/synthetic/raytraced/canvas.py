"""Where features are laid into the picture with the right flux at any size.

A feature is computed in scene light on a fine grid round its place, averaged down, blurred by the point
spread on a grid that still resolves it, and only then summed over pixels. So a seed of an eighth of a pixel
keeps its light and its sub-pixel place. The picture itself is never blurred as a whole: what is smooth
(lamps, haze) needs no blur, what is sharp comes as a patch or as an analytic edge. Left out by this: blur
across two overlapping features multiplies them after blurring each, instead of before.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.synthetic.point_spread import Blur, spread
from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.raytraced.scene import Floats, Plane

SETTLED = 4
"""Subsamples per pixel and axis on which the point spread acts."""
LARGE_PX = 160
"""Side of a patch above which it is clipped to the picture before it is computed."""


class Canvas:
    """The picture in linear light: `planes`, float32, shape (H, W, 3), and what is needed to lay patches into
    it.
    """

    def __init__(self, planes: Plane, projection: Projection, blur: Blur) -> None:
        self.planes = planes
        self.projection = projection
        self.blur = blur
        self.height, self.width = planes.shape[:2]

    def patch(
        self, centre_mm: tuple[float, float], reach_mm: float, finest_mm: float, most: int = 640
    ) -> PatchGrid | None:
        """A grid `reach_mm` round a sheet point that resolves `finest_mm`, or None where it misses the
        picture.

        `most` caps the samples along one side; a large feature then gets a coarser grid, never below two a
        pixel.
        """
        centre = self.projection.mm_to_px([centre_mm])[0]
        jacobian = self.projection.jacobian(centre_mm)
        px_per_mm = float(np.sqrt(abs(np.linalg.det(jacobian))))
        reach = np.abs(jacobian).sum(axis=1) * reach_mm + 3 * self.blur.sigma_px + 1.5
        x0, y0 = np.floor(centre - reach).astype(int)
        x1, y1 = np.ceil(centre + reach).astype(int)
        if x1 <= 0 or y1 <= 0 or x0 >= self.width or y0 >= self.height:
            return None
        if max(x1 - x0, y1 - y0) > LARGE_PX:
            # of a large thing only what shows is drawn, with room for the point spread over the border
            room = int(np.ceil(4 * self.blur.sigma_px)) + 4
            x0, y0 = max(x0, -room), max(y0, -room)
            x1, y1 = min(x1, self.width + room), min(y1, self.height + room)
        side = max(x1 - x0, y1 - y0)
        wanted = int(np.ceil(1 / max(px_per_mm * finest_mm, 1e-6)))
        settled = SETTLED if side * SETTLED <= 2 * most else 2
        if side * 2 > 3 * most:
            settled = 1
        times = max(1, min(-(-wanted // settled), most // (side * settled)))
        return PatchGrid(self, (x0, y0, x1, y1), centre, np.linalg.inv(jacobian), settled, times)

    def lay(self, box: tuple[int, int, int, int], times: Plane | None, plus: Plane | None) -> None:
        """picture = picture * times + plus inside box (x0, y0, x1, y1); what sticks out is cut off."""
        x0, y0, x1, y1 = box
        cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, self.width), min(y1, self.height)
        if cx0 >= cx1 or cy0 >= cy1:
            return
        cut = np.s_[cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0]
        target = self.planes[cy0:cy1, cx0:cx1]
        if times is not None:
            target *= times[cut] if times.ndim == 3 else times[cut][..., None]
        if plus is not None:
            target += plus[cut] if plus.ndim == 3 else plus[cut][..., None]

    def cut(self, box: tuple[int, int, int, int]) -> tuple[slice, slice]:
        """Rows and columns of the part of a box that lies inside the picture."""
        x0, y0, x1, y1 = box
        return slice(max(y0, 0), min(y1, self.height)), slice(max(x0, 0), min(x1, self.width))


@dataclass
class PatchGrid:
    """The fine grid of one feature: `x_mm`, `y_mm` relative to its centre, and the way back to pixels."""

    canvas: Canvas
    box: tuple[int, int, int, int]
    centre_px: Floats
    mm_of_px: Floats
    settled: int
    times: int

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = self.box
        fine = self.settled * self.times
        u = x0 + (np.arange((x1 - x0) * fine) + 0.5) / fine - self.centre_px[0]
        v = y0 + (np.arange((y1 - y0) * fine) + 0.5) / fine - self.centre_px[1]
        m = self.mm_of_px
        self.x_mm: Plane = (m[0, 0] * u[None, :] + m[0, 1] * v[:, None]).astype(np.float32)
        self.y_mm: Plane = (m[1, 0] * u[None, :] + m[1, 1] * v[:, None]).astype(np.float32)

    @property
    def fine_mm(self) -> float:
        """Spacing of the fine grid on the sheet."""
        return float(np.sqrt(abs(np.linalg.det(self.mm_of_px)))) / (self.settled * self.times)

    def turned(self, angle_deg: float) -> tuple[Plane, Plane]:
        """The grid's coordinates along and across a sheet direction, in mm."""
        c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
        return self.x_mm * np.float32(c) + self.y_mm * np.float32(s), self.y_mm * np.float32(
            c
        ) - self.x_mm * np.float32(s)

    def to_fine(self, points_mm: Floats) -> Floats:
        """Points relative to the centre (mm, shape (N, 2)) in samples of the fine grid, outer-corner
        convention.
        """
        fine = self.settled * self.times
        px = points_mm @ np.linalg.inv(self.mm_of_px).T + self.centre_px
        return (px - np.array(self.box[:2])) * fine

    def settle(self, values: Plane) -> Plane:
        """Fine samples to pixels: averaged, blurred by the point spread, averaged over the pixel's area."""
        x0, y0, x1, y1 = self.box
        size = ((x1 - x0) * self.settled, (y1 - y0) * self.settled)
        middle = cv2.resize(values, size, interpolation=cv2.INTER_AREA) if self.times > 1 else values
        middle = spread(middle, self.canvas.blur, self.settled)
        pixels: Plane = (
            cv2.resize(middle, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
            if self.settled > 1
            else middle
        )
        return pixels
