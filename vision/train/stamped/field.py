"""One whole photo of one world: light, dirt, defects, tags, cut edge, camera, with its set-up and truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from vision.train.stamped import ground, pen, smears, tags
from vision.train.stamped.bubbles import bubble
from vision.train.stamped.camera import expose
from vision.train.stamped.dust import dust, dust_length
from vision.train.stamped.fibres import fibre
from vision.train.stamped.kept import LEAST_KEPT, kept
from vision.train.stamped.scratches import scratch
from vision.train.stamped.sheet import Sheet
from vision.train.stamped.stones import stone
from vision.train.stamped.world import World, draw_world

Row = dict[str, Any]
WHOLE_SHEET_MM = (3210.0, 6000.0)
TAG_SHARE, EDGE_SHARE = 0.4, 0.25


@dataclass(frozen=True)
class Stamped:
    """data : JPEG bytes; setup : as in a set-up file; defects, not_glass : truth rows; blur_px : sd of the
    lens blur"""

    data: bytes
    setup: dict[str, Any]
    defects: list[Row]
    not_glass: list[Row]
    blur_px: float


@dataclass
class Places:
    """Where things lie already: x, y, reach (px)."""

    taken: list[tuple[float, float, float]] = field(default_factory=list)

    def free(self, rng: np.random.Generator, sheet: Sheet, reach: float) -> tuple[float, float] | None:
        """A place on the glass whose reach meets nothing; None where there is no room."""
        margin = min(0.5 * reach + 5, 20)
        low, high = np.array(sheet.room[:2]) + margin, np.array(sheet.room[2:]) - margin
        for _ in range(40):
            x, y = (float(v) for v in rng.uniform(low, high))
            if self.clear(x, y, reach):
                return x, y
        return None

    def clear(self, x: float, y: float, reach: float) -> bool:
        if not self.taken:
            return True
        all_ = np.asarray(self.taken)
        return bool(np.all(np.hypot(all_[:, 0] - x, all_[:, 1] - y) > all_[:, 2] + reach))


def stamp_field(rng: np.random.Generator, *, lighting: str, size: tuple[int, int], crowded: bool) -> Stamped:
    """One photo (H, W). crowded : more defects than glass ever has."""
    dark = lighting == "dark_field"
    world = draw_world(rng, dark, float(size[0] * size[1]), crowded)
    camera = world.camera
    h, w = size
    side = str(rng.choice(ground.SIDES)) if rng.random() < EDGE_SHARE else None
    glass = _glass(rng, side, w, h)
    light = ground.dark_light(rng, size, camera) if dark else ground.bright_light(rng, size)
    sheet = Sheet(light, dark, world.mm_per_px, camera.lens.sigma_px, camera.noise, glass, camera.grain_px)
    places, nots = Places(), list[Row]()
    setup = _setup(rng, lighting, sheet, side)
    corners = tags.corners(rng, sheet) if rng.random() < TAG_SHARE else {}
    for box in corners.values():
        places.taken.append((box[0] + box[2] / 2, box[1] + box[2] / 2, 0.95 * box[2]))
    nots += [ground.mirrored(rng, sheet, camera) for _ in range(world.counts.mirrored)]
    _smears(rng, sheet, world, nots)
    defects = _spots(rng, sheet, world, places)
    _pen(rng, sheet, world, defects, nots)
    _grains(rng, sheet, world, places, nots)
    lines = [scratch(rng, sheet, world.scratch) for _ in range(world.counts.scratches)]
    defects += [row for row in lines if row is not None]
    threads = [fibre(rng, sheet, world.fibre) for _ in range(world.counts.fibres)]
    nots += [row for row in threads if row is not None]
    if side is not None:
        nots.append(ground.cut_edge(rng, sheet, side))
    if corners:
        setup["tags"] = tags.lay(rng, sheet, corners, setup["field_mm"])
        del setup["mm_per_px"]
    data = expose(rng, camera, sheet.light)
    grey = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE))
    for row in defects:
        seen = row.pop("seen")
        row["visible"] = bool(row["visible"] and kept(grey, camera, seen) >= LEAST_KEPT)
    return Stamped(data, setup, defects, nots, camera.lens.sigma_px)


def _glass(rng: np.random.Generator, side: str | None, w: int, h: int) -> tuple[float, float, float, float]:
    out = float(rng.uniform(0.03, 0.22))
    return (
        round(out * w) if side == "left" else 0.0,
        round(out * h) if side == "top" else 0.0,
        w - round(out * w) if side == "right" else float(w),
        h - round(out * h) if side == "bottom" else float(h),
    )


def _setup(rng: np.random.Generator, lighting: str, sheet: Sheet, side: str | None) -> dict[str, Any]:
    """The set-up; on the side of a cut edge the field sticks out past the sheet."""
    mm, glass = sheet.mm_per_px, sheet.glass
    wide, high = sheet.width * mm, sheet.height * mm
    whole = np.maximum(WHOLE_SHEET_MM, [1.2 * wide, 1.2 * high])
    start = rng.uniform(5, np.maximum(whole - [wide, high] - 5, 6))
    if side in ("left", "top"):
        axis = 0 if side == "left" else 1
        start[axis] = -glass[axis] * mm
    elif side is not None:
        axis = 0 if side == "right" else 1
        start[axis] = whole[axis] - glass[2 + axis] * mm
    x, y = (float(v) for v in start)
    return {
        "lighting": lighting,
        "thickness_mm": float(rng.choice([3, 4, 5, 6, 8, 10])),
        "sheet": {"width_mm": float(whole[0]), "length_mm": float(whole[1])},
        "mm_per_px": mm,
        "field_mm": [x, y, x + wide, y + high],
    }


def _spots(rng: np.random.Generator, sheet: Sheet, world: World, places: Places) -> list[Row]:
    rows = []
    for _ in range(world.counts.spots):
        length = world.spot_px(rng)
        at = places.free(rng, sheet, 1.2 * length + 8)
        if at is None:
            continue
        places.taken.append((*at, 1.2 * length + 3))
        if rng.random() < world.bubbles:
            rows.append(bubble(rng, sheet, world.bubble, *at, length))
        else:
            rows.append(stone(rng, sheet, world.stone, *at, length))
    return rows


def _grains(rng: np.random.Generator, sheet: Sheet, world: World, places: Places, nots: list[Row]) -> None:
    """Dust anywhere, in swarms, or left in a row by a wipe."""
    x0, y0, x1, y1 = sheet.room
    count = world.counts.dust
    middles = rng.uniform([x0, y0], [x1, y1], (max(1, count // 15), 2))
    row_turn, row_share = rng.uniform(0, np.pi), float(rng.choice([0, 0.2], p=[0.75, 0.25]))
    for _ in range(count):
        length = dust_length(rng, world.dust, sheet.mm_per_px)
        x, y = rng.uniform([x0 + 4, y0 + 4], [x1 - 4, y1 - 4])
        if rng.random() < world.dust.clumped:
            x, y = middles[int(rng.integers(len(middles)))] + rng.normal(0, 30, 2)
        elif rng.random() < row_share:
            along = rng.uniform(-0.2, 0.2) * min(sheet.width, sheet.height)
            x, y = middles[0] + along * np.array([np.cos(row_turn), np.sin(row_turn)]) + rng.normal(0, 4, 2)
        inside = x0 + 2 < x < x1 - 2 and y0 + 2 < y < y1 - 2
        if inside and places.clear(float(x), float(y), 1.2 * length + 3):
            nots.append(dust(rng, sheet, world.dust, float(x), float(y), length))
            places.taken.append((float(x), float(y), length))


def _anywhere(rng: np.random.Generator, sheet: Sheet) -> tuple[float, float]:
    x0, y0, x1, y1 = sheet.room
    return float(rng.uniform(x0 + 10, x1 - 10)), float(rng.uniform(y0 + 10, y1 - 10))


def _smears(rng: np.random.Generator, sheet: Sheet, world: World, nots: list[Row]) -> None:
    counts = world.counts
    for make, count in (
        (smears.drop, counts.drops),
        (smears.finger, counts.fingers),
        (smears.cup, counts.cups),
        (smears.wiped, counts.wiped),
    ):
        nots += [make(rng, sheet, world.smear, *_anywhere(rng, sheet)) for _ in range(count)]


def _pen(rng: np.random.Generator, sheet: Sheet, world: World, defects: list[Row], nots: list[Row]) -> None:
    """Writing anywhere; rings often round a defect."""
    written = [
        pen.letters(rng, sheet, world.pen, *_anywhere(rng, sheet)) for _ in range(world.counts.letters)
    ]
    nots += [row for row in written if row is not None]
    for _ in range(world.counts.strokes):
        if defects and rng.random() < 0.5:
            row = defects[int(rng.integers(len(defects)))]
            ring = max(float(rng.uniform(8, 35)) / sheet.mm_per_px, 2.5 * row["length_px"] + 12)
            nots += pen.stroke(rng, sheet, world.pen, row["x_px"], row["y_px"], min(ring, 300.0))
        else:
            nots += pen.stroke(rng, sheet, world.pen, *_anywhere(rng, sheet))
