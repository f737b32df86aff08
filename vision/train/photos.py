"""Photos to learn from: seeded, of both renderers, each as file bytes with set-up and truth.

Training photos take their seeds from `TRAINING`, those that choose and calibrate from `CHOOSING`, tests
from `TESTING`; the ranges do not meet, and a test checks it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from vision.render import encode, random_scene, render
from vision.render.camera import Projection
from vision.train.field import paint_field

TRAINING = range(1_000_000, 2_000_000)
CHOOSING = range(2_000_000, 2_100_000)
TESTING = range(3_000_000, 3_100_000)
LIGHTINGS = ("dark_field", "bright_field")


@dataclass(frozen=True)
class Shot:
    """data : JPEG bytes; setup : as in a set-up file; defects, not_glass : truth rows with places in pixels
    (path_px or box_px); blur_px : standard deviation of the lens blur; seed, renderer : where it comes from
    """

    data: bytes
    setup: dict[str, Any]
    defects: list[dict[str, Any]]
    not_glass: list[dict[str, Any]]
    blur_px: float
    seed: int
    renderer: str


def shot_of(seed: int, renderer: str, megapixels: float = 3.0, crowded: bool = True) -> Shot:
    """One photo. Even seeds are dark field, odd ones bright field. crowded : more defects than glass ever
    has."""
    return _traced(seed, megapixels, crowded) if renderer == "traced" else _painted(seed, megapixels, crowded)


def _traced(seed: int, megapixels: float, crowded: bool) -> Shot:
    rng = np.random.default_rng(seed)
    lighting = LIGHTINGS[seed % 2]
    if crowded:
        counts = tuple(int(v) for v in rng.poisson((12, 12, 3)))
        scene = random_scene(
            rng,
            lighting=lighting,
            megapixels=megapixels,
            defects=(counts[0], counts[1], counts[2]),
            clutter=float(rng.uniform(0.4, 1.6)),
            difficulty=float(rng.uniform(0, 1)),
        )
    else:
        scene = random_scene(
            rng, lighting=lighting, megapixels=megapixels, difficulty=float(rng.uniform(0.2, 0.8))
        )
    made = render(scene, rng)
    projection = Projection(scene.camera)
    defects = []
    for row in made.truth["defects"]:
        scale = row["mm_per_px"]
        halo = row["halo_mm"]
        path = projection.mm_to_px(np.array(row["path_mm"])) if row["path_mm"] else None
        defects.append(
            {
                **row,
                "width_px": row["width_mm"] / scale,
                "halo_px": halo / scale if halo else None,
                "path_px": path,
            }
        )
    quality = scene.sensor.jpeg_quality
    dirt = [dict(row) for row in made.truth["not_glass"]]
    return Shot(encode(made, quality), made.setup, defects, dirt, scene.blur.sigma_px, seed, "traced")


def _painted(seed: int, megapixels: float, crowded: bool) -> Shot:
    rng = np.random.default_rng(seed)
    side = int(np.sqrt(megapixels * 1e6))
    some = (40, 40) if crowded else (10, 30)
    field = paint_field(
        rng,
        lighting=LIGHTINGS[seed % 2],
        size=(side, side),
        defects=int(rng.poisson(some[0])),
        specks=int(rng.poisson(some[1] * rng.uniform(0.3, 1.5))),
        dirt=float(rng.uniform(0.3, 1.6)),
    )
    ok, data = cv2.imencode(".jpg", field.grey, [cv2.IMWRITE_JPEG_QUALITY, 99])
    if not ok:
        msg = f"painted field {seed}: JPEG encoder refused it"
        raise RuntimeError(msg)
    mm = field.mm_per_px
    setup = {
        "lighting": field.lighting,
        "thickness_mm": 4.0,
        "mm_per_px": mm,
        "field_mm": [100.0, 100.0, 100.0 + side * mm, 100.0 + side * mm],
    }
    return Shot(data.tobytes(), setup, field.defects, field.not_glass, field.blur_px, seed, "painted")
