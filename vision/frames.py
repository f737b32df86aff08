"""Photo pixels to sheet millimetres and back: the only place with that arithmetic.

A frame is a homography followed by the radial distortion of the lens:

    (u, v, w) = inverse(homography) @ (X_mm, Y_mm, 1);  ideal = (u / w, v / w)
    bent = ideal * (1 + k1 |ideal|^2 + k2 |ideal|^4)
    p_px = centre_px + norm_px * bent

Sheet to photo is closed; photo to sheet solves the polynomial for the radius by Newton steps.
Radial model: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.errors import StageError
from vision.one_thread import product

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
        """A camera that looks at the sheet square-on: the outer
        corner of pixel (0, 0) lies at (x0_mm, y0_mm)."""
        return cls((mm_per_px, 0.0, x0_mm, 0.0, mm_per_px, y0_mm, 0.0, 0.0, 1.0), (0.0, 0.0), 1.0)

    def px_to_mm(self, points_px: ArrayLike) -> Points:
        """Sheet places of photo places. points_px : shape (N, 2); returns shape (N, 2), mm."""
        bent = (_points(points_px) - np.asarray(self.centre_px)) / self.norm_px
        u = self._straighten(bent)
        h = np.asarray(self.homography).reshape(3, 3)
        xyw = product(u, h[:, :2].T) + h[:, 2]
        result: Points = xyw[:, :2] / xyw[:, 2:]
        return result

    def mm_to_px(self, points_mm: ArrayLike) -> Points:
        """Photo places of sheet places. points_mm : shape (N, 2);
        returns shape (N, 2), px (outside allowed)."""
        mm = _points(points_mm)
        inverse = np.linalg.inv(np.asarray(self.homography).reshape(3, 3))
        uvw = product(mm, inverse[:, :2].T) + inverse[:, 2]
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
        offsets = np.array([[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]])
        around = self.px_to_mm((points[None] + offsets[:, None]).reshape(-1, 2)).reshape(4, -1, 2)
        return np.stack([around[0] - around[1], around[2] - around[3]], axis=2) / (2 * step)

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

    def _bend(self, ideal: Points) -> Points:
        if self.k1 == 0.0 and self.k2 == 0.0:
            return ideal
        r2 = np.sum(ideal * ideal, axis=1, keepdims=True)
        bent: Points = ideal * (1.0 + self.k1 * r2 + self.k2 * r2 * r2)
        return bent

    def _straighten(self, bent: Points) -> Points:
        return straightened(bent, self.k1, self.k2)


def straightened(bent: Points, k1: float, k2: float) -> Points:
    """Where places bent by the lens would lie without it, both in units of the frame's norm: Newton's method
    on the radius.
    """
    if k1 == 0.0 and k2 == 0.0:
        return bent
    bent_radius = np.hypot(bent[:, :1], bent[:, 1:])
    r = bent_radius / (1.0 + k1 * bent_radius**2)
    for _ in range(8):  # two or three steps do for any lens in use
        r2 = r * r
        slope = np.maximum(1.0 + r2 * (3 * k1 + 5 * k2 * r2), 0.2)
        change = (r * (1.0 + r2 * (k1 + k2 * r2)) - bent_radius) / slope
        r -= change
        if np.abs(change).max(initial=0.0) < 1e-11:
            break
    r2 = r * r
    ideal: Points = bent / (1.0 + k1 * r2 + k2 * r2 * r2)
    return ideal


def _points(points: ArrayLike) -> Points:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2:
        msg = f"points: shape {array.shape}; expected (N, 2)"
        raise StageError(msg)
    return array
