"""Scenes at random, over wide ranges, so that nothing learnt from them leans on one look."""

from __future__ import annotations

import numpy as np

from vision.render.camera import Projection
from vision.render.clutter import WRITING
from vision.render.scene import (
    Blur,
    Camera,
    Clutter,
    DarkLight,
    Defect,
    Floats,
    LampPanel,
    SceneSpec,
    Sensor,
    Tag,
)

STYLES = {
    "bubble": ("ray", "slope", "open"),
    "stone": ("angular", "rounded", "wispy"),
    "scratch": ("groove", "ridged", "chatter"),
}
"""Families of the model for each kind; a style knob restricts them."""

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
    counts = defects if defects is not None else _counts(rng)
    placed = _defects(rng, spec, counts, style or {}, difficulty)
    dirt = _clutter(rng, spec, placed, clutter, difficulty)
    return SceneSpec(**{name: getattr(spec, name) for name in _KEPT}, defects=placed, clutter=dirt)


_KEPT = (
    "lighting", "thickness_mm", "sheet_mm", "field_mm", "camera", "blur", "lamp", "dark", "sensor", "tags", "given_scale",
)  # fmt: skip


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
        width, height, mm, (0.0, 0.0),
        tilt_deg=float(rng.uniform(0, 12)), tilt_azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.normal(0, 1.5)), focal_px=focal,
        k1=float(rng.normal(0, 0.012)), k2=float(rng.normal(0, 0.003)),
    )  # fmt: skip


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
        seen = extent.px_to_mm(
            [[0, 0], [w / 2, 0], [w, 0], [w, h / 2], [w, h], [w / 2, h], [0, h], [0, h / 2]]
        )
        left, right = max(seen[[0, 7, 6], 0]), min(seen[[2, 3, 4], 0])
        top, bottom = max(seen[[0, 1, 2], 1]), min(seen[[6, 5, 4], 1])
        inset = 0.012 * (right - left)
        box = np.array([left + inset, top + inset, right - inset, bottom - inset]) + np.tile(centre, 2)
        field = tuple(float(value) for value in np.round(box, 1))
    moved = Camera(
        camera.width_px, camera.height_px, camera.mm_per_px, (float(centre[0]), float(centre[1])), camera.tilt_deg,
        camera.tilt_azimuth_deg, camera.roll_deg, camera.focal_px, camera.k1, camera.k2,
    )  # fmt: skip
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


def _counts(rng: np.random.Generator) -> tuple[int, int, int]:
    if rng.random() < 0.125:
        return 0, 0, 0
    return int(rng.poisson(5)) + 1, int(rng.poisson(4)), int(rng.poisson(1.6))


def _free_box(spec: SceneSpec) -> tuple[Floats, Floats]:
    x0, y0, x1, y1 = spec.field_mm
    low = np.maximum([x0, y0], 0) + 6 * spec.camera.mm_per_px
    high = np.minimum([x1, y1], spec.sheet_mm) - 6 * spec.camera.mm_per_px
    return low, high


def _tag_circles(spec: SceneSpec) -> list[tuple[float, float, float]]:
    out = []
    for tag in spec.tags:
        corners = np.asarray(tag.corners_mm)
        side = float(np.hypot(*(corners[1] - corners[0])))
        middle = corners.mean(axis=0)
        out.append((float(middle[0]), float(middle[1]), 1.0 * side))
    return out


def _clear_of(x: float, y: float, reach: float, taken: list[tuple[float, float, float]]) -> bool:
    return all(np.hypot(x - a, y - b) > reach + r for a, b, r in taken)


def _defects(
    rng: np.random.Generator,
    spec: SceneSpec,
    counts: tuple[int, int, int],
    style: dict[str, tuple[str, ...]],
    difficulty: float,
) -> tuple[Defect, ...]:
    low, high = _free_box(spec)
    taken = _tag_circles(spec)
    mm = spec.camera.mm_per_px
    out: list[Defect] = []
    for kind, count in zip(("bubble", "stone"), counts[:2], strict=True):
        for _ in range(count):
            defect = _spot(rng, kind, mm, style.get(kind, STYLES[kind]), spec)
            for _ in range(40):
                x, y = rng.uniform(low, high)
                if _clear_of(x, y, 1.5 * defect.length_mm + 4 * mm, taken):
                    break
            else:
                continue
            taken.append((float(x), float(y), 1.5 * defect.length_mm))
            out.append(_moved(defect, float(x), float(y)))
    out += [
        scratch for _ in range(counts[2]) if (scratch := _scratch(rng, spec, low, high, style)) is not None
    ]
    return tuple(out)


def _spot(rng: np.random.Generator, kind: str, mm: float, styles: tuple[str, ...], spec: SceneSpec) -> Defect:
    smallest, largest = max(0.06, 0.9 * mm), min(9.0, 42 * mm)
    length = float(np.exp(rng.uniform(np.log(smallest), np.log(max(largest, 1.3 * smallest)))))
    family = str(rng.choice(styles, p=_shares(styles)))
    if kind == "bubble":
        aspect = float(np.clip(np.exp(abs(rng.normal(0, 0.42))), 1.0, 3.0))
        angle = 90 + rng.normal(0, 4)
    else:
        aspect = float(np.clip(np.exp(abs(rng.normal(0, 0.25))), 1.0, 2.2))
        angle = rng.uniform(0, 180)
    with_halo = rng.random() < (0.5 if kind == "bubble" else 0.75) and family != "open"
    bright = spec.lighting == "bright_field"
    strength = rng.uniform(0.5, 1.0) if bright else float(np.exp(rng.uniform(np.log(0.06), np.log(1.1))))
    return Defect(
        kind=kind, x_mm=0.0, y_mm=0.0, length_mm=length, width_mm=length / aspect, angle_deg=float(angle) % 180,
        style=family, strength=float(strength), seed=int(rng.integers(0, 2**31)),
        halo_ratio=float(rng.uniform(1.5, 4.0)) if with_halo else 1.0,
        halo_strength=float(rng.uniform(0.004, 0.06)) if with_halo else 0.0,
    )  # fmt: skip


def _shares(styles: tuple[str, ...]) -> Floats:
    weights = np.array([0.15 if name == "open" else 1.0 for name in styles])
    return weights / weights.sum()


def _moved(defect: Defect, x: float, y: float) -> Defect:
    return Defect(
        defect.kind, x, y, defect.length_mm, defect.width_mm, defect.angle_deg, defect.style, defect.strength, defect.seed,
        defect.halo_ratio, defect.halo_strength, defect.path_mm, defect.gaps,
    )  # fmt: skip


def _scratch(
    rng: np.random.Generator, spec: SceneSpec, low: Floats, high: Floats, style: dict[str, tuple[str, ...]]
) -> Defect | None:
    mm = spec.camera.mm_per_px
    span = float(np.hypot(*(high - low)))
    shortest, longest = max(5.0, 25 * mm), min(1000.0, 0.9 * span)
    if longest <= shortest:
        return None
    for _ in range(30):
        length = float(np.exp(rng.uniform(np.log(shortest), np.log(longest))))
        heading = rng.uniform(0, 2 * np.pi) if rng.random() < 0.7 else np.pi / 2 + rng.normal(0, 0.03)
        bend = rng.normal(0, 0.12) + (rng.normal(0, 0.5) if rng.random() < 0.15 else 0.0)
        s = np.linspace(0, 1, 81)
        angle = heading + bend * (s - 0.5) + 0.1 * rng.normal() * (s - 0.5) ** 2
        steps = np.column_stack([np.cos(angle), np.sin(angle)]) * length / 80
        path = np.concatenate([[[0.0, 0.0]], np.cumsum((steps[1:] + steps[:-1]) / 2, axis=0)])
        arc = float(np.hypot(*np.diff(path, axis=0).T).sum())
        path = path - (path.min(axis=0) + path.max(axis=0)) / 2
        room = (high - low) - (path.max(axis=0) - path.min(axis=0))
        if room.min() <= 0:
            continue
        path = path + (low + high) / 2 + rng.uniform(-0.5, 0.5, 2) * room
        circles = _tag_circles(spec)
        if any(np.hypot(path[:, 0] - x, path[:, 1] - y).min() < r for x, y, r in circles):
            continue
        families = style.get("scratch", STYLES["scratch"])
        width = float(np.exp(rng.uniform(np.log(0.015), np.log(0.5))))
        dark = spec.lighting == "dark_field"
        strength = (
            float(np.exp(rng.uniform(np.log(0.1), np.log(1.2)))) if dark else float(rng.uniform(0.1, 0.8))
        )
        return Defect(
            kind="scratch", x_mm=float(path[40, 0]), y_mm=float(path[40, 1]), length_mm=arc, width_mm=width, angle_deg=0.0,
            style=str(rng.choice(families)), strength=strength, seed=int(rng.integers(0, 2**31)),
            path_mm=tuple((float(x), float(y)) for x, y in path), gaps=_gaps(rng),
        )  # fmt: skip
    return None


def _gaps(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Skips of an intermittent scratch, none near its ends."""
    if rng.random() < 0.5:
        return ()
    starts = np.sort(rng.uniform(0.12, 0.84, int(rng.integers(1, 5))))
    return tuple((float(start), float(start + rng.uniform(0.01, 0.06))) for start in starts)


def _clutter(
    rng: np.random.Generator, spec: SceneSpec, defects: tuple[Defect, ...], amount: float, difficulty: float
) -> tuple[Clutter, ...]:
    if amount <= 0:
        return ()
    low, high = _free_box(spec)
    mm = spec.camera.mm_per_px
    taken = _tag_circles(spec) + [(d.x_mm, d.y_mm, 2.0 * d.length_mm) for d in defects if d.kind != "scratch"]
    dusty = float(np.exp(rng.uniform(np.log(0.1), np.log(3.0)))) * amount
    many = [
        ("dust", "flake", rng.poisson(40 * dusty), (max(0.04, 0.5 * mm), max(0.25, min(1.2, 5 * mm)))),
        ("lint", "fibre", rng.poisson(6 * dusty), (max(0.6, 4 * mm), max(4.0, min(15.0, 60 * mm)))),
        ("marker", "writing", rng.poisson(0.5 * amount), (max(8.0, 30 * mm), max(12.0, min(60.0, 260 * mm)))),
        ("drip", "dried drop", rng.poisson(1.5 * amount), (max(1.5, 8 * mm), max(4.0, min(15.0, 80 * mm)))),
        ("finger mark", "finger", rng.poisson(0.8 * amount), (12.0, 20.0)),
        ("finger mark", "suction ring", rng.poisson(0.15 * amount), (60.0, 150.0)),
        ("reflection", "lamp", rng.poisson(0.25 * amount), (60 * mm, 900 * mm)),
    ]
    out: list[Clutter] = []
    for what, detail, count, (least, most) in many:
        clusters = rng.uniform(low, high, (max(1, int(count) // 12), 2))
        for _ in range(int(count)):
            size = float(np.exp(rng.uniform(np.log(least), np.log(most))))
            for _ in range(12):
                x, y = rng.uniform(low, high)
                if detail == "flake" and rng.random() < 0.35:
                    x, y = np.clip(
                        clusters[int(rng.integers(len(clusters)))] + rng.normal(0, 12 * size, 2), low, high
                    )
                wide = detail in ("suction ring", "lamp")
                if wide or _clear_of(x, y, (1.6 if what == "marker" else 0.8) * size + 2 * mm, taken):
                    break
            else:
                continue
            text = "".join(rng.choice(list(WRITING), int(rng.integers(1, 5)))) if what == "marker" else ""
            strength = float(rng.uniform(0.25, 1.0))
            out.append(
                Clutter(
                    what,
                    detail,
                    float(x),
                    float(y),
                    size,
                    float(rng.uniform(0, 360)) if what != "marker" else float(rng.normal(0, 12)),
                    strength,
                    int(rng.integers(0, 2**31)),
                    text,
                )
            )
    return tuple(out)
