"""Sheet millimetres to image pixels and back, for the rendering camera.

Pixel convention: (0, 0) is the outer corner of the first pixel, its centre lies at (0.5, 0.5).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from vision.synthetic.raytraced.scene import Camera, Floats


class Projection:
    """The mapping of one camera. Raises ValueError where the tilt leaves part of the picture without a sheet
    plane.
    """

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        self.middle = np.array([camera.width_px / 2, camera.height_px / 2])
        self.half_diagonal_px = float(np.hypot(*self.middle))
        tilt, azimuth, roll = np.deg2rad([camera.tilt_deg, camera.tilt_azimuth_deg, camera.roll_deg])
        turn = _rotation_z(azimuth) @ _rotation_x(tilt) @ _rotation_z(-azimuth) @ _rotation_z(roll)
        distance_mm = camera.focal_px * camera.mm_per_px
        intrinsic = np.array(
            [[camera.focal_px, 0, self.middle[0]], [0, camera.focal_px, self.middle[1]], [0, 0, 1]]
        )
        pose = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, distance_mm]])
        shift = np.array([[1, 0, -camera.centre_mm[0]], [0, 1, -camera.centre_mm[1]], [0, 0, 1]])
        self.homography: Floats = intrinsic @ pose @ shift
        self.inverse: Floats = np.linalg.inv(self.homography)

    def mm_to_px(self, points_mm: ArrayLike) -> Floats:
        """points_mm : float array, shape (N, 2). Returns pixels of the same shape."""
        ideal = _apply(self.homography, points_mm) - self.middle
        r2 = (ideal**2).sum(axis=1, keepdims=True) / self.half_diagonal_px**2
        return self.middle + ideal * (1 + self.camera.k1 * r2 + self.camera.k2 * r2**2)

    def px_to_mm(self, points_px: ArrayLike) -> Floats:
        """points_px : float array, shape (N, 2). The radial terms are undone by fixed-point steps (error <
        1e-6 px).
        """
        distorted = np.asarray(points_px, dtype=float) - self.middle
        ideal = distorted.copy()
        if self.camera.k1 or self.camera.k2:
            for _ in range(25):
                r2 = (ideal**2).sum(axis=1, keepdims=True) / self.half_diagonal_px**2
                ideal = distorted / (1 + self.camera.k1 * r2 + self.camera.k2 * r2**2)
        return _apply(self.inverse, ideal + self.middle)

    def jacobian(self, point_mm: ArrayLike) -> Floats:
        """Pixels per millimetre at a point, shape (2, 2): columns are the images of the x and y steps."""
        x, y = np.asarray(point_mm, dtype=float)
        step = 0.5 * self.camera.mm_per_px
        ends = self.mm_to_px([[x + step, y], [x - step, y], [x, y + step], [x, y - step]])
        return np.column_stack([ends[0] - ends[1], ends[2] - ends[3]]) / (2 * step)

    def mm_per_px_at(self, point_mm: ArrayLike) -> float:
        """Side of a square with the area of one pixel on the sheet."""
        return float(1 / np.sqrt(abs(np.linalg.det(self.jacobian(point_mm)))))

    def mm_map(self, step_px: int) -> tuple[Floats, tuple[int, int]]:
        """Sheet points of a grid over the picture, shape (rows, columns, 2), one node each `step_px`."""
        columns = -(-self.camera.width_px // step_px) + 1
        rows = -(-self.camera.height_px // step_px) + 1
        grid_x, grid_y = np.meshgrid((np.arange(columns) + 0.5) * step_px, (np.arange(rows) + 0.5) * step_px)
        points = self.px_to_mm(np.column_stack([grid_x.ravel(), grid_y.ravel()]))
        return points.reshape(rows, columns, 2), (columns * step_px, rows * step_px)


def _apply(matrix: Floats, points: ArrayLike) -> Floats:
    xy = np.asarray(points, dtype=float)
    lifted = xy @ matrix[:, :2].T + matrix[:, 2]
    if np.any(lifted[:, 2] <= 0):
        raise ValueError(
            "camera tilt leaves part of the picture above the horizon: lower tilt_deg or raise focal_px"
        )
    return lifted[:, :2] / lifted[:, 2:]


def _rotation_x(angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def _rotation_z(angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
