"""From photos with truth to tables of features with labels, through the stages that an inspection runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.classification.classes import CLASSES
from vision.detection import detector
from vision.detection.line_fits import Line
from vision.detection.profiles import Outline
from vision.geometry.shapes import distance_to_path
from vision.one_thread import one_thread
from vision.photo.read import read_photo
from vision.photo.setup_file import PhotoSetup
from vision.pipeline import detector_input, prepare
from vision.results import DARK_FIELD
from vision.synthetic.photos import Shot
from vision.synthetic.truth import ArtefactTruth, DefectTruth

Array = NDArray[Any]
NOISE = CLASSES.index("noise")


@dataclass(frozen=True, kw_only=True)
class Tables:
    """Rows of one photo. `spots`, `lines` : features; *_label : index into CLASSES; *_visible : the truth
    says so (True for what is no defect); size : true length, true width, outline length, outline width
    (px), blur (px)
    """

    spots: Array
    spot_names: list[str]
    spot_label: Array
    spot_visible: Array
    size: Array
    lines: Array
    line_names: list[str]
    line_label: Array
    line_visible: Array
    dark: bool
    seed: int


def gather(shot: Shot) -> Tables:
    """Take the photo through the stages of an inspection up to the features, and compare with the truth."""
    setup = PhotoSetup.from_dict(shot.setup, where="training")
    with one_thread():
        given = detector_input(prepare(read_photo(shot.data, "training"), setup))
        places = detector.detect(given)
        lines = list(places.lines)
        line_table, line_names = detector.line_table(given, lines)
        spots, shape, table, names = detector.spot_table(given, places)
    line_label, line_truth = label_lines(shot, lines)
    label, truth = label_spots(shot, shape, spots.coarse, given.blur_px)
    size = np.full((len(label), 5), np.nan)
    size[:, 2], size[:, 3], size[:, 4] = shape.length_px, shape.width_px, given.blur_px
    for i, t in enumerate(truth):
        if t >= 0:
            size[i, :2] = shot.defects[t]["length_px"], shot.defects[t]["width_px"]
    return Tables(
        spots=table,
        spot_names=names,
        spot_label=label,
        spot_visible=_visible(shot, truth),
        size=size,
        lines=line_table,
        line_names=line_names,
        line_label=line_label,
        line_visible=_visible(shot, line_truth),
        dark=given.lighting == DARK_FIELD,
        seed=shot.seed,
    )


def _visible(shot: Shot, truth: Array) -> Array:
    return np.array([t < 0 or shot.defects[t].get("visible", True) for t in truth], bool)


def _in_box(x: Array, y: Array, box: list[int], rim: float) -> Array:
    return (
        (x >= box[0] - rim)
        & (x <= box[0] + box[2] + rim)
        & (y >= box[1] - rim)
        & (y <= box[1] + box[3] + rim)
    )


def label_spots(shot: Shot, shape: Outline, coarse: Array, blur_px: float) -> tuple[Array, Array]:
    """Class of each spot, and the number of the defect that it stands for (-1: none)."""
    x, y = shape.x_px, shape.y_px
    label, truth = np.full(len(x), NOISE), np.full(len(x), -1)
    for row in sorted(shot.artefacts, key=lambda r: -r["box_px"][2] * r["box_px"][3]):
        box = row["box_px"]
        if row["what"] == "dust":
            middle = (box[0] + box[2] / 2, box[1] + box[3] / 2)
            inside = np.hypot(x - middle[0], y - middle[1]) < max(2.5, 0.6 * max(box[2:]))
        elif row.get("path_px") is not None:
            inside = distance_to_path(x, y, row["path_px"]) < _reach(row, 2.5)
        else:
            inside = _in_box(x, y, box, 1)
            if row["what"] == "reflection":
                inside &= coarse
        label[inside] = CLASSES.index(row["what"]) if row["what"] in CLASSES else NOISE
    for defect in shot.defects:
        if defect["kind"] == "scratch":
            label[distance_to_path(x, y, defect["path_px"]) < _reach(defect, 2.5)] = CLASSES.index("scratch")
    for i, defect in enumerate(shot.defects):
        if defect["kind"] == "scratch":
            continue
        length = defect["length_px"]
        gap = np.hypot(x - defect["x_px"], y - defect["y_px"])
        near = gap < max(2.0, 0.6 * length)
        hit = (gap < max(1.5, 0.3 * length)) & (shape.length_px > 0.35 * length)
        hit &= shape.length_px < 3 * length + 4 * blur_px + 2
        label[near] = NOISE
        # several candidates of one nucleus that all trace it are all right: only one of them is kept at work
        label[hit], truth[hit] = CLASSES.index(defect["kind"]), i
    return label, truth


def _reach(row: DefectTruth | ArtefactTruth, more_px: float) -> float:
    """How far from its course a thin thing still is itself, px."""
    return row["width_px"] / 2 + more_px


def label_lines(shot: Shot, lines: list[Line]) -> tuple[Array, Array]:
    """Class of each line, and the number of the scratch that it stands for (-1: none)."""
    label, truth = np.full(len(lines), NOISE), np.full(len(lines), -1)
    for i, line in enumerate(lines):
        x, y = line.path_px[::3, 0], line.path_px[::3, 1]
        best = 0.5
        for row in shot.artefacts:
            if row.get("path_px") is not None:
                share = float(np.mean(distance_to_path(x, y, row["path_px"]) < _reach(row, 3.0)))
            else:
                share = float(np.mean(_in_box(x, y, row["box_px"], 2)))
                share *= 0.7 if row["what"] == "reflection" else 1.0
            if share > best and row["what"] in CLASSES:
                best, label[i] = share, CLASSES.index(row["what"])
        for j, defect in enumerate(shot.defects):
            if defect["kind"] == "scratch":
                close = distance_to_path(x, y, defect["path_px"]) < _reach(defect, 3.0)
                if np.mean(close) > 0.6:
                    label[i], truth[i] = CLASSES.index("scratch"), j
    return label, truth
