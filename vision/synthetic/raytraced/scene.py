"""What a rendered photo shows: sheet, camera, light, sensor, defects and clutter, all as plain values.

Lengths are sheet millimetres (`_mm`) or image pixels (`_px`). Directions (`_deg`) are sheet directions: the
unit vector of angle a is (cos a, sin a) with x to the right and y down, so 90 degrees lies along the draw.
Everything irregular about a feature (outline, texture, curl) grows from its own `seed`, so a scene is a
complete description and can be rendered again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.synthetic.point_spread import Blur
from vision.synthetic.truth import Truth

Floats = NDArray[Any]
Plane = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole with tilt, roll and two radial terms.

    `mm_per_px` holds at `centre_mm`, the sheet point in the middle of the picture. `k1`, `k2` act on the
    radius over half the picture's diagonal: distorted = ideal * (1 + k1 r^2 + k2 r^4).
    """

    width_px: int
    height_px: int
    mm_per_px: float
    centre_mm: tuple[float, float]
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    focal_px: float = 4000.0
    k1: float = 0.0
    k2: float = 0.0


@dataclass(frozen=True, slots=True)
class LampPanel:
    """Fluorescent tubes behind a diffuser, `distance_mm` behind the sheet (bright field)."""

    pitch_mm: float
    angle_deg: float
    ripple: float
    strengths: tuple[float, ...]
    phase_mm: float
    distance_mm: float
    panel_mm: tuple[float, float, float, float]
    surround: float = 0.04
    fade_mm: float = 40.0
    collimation: float = 0.0


@dataclass(frozen=True, slots=True)
class DarkLight:
    """Oblique or edge light on a black ground (dark field); `azimuths_deg` point from glass to lamps."""

    azimuths_deg: tuple[float, ...]
    strengths: tuple[float, ...]
    azimuth_spread_deg: float
    black: float
    gradient: float
    cloth: float
    edge_glow: float


@dataclass(frozen=True, slots=True)
class Sensor:
    """Exposure, noise and what a phone does to the picture before it is a JPEG."""

    exposure: float = 0.75
    full_well: float = 6000.0
    read_noise: float = 4.0
    grain_px: float = 0.0
    vignetting: float = 0.15
    flicker: float = 0.0
    flicker_period_px: float = 400.0
    flicker_phase: float = 0.0
    flicker_columns: bool = False
    gamma: float = 2.2
    denoise: float = 0.0
    sharpen: float = 0.0
    sharpen_px: float = 1.0
    tint: tuple[float, float, float] = (0.95, 1.0, 0.96)
    jpeg_quality: int = 92


@dataclass(frozen=True, slots=True)
class Defect:
    """One defect of the glass. `style` names the family of the model, `strength` its opacity or scatter
    (0..1).

    For a scratch `path_mm` is its course, `length_mm` follows from it and `gaps` are the stretches, as
    fractions of the course, where it skips.
    """

    kind: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float
    style: str
    strength: float
    seed: int
    halo_ratio: float = 1.0
    halo_strength: float = 0.0
    path_mm: tuple[tuple[float, float], ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Clutter:
    """Something on the sheet, behind it or in the light that is no defect of the glass."""

    what: str
    detail: str
    x_mm: float
    y_mm: float
    size_mm: float
    angle_deg: float
    strength: float
    seed: int
    text: str = ""


@dataclass(frozen=True, slots=True)
class Tag:
    """A printed reference tag: `corners_mm` clockwise from the tag's own top left."""

    number: int
    corners_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class SceneSpec:
    """One photo to be. `given_scale` and `tags` say what the set-up tells; with neither, no scale.

    `beyond` is what lies past the cut edge: "lamps" (the panel goes on), "bench", or "any" of both by chance.
    """

    lighting: str
    thickness_mm: float
    sheet_mm: tuple[float, float]
    field_mm: tuple[float, float, float, float]
    camera: Camera
    blur: Blur
    lamp: LampPanel
    dark: DarkLight
    sensor: Sensor
    tags: tuple[Tag, ...] = ()
    given_scale: bool = False
    defects: tuple[Defect, ...] = ()
    clutter: tuple[Clutter, ...] = ()
    beyond: str = "any"


@dataclass(frozen=True, slots=True)
class Rendered:
    """image : uint8 array, shape (H, W, 3), RGB; `setup` as in its file; `truth` as the package says."""

    image: NDArray[np.uint8]
    setup: dict[str, Any]
    truth: Truth
