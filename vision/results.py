"""What the stages hand to each other and what an inspection gives back.

Pixels: x to the right, y down, in the upright photo; (0, 0) is the OUTER corner of the first pixel, so the
first pixel's centre is (0.5, 0.5). Millimetres: sheet frame, x across the ribbon, y along it. Both frames
have y down as the inspector sees the sheet, so an angle is counted from +x towards +y (clockwise on the
screen).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.frames import Frame

DARK_FIELD = "dark_field"
BRIGHT_FIELD = "bright_field"
KINDS = ("bubble", "stone", "scratch")
# surface artefacts: on the glass or in the picture, not in the glass
ARTEFACTS = ("dust", "lint", "marker", "drip", "finger mark", "cut edge", "reflection")

FloatImage = NDArray[np.float32]
ByteImage = NDArray[np.uint8]
Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Scale:
    """How many millimetres one pixel spans.

    mm_per_px : at the middle of what was covered (perspective makes it vary; `Frame.mm_per_px_at` has the
    rest)
    source : "tags" (measured) or "given" (from the set-up)
    residual_mm : root mean square misfit of the tags' corners, 0.0 for a given scale
    relative_sd : standard uncertainty of mm_per_px, as a fraction of it
    """

    mm_per_px: float
    source: str
    residual_mm: float
    relative_sd: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        return {
            "mm_per_px": rounded(self.mm_per_px, 6),
            "source": self.source,
            "residual_mm": rounded(self.residual_mm, 4),
            "relative_sd": rounded(self.relative_sd, 6),
        }


@dataclass(frozen=True, slots=True)
class BackgroundSubtracted:
    """A photo with its uneven light taken out.

    signal : float32, shape (H, W), (grey - level) / noise, in standard deviations of the photo's own noise
    at that brightness; dark field defects are mostly > 0, bright field ones mostly < 0; exactly 0 where
    mask is 0
    mask : uint8, shape (H, W), 255 where the pixel shows glass inside the field, else 0
    background_small : float32, shape (ceil(H / block_px), ceil(W / block_px)), the light without defects, in
    grey values
    block_px : pixels of the photo per pixel of `background_small`
    noise_of_grey : float32, shape (256,), standard deviation of a pixel's noise at that grey value
    """

    signal: FloatImage
    mask: ByteImage
    background_small: FloatImage
    block_px: int
    noise_of_grey: NDArray[np.float32]

    def background_at(self, x_px: float, y_px: float) -> float:
        """Light without defects at a place of the photo, in grey values (bilinear)."""
        h, w = self.background_small.shape
        u = min(max(x_px / self.block_px - 0.5, 0.0), w - 1.0)
        v = min(max(y_px / self.block_px - 0.5, 0.0), h - 1.0)
        i, j = min(int(v), h - 2) if h > 1 else 0, min(int(u), w - 2) if w > 1 else 0
        a, b = v - i, u - j
        i1, j1 = min(i + 1, h - 1), min(j + 1, w - 1)
        s = self.background_small
        top = s[i, j] * (1 - b) + s[i, j1] * b
        bottom = s[i1, j] * (1 - b) + s[i1, j1] * b
        return float(top * (1 - a) + bottom * a)

    def background_patch(self, x0: int, y0: int, x1: int, y1: int) -> FloatImage:
        """Light without defects over the pixels x0 <= x < x1, y0 <= y < y1, in grey values."""
        h, w = self.background_small.shape
        u = np.clip((np.arange(x0, x1, dtype=np.float32) + 0.5) / self.block_px - 0.5, 0, w - 1)
        v = np.clip((np.arange(y0, y1, dtype=np.float32) + 0.5) / self.block_px - 0.5, 0, h - 1)
        j = np.clip(u.astype(np.intp), 0, max(w - 2, 0))
        i = np.clip(v.astype(np.intp), 0, max(h - 2, 0))
        b, a = (u - j)[None, :], (v - i)[:, None]
        j1, i1 = np.minimum(j + 1, w - 1), np.minimum(i + 1, h - 1)
        s = self.background_small
        top = s[np.ix_(i, j)] * (1 - b) + s[np.ix_(i, j1)] * b
        bottom = s[np.ix_(i1, j)] * (1 - b) + s[np.ix_(i1, j1)] * b
        patch: FloatImage = (top * (1 - a) + bottom * a).astype(np.float32)
        return patch

    def noise_at(self, x_px: float, y_px: float) -> float:
        """Standard deviation of one pixel's noise at a place of the photo, in grey values."""
        return float(self.noise_of_grey[int(min(max(self.background_at(x_px, y_px), 0.0), 255.0))])


@dataclass(frozen=True, slots=True)
class Find:
    """Something that the detector flags in a photo.

    number : 1, 2, ... as drawn on the overlay
    kind : "bubble", "stone" or "scratch", the likeliest if it is in the glass at all
    not_glass : None, or what it is instead ("dust", "lint", ...): shown to the inspector, not counted
    x_mm, y_mm : middle of the nucleus in the sheet frame, None without a scale
    length_mm, width_mm : largest dimension of the nucleus and largest dimension across it; a scratch's
    length is its arc length; None without a scale or below the photo's smallest sized length
    halo_mm : largest dimension of the distorted zone, None where none shows
    length_sd_mm, width_sd_mm : standard uncertainties
    length_px, width_px : the same sizes in pixels, always there
    angle_deg : direction of the long axis in the sheet frame (photo frame without a scale), 0 = along +x,
    counted towards +y, in [0, 180)
    path_mm, path_px : the line of a scratch, None for spots
    kind_scores : probabilities of "bubble", "stone", "scratch", "not_glass", together 1
    contrast : peak of |grey - level| / level (bright field) or / 255 (dark field), signed
    box_px : x, y, width, height in whole pixels
    """

    number: int
    kind: str
    not_glass: str | None
    x_mm: float | None
    y_mm: float | None
    x_px: float
    y_px: float
    length_mm: float | None
    width_mm: float | None
    halo_mm: float | None
    length_sd_mm: float | None
    width_sd_mm: float | None
    length_px: float
    width_px: float
    angle_deg: float
    score: float
    kind_scores: dict[str, float]
    contrast: float
    box_px: tuple[int, int, int, int]
    path_mm: tuple[tuple[float, float], ...] | None = None
    path_px: tuple[tuple[float, float], ...] | None = None
    halo_px: float | None = None
    not_glass_scores: dict[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The find as it stands in the result file."""
        return {
            "number": self.number,
            "kind": self.kind,
            "not_glass": self.not_glass,
            "x_mm": rounded(self.x_mm, 3),
            "y_mm": rounded(self.y_mm, 3),
            "length_mm": rounded(self.length_mm, 4),
            "width_mm": rounded(self.width_mm, 4),
            "halo_mm": rounded(self.halo_mm, 4),
            "length_sd_mm": rounded(self.length_sd_mm, 4),
            "width_sd_mm": rounded(self.width_sd_mm, 4),
            "angle_deg": rounded(self.angle_deg, 2),
            "path_mm": _points(self.path_mm, 3),
            "score": rounded(self.score, 4),
            "kind_scores": {name: rounded(value, 4) for name, value in self.kind_scores.items()},
            "not_glass_scores": {name: rounded(value, 4) for name, value in self.not_glass_scores.items()},
            "contrast": rounded(self.contrast, 5),
            "box_px": list(self.box_px),
            "x_px": rounded(self.x_px, 3),
            "y_px": rounded(self.y_px, 3),
            "length_px": rounded(self.length_px, 3),
            "width_px": rounded(self.width_px, 3),
            "halo_px": rounded(self.halo_px, 3),
            "path_px": _points(self.path_px, 2),
            "flags": list(self.flags),
        }


@dataclass(frozen=True, slots=True)
class Hidden:
    """One box of the field in which no glass was looked at.

    by : "tag", "blown_out" or "outside" (past the photo's border); box_mm : x0, y0, x1, y1 on the sheet
    """

    by: str
    box_mm: Rectangle

    def to_dict(self) -> dict[str, Any]:
        return {"by": self.by, "box_mm": [rounded(v, 1) for v in self.box_mm]}


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything that one photo gave.

    photo : the file's name; sha256 : of the file's bytes, hex
    lighting : "dark_field", "bright_field", or None without a set-up
    width_px, height_px : of the upright photo
    frame, scale : None when the photo has no scale that can be trusted
    blur_px : standard deviation of the photo's blur
    smallest_sized_mm : finds shorter than this are flagged, not sized
    covered_mm : x0, y0, x1, y1 of the part of the field that the photo shows; covered_fraction : of the
    field's glass; hidden : where in covered_mm no glass was looked at (`vision.field.hidden`)
    finds : in glass first, then not glass, each by falling score
    flags, messages : conditions of the whole photo (see `vision.flags`) and sentences for the inspector
    timings_s : seconds spent in "decode", "rectify", "detect", "measure"
    """

    photo: str
    sha256: str
    lighting: str | None
    width_px: int
    height_px: int
    frame: Frame | None
    scale: Scale | None
    blur_px: float | None
    smallest_sized_mm: float | None
    covered_mm: tuple[float, float, float, float] | None
    covered_fraction: float | None
    finds: tuple[Find, ...]
    flags: tuple[str, ...] = ()
    messages: tuple[str, ...] = ()
    timings_s: dict[str, float] = field(default_factory=dict)
    hidden: tuple[Hidden, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The result as it stands in `PHOTO.json`."""
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "lighting": self.lighting,
            "scale": None if self.scale is None else self.scale.to_dict(),
            "smallest_sized_mm": rounded(self.smallest_sized_mm, 4),
            "covered_mm": None if self.covered_mm is None else [rounded(v, 2) for v in self.covered_mm],
            "covered_fraction": rounded(self.covered_fraction, 4),
            "hidden": [place.to_dict() for place in self.hidden],
            "finds": [find.to_dict() for find in self.finds],
            "flags": list(self.flags),
            "messages": list(self.messages),
            "width_px": self.width_px,
            "height_px": self.height_px,
            "blur_px": rounded(self.blur_px, 3),
            "frame": None if self.frame is None else self.frame.to_dict(),
            "timings_s": {name: rounded(value, 4) for name, value in self.timings_s.items()},
        }


def rounded(value: float | None, digits: int) -> float | None:
    """`value` for JSON: None stays None and so does anything that is not a finite number."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def _points(points: tuple[tuple[float, float], ...] | None, digits: int) -> list[list[float]] | None:
    return None if points is None else [[round(float(x), digits), round(float(y), digits)] for x, y in points]
