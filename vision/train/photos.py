"""Photos to learn from: seeded, of three renderers, each as file bytes with set-up and truth.

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
from vision.train.stamped import stamp_field

TRAINING = range(1_000_000, 1_200_000)
CHOOSING = range(1_200_000, 1_400_000)
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
    """One photo by "traced", "painted" or "stamped". Even seeds are dark field, odd ones bright field.

    crowded : more defects than glass ever has
    """
    return RENDERERS[renderer](seed, megapixels, crowded)


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


def _stamped(seed: int, megapixels: float, crowded: bool) -> Shot:
    rng = np.random.default_rng(seed)
    height = int(np.sqrt(megapixels * 1e6 * rng.choice([0.75, 1.0, 1.333])))
    size = height, int(megapixels * 1e6 / height)
    made = stamp_field(rng, lighting=LIGHTINGS[seed % 2], size=size, crowded=crowded)
    return Shot(made.data, made.setup, made.defects, made.not_glass, made.blur_px, seed, "stamped")


RENDERERS = {"traced": _traced, "painted": _painted, "stamped": _stamped}


def varied(shot: Shot) -> Shot:
    """The same photo as another camera might have taken it: coarser, with another tone curve, grain and
    JPEG quality.

    Widens what either renderer's sensor would give; the truth moves with the pixels.
    """
    rng = np.random.default_rng(shot.seed + 7)
    grey = np.asarray(cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_GRAYSCALE))
    share = float(rng.uniform(0.45, 1.0)) if rng.random() < 0.6 else 1.0
    h, w = int(grey.shape[0] * share), int(grey.shape[1] * share)
    share_x, share_y = w / grey.shape[1], h / grey.shape[0]
    image = cv2.resize(grey, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    image = image ** np.float32(np.exp(rng.uniform(-0.5, 0.5)))
    if rng.random() < 0.3:
        image = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.35, 0.8)))
    if rng.random() < 0.3:
        wide = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.8, 1.6)))
        image = image + np.float32(rng.uniform(0.2, 0.8)) * (image - wide)
    sd = float(np.exp(rng.uniform(np.log(0.001), np.log(0.008))))
    image = image + sd * rng.standard_normal(image.shape, dtype=np.float32)
    value = np.clip(image * 255 + 0.5, 0, 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", value, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(78, 98))])
    if not ok:
        msg = f"photo {shot.seed}: JPEG encoder refused it"
        raise RuntimeError(msg)
    setup = dict(shot.setup)
    if "mm_per_px" in setup:
        setup["mm_per_px"] = setup["mm_per_px"] / share_x
    return Shot(
        data.tobytes(),
        setup,
        [_moved(row, share_x, share_y) for row in shot.defects],
        [_moved(row, share_x, share_y) for row in shot.not_glass],
        shot.blur_px * share,
        shot.seed,
        shot.renderer,
    )


def _moved(row: dict[str, Any], share_x: float, share_y: float) -> dict[str, Any]:
    new = dict(row)
    for key, share in (("x_px", share_x), ("y_px", share_y), ("length_px", share_x), ("width_px", share_x)):
        if key in new:
            new[key] = new[key] * share
    if new.get("path_px") is not None:
        new["path_px"] = np.asarray(new["path_px"]) * [share_x, share_y]
    if "box_px" in new:
        x, y, w, h = new["box_px"]
        new["box_px"] = [x * share_x, y * share_y, w * share_x, h * share_y]
    return new
