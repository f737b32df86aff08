"""Photo pixels to sheet millimetres and back: the only place with that arithmetic.

A frame is a homography after a radial distortion of the lens:

    n = (p - centre) / norm_px                        centred pixels in units of `norm_px`
    u = n * (1 + k1 |n|^2 + k2 |n|^4)                 distorted -> ideal pinhole (the "division-free"
    polynomial form)
    (X, Y, W) = homography @ (u, v, 1);  mm = (X / W, Y / W)

The polynomial runs from the photo to the ideal picture, so px -> mm is closed and mm -> px is solved by
Newton steps.
Radial model: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971), with the
distorted radius as argument.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.errors import StageError

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Frame:
    """Where each pixel of the upright photo lies on the sheet.

    homography : 9 numbers, row by row, from undistorted normalised picture coordinates to sheet mm
    centre_px : centre of the radial distortion; norm_px : length that makes picture coordinates about 1
    k1, k2 : radial distortion, dimensionless
    """

    homography: tuple[float, ...]
    centre_px: tuple[float, float]
    norm_px: float
    k1: float = 0.0
    k2: float = 0.0

    @classmethod
    def square_on(cls, mm_per_px: float, x0_mm: float, y0_mm: float) -> Frame:
        """A camera that looks at the sheet square-on: the outer corner of pixel (0, 0) lies at (x0_mm,
        y0_mm)."""
        return cls((mm_per_px, 0.0, x0_mm, 0.0, mm_per_px, y0_mm, 0.0, 0.0, 1.0), (0.0, 0.0), 1.0)

    def px_to_mm(self, points_px: ArrayLike) -> Points:
        """Sheet places of photo places. points_px : shape (N, 2); returns shape (N, 2), mm."""
        u = self._straighten(_points(points_px))
        h = np.asarray(self.homography).reshape(3, 3)
        xyw = u @ h[:, :2].T + h[:, 2]
        result: Points = xyw[:, :2] / xyw[:, 2:]
        return result

    def mm_to_px(self, points_mm: ArrayLike) -> Points:
        """Photo places of sheet places. points_mm : shape (N, 2); returns shape (N, 2), px (outside
        allowed)."""
        mm = _points(points_mm)
        inverse = np.linalg.inv(np.asarray(self.homography).reshape(3, 3))
        uvw = mm @ inverse[:, :2].T + inverse[:, 2]
        ideal = uvw[:, :2] / uvw[:, 2:]
        result: Points = self._bend(ideal) * self.norm_px + np.asarray(self.centre_px)
        return result

    def mm_per_px_at(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Local scale, shape (N,): the square root of the area in mm2 that one pixel covers there."""
        matrices = self.jacobian_at(points_px)
        return np.sqrt(np.abs(np.linalg.det(matrices)))

    def jacobian_at(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """d(mm)/d(px), shape (N, 2, 2): row = x_mm, y_mm; column = x_px, y_px."""
        points = _points(points_px)
        step = 0.5
        columns = []
        for offset in ((step, 0.0), (0.0, step)):
            ahead, behind = self.px_to_mm(points + offset), self.px_to_mm(points - offset)
            columns.append((ahead - behind) / (2 * step))
        return np.stack(columns, axis=2)

    def to_dict(self) -> dict[str, Any]:
        return {
            "homography": [float(v) for v in self.homography],
            "centre_px": [float(v) for v in self.centre_px],
            "norm_px": float(self.norm_px),
            "k1": float(self.k1),
            "k2": float(self.k2),
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Frame:
        """The frame that `to_dict` wrote. Raises StageError when the numbers are not a frame."""
        try:
            homography = tuple(float(v) for v in data["homography"])
            centre = (float(data["centre_px"][0]), float(data["centre_px"][1]))
            frame = cls(homography, centre, float(data["norm_px"]), float(data["k1"]), float(data["k2"]))
        except (KeyError, TypeError, ValueError, IndexError) as error:
            msg = f"frame: not readable ({error}); expected homography, centre_px, norm_px, k1 and k2"
            raise StageError(msg) from None
        if len(homography) != 9:
            msg = f"frame.homography: {len(homography)} numbers; expected 9"
            raise StageError(msg)
        return frame

    def _straighten(self, points_px: Points) -> Points:
        n = (points_px - np.asarray(self.centre_px)) / self.norm_px
        r2 = np.sum(n * n, axis=1, keepdims=True)
        straight: Points = n * (1.0 + self.k1 * r2 + self.k2 * r2 * r2)
        return straight

    def _bend(self, ideal: Points) -> Points:
        """Inverse of the radial polynomial, by Newton's method on the radius."""
        radius = np.sqrt(np.sum(ideal * ideal, axis=1, keepdims=True))
        r = radius.copy()
        for _ in range(12):
            r2 = r * r
            slope = np.maximum(1.0 + 3 * self.k1 * r2 + 5 * self.k2 * r2 * r2, 0.1)
            r = r - (r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - radius) / slope
        with np.errstate(invalid="ignore", divide="ignore"):
            factor = np.where(radius > 1e-12, r / np.where(radius > 1e-12, radius, 1.0), 1.0)
        bent: Points = ideal * factor
        return bent


def _points(points: ArrayLike) -> Points:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2:
        msg = f"points: shape {array.shape}; expected (N, 2)"
        raise StageError(msg)
    return array
