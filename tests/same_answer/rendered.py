"""One long scratch in several rendered photos of a sheet, as files: for tests from bytes to verdict."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from vision.synthetic.raytraced import encode, random_scene, render
from vision.synthetic.raytraced.scene import Defect

SHEET_MM = (400.0, 1200.0)
MM_PER_PX = 0.2


def write_photos(
    folder: Path, scratch: Defect, strips_mm: Sequence[tuple[float, float]], lighting: str, seed: int = 1
) -> list[Path]:
    """Photos of strips of the sheet (from, to along it), square-on, each with its set-up beside it."""
    paths = []
    for number, (begin, end) in enumerate(strips_mm, start=1):
        rng = np.random.default_rng(seed)  # the same lamps, camera and sensor for all photos of the sheet
        scene = random_scene(
            rng, lighting=lighting, megapixels=2, mm_per_px=MM_PER_PX, difficulty=0.2, scale="given",
            defects=(0, 0, 0), clutter=0.0,
        )  # fmt: skip
        width_px, height_px = round(SHEET_MM[0] / MM_PER_PX), round((end - begin) / MM_PER_PX)
        camera = replace(
            scene.camera, width_px=width_px, height_px=height_px, k1=0.0, k2=0.0,
            centre_mm=(SHEET_MM[0] / 2, (begin + end) / 2),
        )  # fmt: skip
        scene = replace(
            scene, camera=camera, sheet_mm=SHEET_MM, field_mm=(0.0, begin, SHEET_MM[0], end),
            defects=(scratch,), clutter=(), thickness_mm=4.0,
        )  # fmt: skip
        shot = render(scene, np.random.default_rng(seed + number))
        path = folder / f"photo-{number}.jpg"
        path.write_bytes(encode(shot, 94))
        path.with_suffix(".setup.json").write_text(json.dumps(shot.setup))
        paths.append(path)
    return paths
