"""Photos of four printed tags through a camera with tilt and distortion, drawn with exact borders."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from PIL import Image

from vision.frames import Frame

MODULES = 7
INK, PAPER = 0.04, 0.6


@dataclass
class TagPhoto:
    """A drawn photo with the frame it was drawn through. `tags` : corners as in a set-up."""

    grey: np.ndarray
    frame: Frame
    field_mm: tuple[float, float, float, float]
    tags: dict[int, list[list[float]]]
    setup: dict[str, Any] = field(default_factory=dict)

    def png(self) -> bytes:
        out = io.BytesIO()
        Image.fromarray(self.grey).save(out, "PNG", compress_level=1)
        return out.getvalue()


def camera(
    width: int, height: int, mm_per_px: float, tilt_deg: float, azimuth_deg: float, k1: float
) -> Frame:
    """A pinhole over sheet point (500, 400) mm, tilted about an axis of the sheet, with one radial term."""
    focal = 1.3 * width
    tilt, azimuth = math.radians(tilt_deg), math.radians(azimuth_deg)

    def about_z(a: float) -> np.ndarray:
        return np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])

    about_x = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])
    turn = about_z(azimuth) @ about_x @ about_z(-azimuth)
    pose = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, focal * mm_per_px]])
    shift = np.array([[1, 0, -500.0], [0, 1, -400.0], [0, 0, 1]])
    norm = math.hypot(width, height) / 2
    to_sheet = np.linalg.inv(np.diag([focal / norm, focal / norm, 1.0]) @ pose @ shift)
    return Frame(tuple((to_sheet / to_sheet[2, 2]).ravel()), (width / 2, height / 2), norm, k1)


def draw(
    rng: np.random.Generator,
    *,
    width: int = 1200,
    height: int = 900,
    mm_per_px: float = 0.25,
    tilt_deg: float = 0.0,
    azimuth_deg: float = 30.0,
    k1: float = 0.0,
    tag_px: float = 70.0,
    blur_px: float = 0.8,
    noise: float = 1.5,
    gamma: float = 2.2,
    ground: float = 0.75,
) -> TagPhoto:
    """Draw the photo: evenly lit ground, four tags near the corners of the field, blur, noise, tone curve."""
    frame = camera(width, height, mm_per_px, tilt_deg, azimuth_deg, k1)
    seen = frame.px_to_mm([[0, 0], [width, 0], [width, height], [0, height]])
    x0, x1 = max(seen[[0, 3], 0]) + 2, min(seen[[1, 2], 0]) - 2
    y0, y1 = max(seen[[0, 1], 1]) + 2, min(seen[[2, 3], 1]) - 2
    side = tag_px * mm_per_px
    rim = side / MODULES
    starts = [(x0 + rim, y0 + rim), (x1 - rim - side, y0 + rim)]
    starts += [(x1 - rim - side, y1 - rim - side), (x0 + rim, y1 - rim - side)]
    tags = {}
    light = np.full((height, width), ground, np.float32)
    for number, (x, y) in enumerate(starts):
        tags[number] = [[x, y], [x + side, y], [x + side, y + side], [x, y + side]]
        _print_tag(light, frame, number, x, y, side, blur_px)
    grey = 255 * light ** (1 / gamma) + rng.normal(0, noise, light.shape)
    photo = TagPhoto(np.clip(grey + 0.5, 0, 255).astype(np.uint8), frame, (x0, y0, x1, y1), tags)
    photo.setup = {
        "lighting": "bright_field" if ground > 0.2 else "dark_field",
        "thickness_mm": 4.0,
        "field_mm": [float(v) for v in photo.field_mm],
        "tags": {
            "dictionary": "DICT_5X5_50",
            "corners_mm": {str(n): [[float(v) for v in c] for c in four] for n, four in tags.items()},
        },
    }
    return photo


def _print_tag(
    light: np.ndarray, frame: Frame, number: int, x: float, y: float, side: float, blur_px: float
) -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    bits = cv2.aruco.generateImageMarker(dictionary, number, MODULES, borderBits=1) > 127
    rim = side / MODULES
    paper = np.array(
        [
            [x - rim, y - rim],
            [x + side + rim, y - rim],
            [x + side + rim, y + side + rim],
            [x - rim, y + side + rim],
        ]
    )
    px = frame.mm_to_px(paper)
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 6, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 6, [light.shape[1], light.shape[0]])
    fine = 8
    # exact at pixel centres, straight inside a pixel: far below a thousandth of a pixel off
    centres = np.stack(np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5), axis=-1)
    mm = frame.px_to_mm(centres.reshape(-1, 2)).reshape(centres.shape)
    slope = frame.jacobian_at([((x0 + x1) / 2, (y0 + y1) / 2)])[0]
    offset = (np.arange(fine) + 0.5) / fine - 0.5
    dx, dy = np.meshgrid(offset, offset)
    inner = np.stack([slope[0, 0] * dx + slope[0, 1] * dy, slope[1, 0] * dx + slope[1, 1] * dy], axis=-1)
    mm = mm[:, None, :, None, :] + inner[None, :, None, :, :]
    mm = mm.reshape((y1 - y0) * fine, (x1 - x0) * fine, 2)
    column, row = np.floor((mm[..., 0] - x) / rim), np.floor((mm[..., 1] - y) / rim)
    on_paper = (column >= -1) & (column <= MODULES) & (row >= -1) & (row <= MODULES)
    on_tag = (column >= 0) & (column < MODULES) & (row >= 0) & (row < MODULES)
    white = bits[np.clip(row, 0, MODULES - 1).astype(int), np.clip(column, 0, MODULES - 1).astype(int)]
    value = np.where(on_tag & ~white, INK, PAPER)
    shape = (y1 - y0, fine, x1 - x0, fine)

    def settled(samples: np.ndarray) -> np.ndarray:
        """Blurred before the pixels gather it, as a lens does."""
        soft = cv2.GaussianBlur(samples.astype(np.float32), (0, 0), blur_px * fine)
        return soft.reshape(shape).mean(axis=(1, 3))

    light[y0:y1, x0:x1] *= 1 - settled(on_paper)
    light[y0:y1, x0:x1] += settled(np.where(on_paper, value, 0))
