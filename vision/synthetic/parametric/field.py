"""One whole photo of one domain: light, dirt, defects, tags, cut edge, camera, with its set-up and truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from vision.synthetic.parametric import ground, pen, smears, tags
from vision.synthetic.parametric.bubbles import bubble
from vision.synthetic.parametric.camera import expose
from vision.synthetic.parametric.canvas import Canvas, DrawnDefect
from vision.synthetic.parametric.contrast_left import LEAST_LEFT_SHARE, contrast_left
from vision.synthetic.parametric.domain import Domain, draw_domain
from vision.synthetic.parametric.dust import dust, dust_length
from vision.synthetic.parametric.fibres import fibre
from vision.synthetic.parametric.scratches import scratch
from vision.synthetic.parametric.stones import stone
from vision.synthetic.truth import ArtefactTruth, DefectTruth

WHOLE_SHEET_MM = (3210.0, 6000.0)
TAG_SHARE, EDGE_SHARE = 0.4, 0.25


@dataclass(frozen=True)
class ParametricPhoto:
    """data : JPEG bytes; setup : as in a set-up file; defects, artefacts : truth rows; blur_px : sd of the
    lens blur"""

    data: bytes
    setup: dict[str, Any]
    defects: list[DefectTruth]
    artefacts: list[ArtefactTruth]
    blur_px: float


@dataclass
class FreePlaces:
    """Where things lie already: x, y, reach (px)."""

    taken: list[tuple[float, float, float]] = field(default_factory=list)

    def free(self, rng: np.random.Generator, canvas: Canvas, reach: float) -> tuple[float, float] | None:
        """A place on the glass whose reach meets nothing; None where there is no room."""
        margin = min(0.5 * reach + 5, 20)
        low, high = np.array(canvas.room[:2]) + margin, np.array(canvas.room[2:]) - margin
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


def draw_field(
    rng: np.random.Generator, *, lighting: str, size: tuple[int, int], crowded: bool
) -> ParametricPhoto:
    """One photo (H, W). crowded : more defects than glass ever has."""
    dark = lighting == "dark_field"
    domain = draw_domain(rng, dark, float(size[0] * size[1]), crowded)
    camera = domain.camera
    h, w = size
    side = str(rng.choice(ground.SIDES)) if rng.random() < EDGE_SHARE else None
    glass = _glass(rng, side, w, h)
    light = ground.dark_light(rng, size, camera) if dark else ground.bright_light(rng, size)
    canvas = Canvas(light, dark, domain.mm_per_px, camera.lens.sigma_px, camera.noise, glass, camera.grain_px)
    places, artefacts = FreePlaces(), list[ArtefactTruth]()
    setup = _setup(rng, lighting, canvas, side)
    corners = tags.corners(rng, canvas) if rng.random() < TAG_SHARE else {}
    for box in corners.values():
        places.taken.append((box[0] + box[2] / 2, box[1] + box[2] / 2, 0.95 * box[2]))
    artefacts += [ground.mirrored(rng, canvas, camera) for _ in range(domain.counts.mirrored)]
    _smears(rng, canvas, domain, artefacts)
    defects = _spots(rng, canvas, domain, places)
    _pen(rng, canvas, domain, defects, artefacts)
    _grains(rng, canvas, domain, places, artefacts)
    lines = [scratch(rng, canvas, domain.scratch) for _ in range(domain.counts.scratches)]
    defects += [row for row in lines if row is not None]
    threads = [fibre(rng, canvas, domain.fibre) for _ in range(domain.counts.fibres)]
    artefacts += [row for row in threads if row is not None]
    if side is not None:
        artefacts.append(ground.cut_edge(rng, canvas, side))
    if corners:
        setup["tags"] = tags.lay(rng, canvas, corners, setup["field_mm"])
        del setup["mm_per_px"]
    data = expose(rng, camera, canvas.light)
    grey = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE))
    for made in defects:
        left = 0.0 if made.snr is None else contrast_left(grey, camera, made.snr)
        made.row["visible"] = made.row["visible"] and left >= LEAST_LEFT_SHARE
    return ParametricPhoto(data, setup, [made.row for made in defects], artefacts, camera.lens.sigma_px)


def _glass(rng: np.random.Generator, side: str | None, w: int, h: int) -> tuple[float, float, float, float]:
    out = float(rng.uniform(0.03, 0.22))
    return (
        round(out * w) if side == "left" else 0.0,
        round(out * h) if side == "top" else 0.0,
        w - round(out * w) if side == "right" else float(w),
        h - round(out * h) if side == "bottom" else float(h),
    )


def _setup(rng: np.random.Generator, lighting: str, canvas: Canvas, side: str | None) -> dict[str, Any]:
    """The set-up; on the side of a cut edge the field sticks out past the sheet."""
    mm, glass = canvas.mm_per_px, canvas.glass
    wide, high = canvas.width * mm, canvas.height * mm
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


def _spots(rng: np.random.Generator, canvas: Canvas, domain: Domain, places: FreePlaces) -> list[DrawnDefect]:
    rows: list[DrawnDefect] = []
    for _ in range(domain.counts.spots):
        length = domain.spot_px(rng)
        at = places.free(rng, canvas, 1.2 * length + 8)
        if at is None:
            continue
        places.taken.append((*at, 1.2 * length + 3))
        if rng.random() < domain.bubbles:
            rows.append(bubble(rng, canvas, domain.bubble, *at, length))
        else:
            rows.append(stone(rng, canvas, domain.stone, *at, length))
    return rows


def _grains(
    rng: np.random.Generator,
    canvas: Canvas,
    domain: Domain,
    places: FreePlaces,
    artefacts: list[ArtefactTruth],
) -> None:
    """Dust anywhere, in swarms, or left in a row by a wipe."""
    x0, y0, x1, y1 = canvas.room
    count = domain.counts.dust
    middles = rng.uniform([x0, y0], [x1, y1], (max(1, count // 15), 2))
    row_turn, row_share = rng.uniform(0, np.pi), float(rng.choice([0, 0.2], p=[0.75, 0.25]))
    for _ in range(count):
        length = dust_length(rng, domain.dust, canvas.mm_per_px)
        x, y = rng.uniform([x0 + 4, y0 + 4], [x1 - 4, y1 - 4])
        if rng.random() < domain.dust.clumped:
            x, y = middles[int(rng.integers(len(middles)))] + rng.normal(0, 30, 2)
        elif rng.random() < row_share:
            along = rng.uniform(-0.2, 0.2) * min(canvas.width, canvas.height)
            x, y = middles[0] + along * np.array([np.cos(row_turn), np.sin(row_turn)]) + rng.normal(0, 4, 2)
        inside = x0 + 2 < x < x1 - 2 and y0 + 2 < y < y1 - 2
        if inside and places.clear(float(x), float(y), 1.2 * length + 3):
            artefacts.append(dust(rng, canvas, domain.dust, float(x), float(y), length))
            places.taken.append((float(x), float(y), length))


def _anywhere(rng: np.random.Generator, canvas: Canvas) -> tuple[float, float]:
    x0, y0, x1, y1 = canvas.room
    return float(rng.uniform(x0 + 10, x1 - 10)), float(rng.uniform(y0 + 10, y1 - 10))


def _smears(rng: np.random.Generator, canvas: Canvas, domain: Domain, artefacts: list[ArtefactTruth]) -> None:
    counts = domain.counts
    for make, count in (
        (smears.drop, counts.drops),
        (smears.finger, counts.fingers),
        (smears.cup, counts.cups),
        (smears.wiped, counts.wiped),
    ):
        artefacts += [make(rng, canvas, domain.smear, *_anywhere(rng, canvas)) for _ in range(count)]


def _pen(
    rng: np.random.Generator,
    canvas: Canvas,
    domain: Domain,
    defects: list[DrawnDefect],
    artefacts: list[ArtefactTruth],
) -> None:
    """Writing anywhere; rings often round a defect."""
    written = [
        pen.letters(rng, canvas, domain.pen, *_anywhere(rng, canvas)) for _ in range(domain.counts.letters)
    ]
    artefacts += [row for row in written if row is not None]
    for _ in range(domain.counts.strokes):
        if defects and rng.random() < 0.5:
            row = defects[int(rng.integers(len(defects)))].row
            ring = max(float(rng.uniform(8, 35)) / canvas.mm_per_px, 2.5 * row["length_px"] + 12)
            artefacts += pen.stroke(rng, canvas, domain.pen, row["x_px"], row["y_px"], min(ring, 300.0))
        else:
            artefacts += pen.stroke(rng, canvas, domain.pen, *_anywhere(rng, canvas))
