"""The demo plant's photos, one scene each: what lies in the glass, what lies on it, and how it was
photographed.

Places are sheet millimetres. Cut sizes are photographed whole, with the tags on the bench round them; stock
sheets in part. The numbers are chosen so that each photo shows one thing an inspection department meets.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.synthetic.raytraced import (
    Blur,
    Camera,
    Clutter,
    DarkLight,
    Defect,
    LampPanel,
    SceneSpec,
    Sensor,
    Tag,
)

CUT_SIZE = (500.0, 380.0)
STOCK = (3210.0, 6000.0)


@dataclass(frozen=True)
class Story:
    """One demo photo: its file's stem, what to tell about it, the grade to judge it by, and its scene."""

    name: str
    title: str
    story: str
    grade: str
    scene: SceneSpec
    quality: int = 88


def setting(
    lighting: str,
    sheet_mm: tuple[float, float],
    field_mm: tuple[float, float, float, float],
    mm_per_px: float,
    seed: int,
    *,
    scale: str = "tags",
    tilt_deg: float = 0.0,
    k1: float = 0.0,
    tag_mm: float = 36.0,
) -> SceneSpec:
    """An even, sharp booth photo of a field, without anything in it yet."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = field_mm
    slack = 0.0 if scale == "given" else 0.035 + 0.012 * tilt_deg
    width, height = (round((b - a) * (1 + slack) / mm_per_px / 8) * 8 for a, b in ((x0, x1), (y0, y1)))
    camera = Camera(
        width,
        height,
        mm_per_px,
        ((x0 + x1) / 2, (y0 + y1) / 2),
        tilt_deg=tilt_deg,
        tilt_azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=0.0 if scale == "given" else float(rng.normal(0, 0.5)),
        focal_px=1.25 * max(width, height),
        k1=k1,
    )
    if scale == "given":
        camera = replace(camera, centre_mm=(x0 + width * mm_per_px / 2, y0 + height * mm_per_px / 2))
        field_mm = (x0, y0, x0 + width * mm_per_px, y0 + height * mm_per_px)
    tubes = rng.normal(1, 0.025, 61).clip(0.9, 1.1)
    return SceneSpec(
        lighting=lighting,
        thickness_mm=4.0,
        sheet_mm=sheet_mm,
        field_mm=field_mm,
        camera=camera,
        blur=Blur(0.62),
        lamp=LampPanel(
            pitch_mm=140.0,
            angle_deg=0.6,
            ripple=0.07,
            strengths=tuple(float(value) for value in tubes),
            phase_mm=float(rng.uniform(0, 140)),
            distance_mm=420.0,
            panel_mm=(x0 - 700, y0 - 600, x1 + 700, y1 + 600),
            collimation=0.5,
        ),
        dark=DarkLight((2.0, 182.0), (1.0, 0.8), 34.0, 0.012, 0.25, 0.05, 0.03),
        sensor=Sensor(
            exposure=0.66 if lighting == "bright_field" else 0.8,
            full_well=9000.0,
            read_noise=4.0,
            grain_px=0.45,
            vignetting=0.16,
            denoise=0.35,
            sharpen=0.35,
            sharpen_px=1.1,
            tint=(0.93, 1.0, 0.955),
        ),
        tags=tags_round(field_mm, tag_mm) if scale == "tags" else (),
        given_scale=scale == "given",
        beyond="lamps" if lighting == "bright_field" else "bench",
    )


def tags_round(field_mm: tuple[float, float, float, float], side_mm: float) -> tuple[Tag, ...]:
    """Four tags in the corners of a field, each with its white margin inside it."""
    x0, y0, x1, y1 = field_mm
    inset = side_mm * 1.3 / 7
    lefts, tops = (x0 + inset, x1 - inset - side_mm), (y0 + inset, y1 - inset - side_mm)
    starts = [(lefts[0], tops[0]), (lefts[1], tops[0]), (lefts[1], tops[1]), (lefts[0], tops[1])]
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * side_mm
    return tuple(
        Tag(number, tuple((float(x), float(y)) for x, y in square + np.array(start)))
        for number, start in enumerate(starts)
    )


def bubble(
    x: float,
    y: float,
    length: float,
    seed: int,
    *,
    aspect: float = 1.4,
    style: str = "ray",
    halo: float = 0.0,
) -> Defect:
    """A bubble drawn out along y; `halo` is the peak slope of the disturbed surface round it."""
    strength = 0.92 if style != "slope" else 0.8
    return Defect(
        "bubble", x, y, length, length / aspect, 91.0, style, strength, seed, 2.6 if halo else 1.0, halo
    )


def stone(
    x: float,
    y: float,
    length: float,
    seed: int,
    *,
    style: str = "rounded",
    strength: float = 0.85,
    halo: float = 0.02,
) -> Defect:
    """A stone with a glassy halo."""
    return Defect(
        "stone", x, y, length, length * 0.8, 35.0 + 7 * (seed % 11), style, strength, seed, 2.8, halo
    )


def scratch(
    start: tuple[float, float],
    end: tuple[float, float],
    width: float,
    seed: int,
    *,
    strength: float,
    bow_mm: float = 0.0,
    gaps: tuple[tuple[float, float], ...] = (),
    style: str = "groove",
) -> Defect:
    """A scratch from start to end, bowed sideways by `bow_mm` in its middle."""
    s = np.linspace(0, 1, 81)[:, None]
    a, b = np.array(start), np.array(end)
    across = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
    path = a + s * (b - a) + 4 * s * (1 - s) * bow_mm * across
    arc = float(np.hypot(*np.diff(path, axis=0).T).sum())
    points = tuple((float(x), float(y)) for x, y in path)
    return Defect("scratch", *points[40], arc, width, 0.0, style, strength, seed, path_mm=points, gaps=gaps)


def dirt(
    field_mm: tuple[float, float, float, float], seed: int, *, dust: int, lint: int, largest_mm: float = 0.5
) -> tuple[Clutter, ...]:
    """Dust and fibres at random over a field, most of them small."""
    rng = np.random.default_rng(seed)
    out = []
    for what, detail, count, sizes in (
        ("dust", "flake", dust, (0.12, largest_mm)),
        ("lint", "fibre", lint, (2.0, 9.0)),
    ):
        for _ in range(count):
            x, y = rng.uniform(field_mm[:2], field_mm[2:])
            size = float(np.exp(rng.uniform(*np.log(sizes))))
            out.append(
                Clutter(
                    what,
                    detail,
                    float(x),
                    float(y),
                    size,
                    float(rng.uniform(0, 360)),
                    float(rng.uniform(0.35, 0.9)),
                    int(rng.integers(1 << 30)),
                )
            )
    return tuple(out)


def around(sheet_mm: tuple[float, float], margin_mm: float) -> tuple[float, float, float, float]:
    """The field that shows a whole cut size with the bench round it."""
    return (-margin_mm, -margin_mm, sheet_mm[0] + margin_mm, sheet_mm[1] + margin_mm)


def whole(lighting: str, seed: int, mm_per_px: float = 0.17, **more: float) -> SceneSpec:
    """A whole cut size on the bench, tags beside it."""
    return setting(lighting, CUT_SIZE, around(CUT_SIZE, 48.0), mm_per_px, seed, **more)


def with_(scene: SceneSpec, defects: tuple[Defect, ...] = (), clutter: tuple[Clutter, ...] = ()) -> SceneSpec:
    """The scene with something in it."""
    return replace(scene, defects=defects, clutter=clutter)
