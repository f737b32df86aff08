"""A scene becomes a picture, a set-up and its truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from vision.geometry.shapes import calipers, centroid
from vision.synthetic.raytraced import clutter, light, lines, sensor, surroundings, visibility
from vision.synthetic.raytraced.bubbles import bright_bubble, dark_bubble
from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.scene import Defect, Plane, Rendered, SceneSpec
from vision.synthetic.raytraced.scratch_lines import draw_scratch
from vision.synthetic.raytraced.stones import bright_stone, dark_stone, outline
from vision.synthetic.truth import ArtefactTruth, DefectTruth, Truth

HALO_SHOWS = 0.025
"""A halo shows where it changes the light by at least this share (bright field) or adds this much (dark
field).
"""


def render(scene: SceneSpec, rng: np.random.Generator) -> Rendered:
    """Draw a scene. `rng` gives the noise of the sensor and the ground's mottle; all else stands in the
    scene.
    """
    projection = Projection(scene.camera)
    ground, edge_px = light.ground(scene, projection, rng)
    canvas = Canvas(np.repeat(ground[..., None], 3, axis=2), projection, scene.blur)
    defects = [entry for defect in scene.defects if (entry := _lay_defect(canvas, defect, scene)) is not None]
    others = []
    for thing in scene.clutter:
        box = clutter.lay_clutter(canvas, thing, scene)
        if box is not None:
            others.append(_artefact(thing.what, thing.detail, (thing.x_mm, thing.y_mm), box, canvas))
    edge_box = surroundings.lay_edge(canvas, edge_px, scene, rng)
    if edge_box is not None:
        middle = projection.px_to_mm([((edge_box[0] + edge_box[2]) / 2, (edge_box[1] + edge_box[3]) / 2)])[0]
        others.append(
            _artefact("cut edge", "cut edge", (float(middle[0]), float(middle[1])), edge_box, canvas)
        )
    paper = float(rng.uniform(0.25, 0.8))
    for tag in scene.tags:
        surroundings.lay_tag(canvas, tag, scene, paper)
    image = sensor.expose(canvas.planes, scene, rng)
    found: Truth = {
        "defects": defects,
        "not_glass": [entry for entry in others if entry["box_px"][2] > 0 and entry["box_px"][3] > 0],
    }
    return Rendered(image, set_up(scene), found)


def set_up(scene: SceneSpec) -> dict[str, Any]:
    """The set-up file that goes with the photo."""
    out: dict[str, Any] = {
        "lighting": scene.lighting,
        "thickness_mm": scene.thickness_mm,
        "sheet": {"width_mm": scene.sheet_mm[0], "length_mm": scene.sheet_mm[1]},
        "field_mm": [round(value, 4) for value in scene.field_mm],
    }
    if scene.tags:
        corners = {
            str(tag.number): [[round(x, 4), round(y, 4)] for x, y in tag.corners_mm] for tag in scene.tags
        }
        out["tags"] = {"dictionary": "DICT_5X5_50", "corners_mm": corners}
    elif scene.given_scale:
        out["mm_per_px"] = scene.camera.mm_per_px
    return out


def encode(rendered: Rendered, quality: int = 92) -> bytes:
    """The picture as a JPEG file (4:2:0, as phones write it)."""
    done, data = cv2.imencode(".jpg", rendered.image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(quality)])
    if not done:
        raise ValueError(f"JPEG encoder refused a picture of shape {rendered.image.shape}")
    return data.tobytes()


def _lay_defect(canvas: Canvas, defect: Defect, scene: SceneSpec) -> DefectTruth | None:
    if defect.kind == "scratch":
        return _lay_scratch(canvas, defect, scene)
    ratio = max(defect.halo_ratio, 1.0) if defect.halo_strength > 0 else 1.0
    reach = 0.55 * defect.length_mm * max(1.0, 1.3 * ratio) + (
        2.3 * defect.length_mm if defect.style == "wispy" else 0.0
    )
    grid = canvas.patch((defect.x_mm, defect.y_mm), reach, defect.width_mm / 24)
    if grid is None:
        return None
    rows, columns = canvas.cut(grid.box)
    before = canvas.planes[rows, columns, 1].copy()
    if scene.lighting == "bright_field":
        fine = (
            bright_bubble(defect, grid, scene)
            if defect.kind == "bubble"
            else bright_stone(defect, grid, scene)
        )
        canvas.lay(grid.box, grid.settle(fine), None)
        clean = np.abs(fine - 1)
    else:
        fine = dark_bubble(defect, grid, scene.dark) if defect.kind == "bubble" else dark_stone(defect, grid)
        canvas.lay(grid.box, None, grid.settle(fine))
        clean = fine
    change = canvas.planes[rows, columns, 1] - before
    snr = visibility.spot_snr(scene, before, change, grid.centre_px)
    sizes = (defect.length_mm, defect.width_mm, defect.angle_deg)
    if defect.kind == "stone":
        core = outline(defect)
        sizes = calipers(core)
        (x,), (y,) = centroid(core[None, :, 0], core[None, :, 1])
        defect = replace(defect, x_mm=defect.x_mm + x, y_mm=defect.y_mm + y)
    return visibility.defect_truth(
        canvas, defect, scene, sizes, _halo_mm(defect, sizes[0], clean, grid.x_mm, grid.y_mm), snr
    )


def _halo_mm(defect: Defect, length_mm: float, clean: Plane, x_mm: Plane, y_mm: Plane) -> float | None:
    """Largest dimension of the zone that the halo visibly changes; None where it does not reach past the
    nucleus.
    """
    if defect.halo_strength <= 0:
        return None
    shows = clean > HALO_SHOWS
    if not shows.any():
        return None
    points = np.column_stack([x_mm[shows], y_mm[shows]])
    size = calipers(points)[0]
    return size if size > 1.25 * length_mm else None


def _lay_scratch(canvas: Canvas, defect: Defect, scene: SceneSpec) -> DefectTruth | None:
    path = np.asarray(defect.path_mm, dtype=float)
    laid = draw_scratch(canvas, defect, scene)
    if laid is None:
        return None
    before = lines.levels_at(canvas, laid["rows"], laid["columns"]) - laid["change"]
    place = canvas.projection.mm_to_px([(defect.x_mm, defect.y_mm)])[0]
    snr = visibility.line_snr(scene, laid, before, place)
    chord = path[-1] - path[0]
    angle = float(np.rad2deg(np.arctan2(chord[1], chord[0])) % 180)
    return visibility.defect_truth(
        canvas, defect, scene, (defect.length_mm, defect.width_mm, angle), None, snr
    )


def _artefact(
    what: str, detail: str, place_mm: tuple[float, float], box: tuple[int, int, int, int], canvas: Canvas
) -> ArtefactTruth:
    x0, y0, x1, y1 = max(box[0], 0), max(box[1], 0), min(box[2], canvas.width), min(box[3], canvas.height)
    return {
        "what": what,
        "detail": detail,
        "x_mm": round(place_mm[0], 3),
        "y_mm": round(place_mm[1], 3),
        "box_px": [int(x0), int(y0), int(x1 - x0), int(y1 - y0)],
    }
