"""Scenes at random, over wide ranges, so that nothing learnt from them leans on one look."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.raytraced.populate import clutter_at_random, counts_at_random, defects_at_random
from vision.synthetic.raytraced.scene import (
    Blur,
    Camera,
    DarkLight,
    LampPanel,
    SceneSpec,
    Sensor,
    Tag,
)

THICKNESSES_MM = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def random_scene(
    rng: np.random.Generator,
    *,
    lighting: str | None = None,
    megapixels: float = 12.0,
    mm_per_px: float | None = None,
    difficulty: float = 0.5,
    scale: str | None = None,
    style: dict[str, tuple[str, ...]] | None = None,
    defects: tuple[int, int, int] | None = None,
    clutter: float = 1.0,
) -> SceneSpec:
    """A scene of a part of a sheet.

    lighting : "bright_field" or "dark_field", None for either
    mm_per_px : None for 0.075 to 0.8, evenly in its logarithm
    difficulty : 0 (clean, sharp, little noise) to 1
    scale : "tags", "given" or "none"; None for tags in three of four and a given scale in the rest
    style : for each kind the families to take from (default: all of STYLES)
    defects : numbers of bubbles, stones and scratches; None for a random mix, one photo in eight without any
    clutter : factor on the amount of dirt, 0 for none
    """
    lighting = lighting or str(rng.choice(["bright_field", "dark_field"]))
    mm = mm_per_px if mm_per_px is not None else float(np.exp(rng.uniform(np.log(0.075), np.log(0.8))))
    kind_of_scale = scale or ("tags" if rng.random() < 0.75 else "given")
    camera = _camera(rng, megapixels, mm, square=kind_of_scale == "given")
    sheet, camera, field = _place(rng, camera, square=kind_of_scale == "given")
    tags = _tags(rng, camera, field) if kind_of_scale == "tags" else ()
    spec = SceneSpec(
        lighting=lighting,
        thickness_mm=float(rng.choice(THICKNESSES_MM)),
        sheet_mm=sheet,
        field_mm=field,
        camera=camera,
        blur=_blur(rng, difficulty),
        lamp=_lamp(rng, camera, field, difficulty),
        dark=_dark(rng, difficulty),
        sensor=_sensor(rng, camera, difficulty),
        tags=tags,
        given_scale=kind_of_scale == "given",
    )
    counts = defects if defects is not None else counts_at_random(rng)
    placed = defects_at_random(rng, spec, counts, style or {}, difficulty)
    dirt = clutter_at_random(rng, spec, placed, clutter, difficulty)
    return replace(spec, defects=placed, clutter=dirt)


def _camera(rng: np.random.Generator, megapixels: float, mm: float, square: bool) -> Camera:
    height = round(np.sqrt(megapixels * 1e6 * 3 / 4) / 8) * 8
    width = round(height * 4 / 3 / 8) * 8
    if rng.random() < 0.25:
        width, height = height, width
    focal = float(rng.uniform(0.9, 1.6)) * max(width, height)
    if square:
        k1 = 0.0 if rng.random() < 0.7 else float(rng.normal(0, 0.0006))
        return Camera(width, height, mm, (0.0, 0.0), focal_px=focal, k1=k1)
    return Camera(
        width,
        height,
        mm,
        (0.0, 0.0),
        tilt_deg=float(rng.uniform(0, 12)),
        tilt_azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.normal(0, 1.5)),
        focal_px=focal,
        k1=float(rng.normal(0, 0.012)),
        k2=float(rng.normal(0, 0.003)),
    )


def _place(
    rng: np.random.Generator, camera: Camera, square: bool
) -> tuple[tuple[float, float], Camera, tuple[float, float, float, float]]:
    """Sheet size, the camera over a part of it, and the field in its view."""
    extent = Projection(camera)
    size = np.array([camera.width_px, camera.height_px]) * camera.mm_per_px
    sheet = (
        np.array([3210.0, 6000.0])
        if rng.random() < 0.6
        else np.array([rng.uniform(500, 3210), rng.uniform(600, 6000)])
    )
    sheet = np.round(np.maximum(sheet, size * 1.1))
    low, high = size / 2 + 5, sheet - size / 2 - 5
    centre = rng.uniform(np.minimum(low, high), np.maximum(low, high))
    if rng.random() < 0.3:
        axis, out = int(rng.integers(0, 2)), rng.uniform(0.04, 0.25) * size
        centre[axis] = (
            size[axis] / 2 - out[axis] if rng.random() < 0.5 else sheet[axis] - size[axis] / 2 + out[axis]
        )
    if square:
        start = np.round(centre - size / 2, 3)
        field = (float(start[0]), float(start[1]), float(start[0] + size[0]), float(start[1] + size[1]))
        centre = start + size / 2
    else:
        w, h = camera.width_px, camera.height_px
        rim = [(0, 0), (0.5, 0), (1, 0), (1, 0.5), (1, 1), (0.5, 1), (0, 1), (0, 0.5)]
        seen = extent.px_to_mm(np.array(rim) * [w, h])
        left, right = max(seen[[0, 7, 6], 0]), min(seen[[2, 3, 4], 0])
        top, bottom = max(seen[[0, 1, 2], 1]), min(seen[[6, 5, 4], 1])
        inset = 0.012 * (right - left)
        box = np.array([left + inset, top + inset, right - inset, bottom - inset]) + np.tile(centre, 2)
        field = (round(box[0], 1), round(box[1], 1), round(box[2], 1), round(box[3], 1))
    moved = replace(camera, centre_mm=(float(centre[0]), float(centre[1])))
    return (float(sheet[0]), float(sheet[1])), moved, field


def _tags(
    rng: np.random.Generator, camera: Camera, field: tuple[float, float, float, float]
) -> tuple[Tag, ...]:
    """Four tags in the corners of the field, each with its white margin inside the field."""
    side = max(float(rng.uniform(0.028, 0.05)) * (field[2] - field[0]), 48 * camera.mm_per_px)
    inset = side * (1.3 / 7 + 0.02)
    x0, y0, x1, y1 = field
    starts = [
        (x0 + inset, y0 + inset),
        (x1 - inset - side, y0 + inset),
        (x1 - inset - side, y1 - inset - side),
        (x0 + inset, y1 - inset - side),
    ]
    numbers = [0, 1, 2, 3]
    tags = []
    for number, (x, y) in zip(numbers, starts, strict=True):
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side + [x, y]
        square = np.roll(square, int(rng.integers(0, 4)) if rng.random() < 0.15 else 0, axis=0)
        tags.append(Tag(number, tuple((round(float(a), 3), round(float(b), 3)) for a, b in square)))
    return tuple(tags)


def _blur(rng: np.random.Generator, difficulty: float) -> Blur:
    disc = float(rng.uniform(0.5, 1.0 + 1.2 * difficulty)) if rng.random() < 0.3 else 0.0
    motion = float(rng.uniform(0.5, 2.5 * difficulty + 0.6)) if rng.random() < 0.2 * difficulty else 0.0
    return Blur(float(rng.uniform(0.45, 0.75 + 0.5 * difficulty)), disc, motion, float(rng.uniform(0, 180)))


def _lamp(
    rng: np.random.Generator, camera: Camera, field: tuple[float, float, float, float], difficulty: float
) -> LampPanel:
    size = max(field[2] - field[0], field[3] - field[1])
    pitch = float(np.exp(rng.uniform(np.log(60), np.log(220))))
    margin = rng.uniform(0.25, 1.2, 4) * max(size, 500)
    panel = (field[0] - margin[0], field[1] - margin[1], field[2] + margin[2], field[3] + margin[3])
    across = 2 * int(np.hypot(panel[2] - panel[0], panel[3] - panel[1]) / pitch / 2 + 3) + 1
    strengths = rng.normal(1, 0.03 + 0.05 * difficulty, across).clip(0.6, 1.2)
    if rng.random() < 0.15:
        strengths[int(rng.integers(0, across))] *= rng.uniform(0.5, 0.85)
    return LampPanel(
        pitch_mm=pitch,
        angle_deg=float(rng.choice([0.0, 90.0]) + rng.normal(0, 2)),
        ripple=float(rng.uniform(0.0, 0.06 + 0.22 * difficulty)),
        strengths=tuple(float(value) for value in strengths),
        phase_mm=float(rng.uniform(0, pitch)),
        distance_mm=float(np.exp(rng.uniform(np.log(120), np.log(1200)))),
        panel_mm=(float(panel[0]), float(panel[1]), float(panel[2]), float(panel[3])),
        surround=float(rng.uniform(0.01, 0.2)),
        fade_mm=float(rng.uniform(5, 80)),
        collimation=float(rng.uniform(0.1, 1.0)),
    )


def _dark(rng: np.random.Generator, difficulty: float) -> DarkLight:
    count = int(rng.choice([1, 2, 2, 4]))
    first = float(rng.choice([0.0, 90.0]) + rng.normal(0, 8))
    return DarkLight(
        azimuths_deg=tuple(first + 360.0 / count * i for i in range(count)),
        strengths=tuple(float(value) for value in rng.uniform(0.5, 1.0, count)),
        azimuth_spread_deg=float(rng.uniform(18, 55)),
        black=float(np.exp(rng.uniform(np.log(0.004), np.log(0.05)))),
        gradient=float(rng.uniform(0.0, 0.8)),
        cloth=float(rng.uniform(0.0, 0.15) * difficulty),
        edge_glow=float(rng.uniform(0, 0.08)),
    )


def _sensor(rng: np.random.Generator, camera: Camera, difficulty: float) -> Sensor:
    phone = rng.random() < 0.6
    tint = 1 + np.array([rng.normal(-0.06, 0.03), 0.0, rng.normal(-0.04, 0.04)])
    return Sensor(
        exposure=float(rng.uniform(0.4, 0.85)),
        full_well=float(np.exp(rng.uniform(np.log(2500), np.log(25000)) - 0.6 * difficulty)),
        read_noise=float(rng.uniform(2, 8)),
        grain_px=float(rng.uniform(0.3, 0.7)) if phone else 0.0,
        vignetting=float(rng.uniform(0.0, 0.4)),
        flicker=float(rng.uniform(0.01, 0.12)) if rng.random() < 0.45 else 0.0,
        flicker_period_px=float(rng.uniform(90, 1600)),
        flicker_phase=float(rng.uniform(0, 6.28)),
        flicker_columns=bool(rng.random() < 0.2),
        gamma=float(rng.uniform(1.8, 2.4)),
        denoise=float(rng.uniform(0.2, 0.75)) if phone else 0.0,
        sharpen=float(rng.uniform(0.2, 1.0)) if phone else 0.0,
        sharpen_px=float(rng.uniform(0.7, 1.8)),
        tint=(float(tint[0]), 1.0, float(tint[2])),
        jpeg_quality=int(rng.integers(80, 98)),
    )
