"""From photos with truth to tables of features with labels, through the stages that an inspection runs."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import eye
from vision.blur import LIKELY_BLUR_PX, blur_of_marks
from vision.flatten import flatten
from vision.kinds import CLASSES
from vision.line_features import line_features
from vision.masks import look_where
from vision.photo import read_photo
from vision.photo_setup import PhotoSetup
from vision.placing import place_photo
from vision.profiles import Outline
from vision.scratches import Line
from vision.train.photos import Shot

Array = NDArray[Any]
NOISE = CLASSES.index("noise")


@dataclass(frozen=True)
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
    """Run the stages up to the features and compare with the truth."""
    cv2.setNumThreads(1)
    setup = PhotoSetup.from_dict(shot.setup, where="training")
    photo = read_photo(shot.data, "training")
    placed = place_photo(photo.grey, setup)
    seen = look_where(photo.grey, setup, placed.frame, list(placed.tags))
    mm_per_px = None if placed.scale is None else placed.scale.mm_per_px
    flat = flatten(photo.grey, seen.mask, setup.lighting, mm_per_px)
    blur = placed.blur_px if placed.blur_px is not None else blur_of_marks(flat)
    blur = LIKELY_BLUR_PX if blur is None else blur
    places = eye.detect(photo.grey, flat, setup.lighting, blur, mm_per_px)
    lines = list(places.lines)
    line_table, line_names = line_features(flat, lines, setup.lighting, blur, mm_per_px)
    line_label, line_truth = label_lines(shot, lines)
    seen_spots, shape, table, names = eye.spot_table(flat, places, setup.lighting, blur, mm_per_px)
    label, truth = label_spots(shot, shape, seen_spots.coarse, blur)
    size = np.full((len(label), 5), np.nan)
    size[:, 2], size[:, 3], size[:, 4] = shape.length_px, shape.width_px, blur
    for i, t in enumerate(truth):
        if t >= 0:
            size[i, :2] = shot.defects[t]["length_px"], shot.defects[t]["width_px"]
    return Tables(
        table,
        names,
        label,
        _visible(shot, truth),
        size,
        line_table,
        line_names,
        line_label,
        _visible(shot, line_truth),
        setup.lighting == "dark_field",
        shot.seed,
    )


def _visible(shot: Shot, truth: Array) -> Array:
    return np.array([t < 0 or shot.defects[t].get("visible", True) for t in truth], bool)


def _gap(x: Array, y: Array, path: Array) -> Array:
    """Distance of points from a polyline, px."""
    best = np.full(len(x), 1e9)
    for a, b in itertools.pairwise(path):
        v = b - a
        t = np.clip(((x - a[0]) * v[0] + (y - a[1]) * v[1]) / max(float(v @ v), 1e-9), 0, 1)
        best = np.minimum(best, np.hypot(x - a[0] - t * v[0], y - a[1] - t * v[1]))
    return best


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
    for row in sorted(shot.not_glass, key=lambda r: -r["box_px"][2] * r["box_px"][3]):
        box = row["box_px"]
        if row["what"] == "dust":
            middle = (box[0] + box[2] / 2, box[1] + box[3] / 2)
            inside = np.hypot(x - middle[0], y - middle[1]) < max(2.5, 0.6 * max(box[2:]))
        elif row.get("path_px") is not None:
            inside = _gap(x, y, np.asarray(row["path_px"])) < row["width_px"] / 2 + 2.5
        else:
            inside = _in_box(x, y, box, 1)
            if row["what"] == "reflection":
                inside &= coarse
        label[inside] = CLASSES.index(row["what"]) if row["what"] in CLASSES else NOISE
    for row in shot.defects:
        if row["kind"] == "scratch":
            label[_gap(x, y, np.asarray(row["path_px"])) < row["width_px"] / 2 + 2.5] = CLASSES.index(
                "scratch"
            )
    for i, row in enumerate(shot.defects):
        if row["kind"] == "scratch":
            continue
        length = row["length_px"]
        gap = np.hypot(x - row["x_px"], y - row["y_px"])
        near = gap < max(2.0, 0.6 * length)
        hit = (gap < max(1.5, 0.3 * length)) & (shape.length_px > 0.35 * length)
        hit &= shape.length_px < 3 * length + 4 * blur_px + 2
        label[near] = NOISE
        # several candidates of one nucleus that all trace it are all right: only one of them is kept at work
        label[hit], truth[hit] = CLASSES.index(row["kind"]), i
    return label, truth


def label_lines(shot: Shot, lines: list[Line]) -> tuple[Array, Array]:
    """Class of each line, and the number of the scratch that it stands for (-1: none)."""
    label, truth = np.full(len(lines), NOISE), np.full(len(lines), -1)
    for i, line in enumerate(lines):
        x, y = line.path_px[::3, 0], line.path_px[::3, 1]
        best = 0.5
        for row in shot.not_glass:
            if row.get("path_px") is not None:
                share = float(np.mean(_gap(x, y, np.asarray(row["path_px"])) < row["width_px"] / 2 + 3))
            else:
                share = float(np.mean(_in_box(x, y, row["box_px"], 2)))
                share *= 0.7 if row["what"] == "reflection" else 1.0
            if share > best and row["what"] in CLASSES:
                best, label[i] = share, CLASSES.index(row["what"])
        for j, row in enumerate(shot.defects):
            if row["kind"] == "scratch":
                close = _gap(x, y, np.asarray(row["path_px"])) < row["width_px"] / 2 + 3
                if np.mean(close) > 0.6:
                    label[i], truth[i] = CLASSES.index("scratch"), j
    return label, truth
