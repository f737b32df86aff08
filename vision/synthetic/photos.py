"""Photos to learn from: seeded, of three renderers, each as file bytes with set-up and truth.

Training photos take their seeds from `TRAINING`, those that choose and calibrate from `CHOOSING`, tests
from `TESTING`; the ranges do not meet, and a test checks it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from vision.synthetic import parametric, sprites
from vision.synthetic.raytraced import encode, random_scene, render
from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.truth import ArtefactTruth, DefectTruth

TRAINING = range(1_000_000, 1_200_000)
CHOOSING = range(1_200_000, 1_400_000)
TESTING = range(3_000_000, 3_100_000)
LIGHTINGS = ("dark_field", "bright_field")


@dataclass(frozen=True)
class Shot:
    """data : JPEG bytes; setup : as in a set-up file; defects, artefacts : truth rows with places in pixels
    (path_px or box_px); blur_px : standard deviation of the lens blur; seed, renderer : where it comes from
    """

    data: bytes
    setup: dict[str, Any]
    defects: list[DefectTruth]
    artefacts: list[ArtefactTruth]
    blur_px: float
    seed: int
    renderer: str


def shot_of(seed: int, renderer: str, megapixels: float = 3.0, crowded: bool = True) -> Shot:
    """One photo by "raytraced", "sprites" or "parametric". Even seeds are dark field, odd ones bright field.

    crowded : more defects than glass ever has
    """
    return RENDERERS[renderer](seed, megapixels, crowded)


def _raytraced(seed: int, megapixels: float, crowded: bool) -> Shot:
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
        scale, halo = row["mm_per_px"], row["halo_mm"]
        row["width_px"] = row["width_mm"] / scale
        row["halo_px"] = halo / scale if halo else None
        row["path_px"] = projection.mm_to_px(np.array(row["path_mm"])) if row["path_mm"] else None
        defects.append(row)
    quality = scene.sensor.jpeg_quality
    return Shot(
        encode(made, quality),
        made.setup,
        defects,
        made.truth["not_glass"],
        scene.blur.sigma_px,
        seed,
        "raytraced",
    )


def _sprites(seed: int, megapixels: float, crowded: bool) -> Shot:
    rng = np.random.default_rng(seed)
    side = int(np.sqrt(megapixels * 1e6))
    some = (40, 40) if crowded else (10, 30)
    field = sprites.draw_field(
        rng,
        lighting=LIGHTINGS[seed % 2],
        size=(side, side),
        defects=int(rng.poisson(some[0])),
        specks=int(rng.poisson(some[1] * rng.uniform(0.3, 1.5))),
        dirt=float(rng.uniform(0.3, 1.6)),
    )
    ok, data = cv2.imencode(".jpg", field.grey, [cv2.IMWRITE_JPEG_QUALITY, 99])
    if not ok:
        msg = f"sprite field {seed}: JPEG encoder refused it"
        raise RuntimeError(msg)
    mm = field.mm_per_px
    setup = {
        "lighting": field.lighting,
        "thickness_mm": 4.0,
        "mm_per_px": mm,
        "field_mm": [100.0, 100.0, 100.0 + side * mm, 100.0 + side * mm],
    }
    return Shot(data.tobytes(), setup, field.defects, field.artefacts, field.blur_px, seed, "sprites")


def _parametric(seed: int, megapixels: float, crowded: bool) -> Shot:
    rng = np.random.default_rng(seed)
    height = int(np.sqrt(megapixels * 1e6 * rng.choice([0.75, 1.0, 1.333])))
    size = height, int(megapixels * 1e6 / height)
    made = parametric.draw_field(rng, lighting=LIGHTINGS[seed % 2], size=size, crowded=crowded)
    return Shot(made.data, made.setup, made.defects, made.artefacts, made.blur_px, seed, "parametric")


RENDERERS = {"raytraced": _raytraced, "sprites": _sprites, "parametric": _parametric}


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
        [_moved_defect(row, share_x, share_y) for row in shot.defects],
        [_moved_artefact(row, share_x, share_y) for row in shot.artefacts],
        shot.blur_px * share,
        shot.seed,
        shot.renderer,
    )


def _moved_defect(row: DefectTruth, share_x: float, share_y: float) -> DefectTruth:
    new = row.copy()
    new["x_px"], new["y_px"] = row["x_px"] * share_x, row["y_px"] * share_y
    new["length_px"] = row["length_px"] * share_x
    if "width_px" in row:
        new["width_px"] = row["width_px"] * share_x
    if row.get("path_px") is not None:
        new["path_px"] = np.asarray(row["path_px"]) * [share_x, share_y]
    return new


def _moved_artefact(row: ArtefactTruth, share_x: float, share_y: float) -> ArtefactTruth:
    new = row.copy()
    x, y, w, h = row["box_px"]
    new["box_px"] = [x * share_x, y * share_y, w * share_x, h * share_y]
    if "x_px" in row and "y_px" in row:
        new["x_px"], new["y_px"] = row["x_px"] * share_x, row["y_px"] * share_y
    if "width_px" in row:
        new["width_px"] = row["width_px"] * share_x
    if row.get("path_px") is not None:
        new["path_px"] = np.asarray(row["path_px"]) * [share_x, share_y]
    return new
