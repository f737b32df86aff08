"""What a spot looks like, in numbers that do not depend on exposure, scale or the strength of the mark.

Radii are in units of the nucleus (1 = its outline), heights in units of its peak, so that one network
serves every photo. Absolute sizes enter only where they carry meaning: in pixels and blurs (what can be
resolved at all), and in mm above a few mm (writing, finger marks and drips are large things).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.detection.profiles import Array, Outline, polar
from vision.detection.pyramid import Pyramid
from vision.detection.spots import Candidates
from vision.results import DARK_FIELD, BackgroundSubtracted

RADII = np.concatenate((np.arange(0.05, 1.5, 0.1), np.arange(1.6, 3.01, 0.2))).astype(np.float32)
RAYS = 24
LARGE_MM = 3.0
ZONES = {
    "core": (0.0, 0.4),
    "ring": (0.45, 1.0),
    "collar": (1.1, 1.5),
    "halo": (1.25, 2.1),
    "far": (2.15, 3.05),
}


def spot_features(
    subtracted: BackgroundSubtracted,
    pyramid: Pyramid,
    seen: Candidates,
    shape: Outline,
    lighting: str,
    blur_px: float,
    mm_per_px: float | None,
) -> tuple[Array, list[str]]:
    """Feature table (N, F) and its column names."""
    columns: dict[str, Array] = {}
    a = np.maximum(shape.length_px / 2, 0.9)
    b = np.maximum(shape.width_px / 2, 0.9)
    _flanks(columns, pyramid, shape, a, b)
    raw, _, _ = polar(pyramid, shape.x_px, shape.y_px, a, b, shape.angle_deg, RADII, RAYS)
    height = np.maximum(shape.peak, 1.0)
    q = raw * (shape.sign / height)[:, None, None]
    _profile(columns, q)
    _zones(columns, q, raw, a, b)
    _outline(columns, shape, seen, blur_px, mm_per_px)
    _strength(columns, subtracted, shape, seen, lighting, pyramid)
    _edges(columns, q, a, b, blur_px)
    _neighbours(columns, seen, shape)
    _surroundings(columns, subtracted, shape)
    table = np.column_stack([np.asarray(v, np.float32) for v in columns.values()])
    return np.nan_to_num(table, nan=0.0, posinf=50, neginf=-50).astype(np.float32), list(columns)


def _profile(columns: dict[str, Array], q: Array) -> None:
    mean, spread = q.mean(1), q.std(1)
    for i in range(0, 15, 2):
        columns[f"mean_{RADII[i]:.2f}"] = mean[:, i : i + 2].mean(1)
    for i in range(15, len(RADII), 2):
        columns[f"mean_{RADII[i]:.2f}"] = mean[:, i : i + 2].mean(1)
    for i in range(1, 15, 3):
        columns[f"spread_{RADII[i]:.2f}"] = spread[:, i : i + 3].mean(1)


def _zones(columns: dict[str, Array], q: Array, raw: Array, a: Array, b: Array) -> None:
    for name, (low, high) in ZONES.items():
        part = (low <= RADII) & (high >= RADII)
        zone = q[:, :, part]
        columns[f"{name}_max"] = zone.max((1, 2))
        columns[f"{name}_min"] = zone.min((1, 2))
        along = zone.mean(2)
        wave = np.abs(np.fft.rfft(along, axis=1)) / RAYS
        columns[f"{name}_one"] = 2 * wave[:, 1]
        columns[f"{name}_two"] = 2 * wave[:, 2]
        columns[f"{name}_fine"] = 2 * np.sqrt((wave[:, 3:8] ** 2).sum(1))
        if name in ("halo", "far"):
            pixels = np.pi * a * b * (min(high, 3) ** 2 - low**2)
            columns[f"{name}_sure"] = np.arcsinh(raw[:, :, part].mean((1, 2)) * np.sqrt(pixels))
            columns[f"{name}_noise"] = np.log1p(raw[:, :, part].std((1, 2)))
    inner = q[:, :, RADII < 0.95]
    columns["grain_out"] = np.abs(np.diff(inner, 2, axis=2)).mean((1, 2))
    columns["grain_round"] = np.abs(inner - 0.5 * (np.roll(inner, 1, 1) + np.roll(inner, -1, 1))).mean((1, 2))
    columns["dip"] = inner[:, :, 4:].mean(1).max(1) - inner[:, :, :3].mean((1, 2))
    flipped = np.roll(inner, RAYS // 2, 1)
    columns["point_symmetry"] = np.abs(inner - flipped).mean((1, 2))
    mirrored = inner[:, (-np.arange(RAYS)) % RAYS]
    columns["mirror_symmetry"] = np.abs(inner - mirrored).mean((1, 2))


def _outline(
    columns: dict[str, Array], shape: Outline, seen: Candidates, blur_px: float, mm_per_px: float | None
) -> None:
    length, width = np.maximum(shape.length_px, 0.5), np.maximum(shape.width_px, 0.4)
    columns["aspect"] = width / length
    columns["log_length"] = np.log(length)
    columns["log_width_blur"] = np.log(width / blur_px)
    columns["along_draw"] = np.abs(np.sin(np.radians(shape.angle_deg)))
    columns["draw_stretch"] = -np.cos(2 * np.radians(shape.angle_deg)) * (1 - width / length)
    rim = shape.rim / np.maximum(shape.rim.mean(1, keepdims=True), 1e-3)
    wave = np.abs(np.fft.rfft(rim, axis=1)) / rim.shape[1]
    columns["rim_two"], columns["rim_three"] = 2 * wave[:, 2], 2 * wave[:, 3]
    columns["rim_rough"] = 2 * np.sqrt((wave[:, 4:] ** 2).sum(1))
    columns["fill"] = np.log(np.maximum(seen.area_px, 1) / (np.pi / 4 * length * width + 1))
    extent = seen.box_px[:, 2:].max(1)
    columns["box_ratio"] = np.log(extent / length)
    columns["box_fill"] = np.maximum(seen.area_px, 1) / np.maximum(seen.box_px[:, 2] * seen.box_px[:, 3], 1)
    big = LARGE_MM if mm_per_px is None else mm_per_px
    columns["log_mm"] = np.log(length * mm_per_px) if mm_per_px else np.full_like(length, -1.0)
    columns["pitch_mm"] = np.full_like(length, np.log(mm_per_px) if mm_per_px else -1.3)
    columns["large_mm"] = np.log(
        np.maximum(length * big, LARGE_MM) if mm_per_px else np.full_like(length, LARGE_MM)
    )
    columns["large_box_mm"] = np.log(
        np.maximum(extent * big, LARGE_MM) if mm_per_px else np.full_like(length, LARGE_MM)
    )


def _flanks(columns: dict[str, Array], pyramid: Pyramid, shape: Outline, a: Array, b: Array) -> None:
    """Where the signal falls through some heights along the long and the short axis, in half-sizes (log)."""
    far = 1.6 + 2.5 / np.minimum(a, b)
    steps = np.linspace(0, 1, 44, dtype=np.float32)
    rows, _, _ = polar(pyramid, shape.x_px, shape.y_px, a * far, b * far, shape.angle_deg, steps, RAYS)
    rows *= (shape.sign / np.maximum(shape.peak, 1.0))[:, None, None]
    for name, first in (("long", 0), ("short", RAYS // 4)):
        ends = [(first + side + k) % RAYS for side in (0, RAYS // 2) for k in (-1, 0, 1)]
        mean = rows[:, ends].mean(1)
        top = np.maximum(mean.max(1), 1e-3)
        columns[f"{name}_top"] = top
        columns[f"{name}_top_at"] = mean.argmax(1) / (len(steps) - 1) * far
        for share in (0.15, 0.3, 0.5, 0.7):
            level = share * top
            over = mean >= level[:, None]
            last = len(steps) - 1 - over[:, ::-1].argmax(1)
            # the outermost fall that hangs together with the peak
            index = np.arange(len(steps))
            gone = (~over) & (index > mean.argmax(1)[:, None])
            first_gone = np.where(gone.any(1), gone.argmax(1), last)
            r = np.arange(len(mean))
            v1, v0 = mean[r, first_gone], mean[r, np.maximum(first_gone - 1, 0)]
            part = np.clip((v0 - level) / np.maximum(v0 - v1, 1e-6), 0, 1)
            radius = (first_gone - 1 + part) / (len(steps) - 1) * far
            columns[f"{name}_fall_{share:.2f}"] = np.log(np.maximum(radius, 0.05))
    columns["ellipse_length"] = np.log(shape.ellipse_length_px / np.maximum(shape.length_px, 0.3))
    columns["ellipse_width"] = np.log(shape.ellipse_width_px / np.maximum(shape.width_px, 0.3))


def _strength(
    columns: dict[str, Array],
    subtracted: BackgroundSubtracted,
    shape: Outline,
    seen: Candidates,
    lighting: str,
    pyramid: Pyramid,
) -> None:
    columns["log_peak"] = np.log(np.maximum(shape.peak, 0.5))
    columns["log_seed"] = np.log(np.maximum(seen.peak, 1))
    columns["contrast"] = contrast_of(subtracted, shape, lighting)
    columns["sign"] = shape.sign
    columns["coarse"] = seen.coarse.astype(np.float32)
    columns["smear"] = np.full(len(shape.peak), pyramid.sd[1] / max(pyramid.sd[0], 1e-3), np.float32)


def contrast_of(subtracted: BackgroundSubtracted, shape: Outline, lighting: str) -> Array:
    """Signed peak height over the light around it (bright field) or over full scale (dark field)."""
    h, w = subtracted.background_small.shape
    row = np.clip((shape.y_px / subtracted.block_px).astype(int), 0, h - 1)
    col = np.clip((shape.x_px / subtracted.block_px).astype(int), 0, w - 1)
    level = subtracted.background_small[row, col]
    noise = subtracted.noise_of_grey[np.clip(level, 0, 255).astype(int)]
    full = np.full_like(level, 255.0) if lighting == DARK_FIELD else np.maximum(level, 1.0)
    return (shape.sign * shape.peak * noise / full).astype(np.float32)


def _edges(columns: dict[str, Array], q: Array, a: Array, b: Array, blur_px: float) -> None:
    """How far the flank of the nucleus runs from 75 % to 25 % of each ray's height, in blurs."""
    top = np.maximum(q.max(2, keepdims=True), 1e-3)
    rel = q / top
    index = np.arange(len(RADII))
    at = rel.argmax(2)[:, :, None]
    outward = index > at
    r75 = RADII[np.where((outward & (rel < 0.75)).any(2), (outward & (rel < 0.75)).argmax(2), len(RADII) - 1)]
    r25 = RADII[np.where((outward & (rel < 0.25)).any(2), (outward & (rel < 0.25)).argmax(2), len(RADII) - 1)]
    flank = (r25 - r75) * np.sqrt(a * b)[:, None] / blur_px
    columns["flank"] = np.log1p(np.median(flank, 1))
    columns["flank_low"] = np.log1p(np.quantile(flank, 0.2, axis=1))
    columns["flank_spread"] = np.log1p(flank.std(1))
    columns["ray_low"] = np.quantile(top[:, :, 0], 0.1, axis=1)
    columns["ray_mid"] = np.median(top[:, :, 0], 1)


def _neighbours(columns: dict[str, Array], seen: Candidates, shape: Outline) -> None:
    """Marks near by: dirt lies in groups, glass defects mostly do not."""
    gap = np.hypot(seen.x_px[:, None] - seen.x_px, seen.y_px[:, None] - seen.y_px)
    np.fill_diagonal(gap, 1e6)
    nearest: NDArray[np.float32] = gap.min(1) if len(seen) > 1 else np.full(len(seen), 1e6)
    columns["nearest"] = np.log(np.minimum(nearest, 300) + 1)
    columns["near_30"] = np.log1p((gap < 30 + shape.length_px[:, None]).sum(1))
    columns["near_100"] = np.log1p((gap < 100).sum(1))
    bigger = (seen.box_px[:, 2:].max(1)[None] > 2.5 * seen.box_px[:, 2:].max(1)[:, None]) & (
        gap < 0.7 * seen.box_px[:, 2:].max(1)[None] + 5
    )
    columns["inside_bigger"] = bigger.sum(1)
    columns["near_area"] = np.log1p(((gap < 150) * seen.area_px[None]).sum(1))


def _surroundings(columns: dict[str, Array], subtracted: BackgroundSubtracted, shape: Outline) -> None:
    """Where in the picture: by the end of the glass, on a slope of the light, on another ground."""
    h, w = subtracted.mask.shape
    free = np.full(len(shape.x_px), 48.0)
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1), (0.7, 0.7), (0.7, -0.7), (-0.7, 0.7), (-0.7, -0.7)):
        for reach in (40, 30, 22, 15, 9, 5):
            x = (shape.x_px + dx * (reach + shape.length_px / 2)).astype(int)
            y = (shape.y_px + dy * (reach + shape.length_px / 2)).astype(int)
            out = (x < 0) | (y < 0) | (x >= w) | (y >= h)
            out[~out] = subtracted.mask[y[~out], x[~out]] == 0
            free = np.where(out, np.minimum(free, reach), free)
    columns["free"] = np.log(free)
    level = subtracted.background_small
    rows, cols = level.shape
    i = np.clip((shape.y_px / subtracted.block_px).astype(int), 0, rows - 1)
    j = np.clip((shape.x_px / subtracted.block_px).astype(int), 0, cols - 1)
    span = np.maximum(2, (shape.length_px / subtracted.block_px).astype(int))
    ends = [
        level[np.clip(i + a * span, 0, rows - 1), np.clip(j + b * span, 0, cols - 1)]
        for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))
    ]
    noise = subtracted.noise_of_grey[np.clip(level[i, j], 0, 255).astype(int)]
    columns["slope"] = np.log1p(np.hypot(ends[0] - ends[1], ends[2] - ends[3]) / noise)
    columns["bend"] = np.log1p(np.abs(sum(ends) - 4 * level[i, j]) / noise)
    middle = float(np.median(level[::4, ::4]))
    columns["tone"] = np.full(len(shape.x_px), tone_slope(subtracted), np.float32)
    columns["ground"] = np.log((level[i, j] + 2) / (middle + 2))


def tone_slope(subtracted: BackgroundSubtracted) -> float:
    """How the noise grows with the light: d log(noise) / d log(grey). About 0.5 for grey values in
    proportion to light, about 0 or less after a camera's tone curve; 0 where the photo's light is too even
    to tell.
    """
    noise = subtracted.noise_of_grey
    # where bands of light cross in a nearly blown photo, the light is reckoned brighter than a pixel can be
    level = np.minimum(subtracted.background_small[::3, ::3], len(noise) - 1)
    low, high = np.quantile(level, [0.05, 0.95])
    if high < 1.15 * low + 2 or low < 2:
        return 0.0
    slope = np.log(noise[int(high)] / noise[int(low)]) / np.log(high / low)
    return float(np.clip(slope, -1.5, 1.5))
