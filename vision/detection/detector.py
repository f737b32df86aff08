"""The detector: whatever stands out of a background-subtracted photo is found, named and sized, in pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.classification import classes, naming
from vision.classification.networks import Head, load
from vision.detection.detections import Detection, DetectorInput
from vision.detection.halo import halo_lengths
from vision.detection.line_features import line_features, width_of
from vision.detection.line_fits import Line
from vision.detection.lines import find_lines
from vision.detection.overlaps import standing_alone, without_doubles
from vision.detection.profiles import Outline, outline
from vision.detection.pyramid import Pyramid, build_pyramid
from vision.detection.spot_features import contrast_of, spot_features
from vision.detection.spot_sizes import Sizes, sizes_of
from vision.detection.spots import Candidates, find_spots
from vision.detection.uncertainty import line_length_sd_px, line_width_sd_px
from vision.geometry.shapes import densify
from vision.results import DARK_FIELD, KINDS

Array = NDArray[np.floating]
Box = tuple[int, int, int, int]

SATURATED_GREY = 254
"""A pixel of at least this grey value is saturated; JPEG takes one off 255 (by hand)."""
FEWEST_SATURATED = 3
"""So many saturated pixels flag a find; one or two may be noise (by hand)."""
FAINT_SD = 6.0
"""Below this height over the noise, sd, a find is flagged as faint (by hand)."""
HALO_SHOWS_RATIO = 1.2
"""A halo this much longer than its nucleus is reported (by hand)."""
BOX_RIM_PX = 2
"""Room round a find in its box, px (by hand)."""
MOST_PATH_POINTS, LEAST_PATH_STEP_PX = 150, 4.0
"""Points of a scratch in the result file: so many at most, so far apart at least (by hand: small files)."""
PIXEL_SD_PX = 0.29
"""Standard deviation of a box one pixel wide, 1 / sqrt(12): what the sensor itself adds to the blur."""
WIDTH_OF_SD = 2.355
"""Width at half height of a Gaussian of standard deviation 1, 2 sqrt(2 ln 2)."""
LEAST_WIDTH_PX = 0.05
"""A line is given at least this width, so that it has one (by hand)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where something is, before anybody knows what. `truncated` : there was more than can be kept."""

    pyramid: Pyramid
    spots: Candidates
    lines: tuple[Line, ...]
    truncated: bool


def detect(given: DetectorInput) -> Places:
    """Find spots and lines. A photo in which nothing stands out gives no spots and no lines."""
    pyramid = build_pyramid(given.subtracted)
    spots = find_spots(given.subtracted, given.lighting, pyramid)
    lines = find_lines(pyramid, given.lighting, spots)
    return Places(pyramid, spots, tuple(lines), spots.truncated)


def measure(given: DetectorInput, places: Places) -> list[Detection]:
    """Name and size what `detect` found: defects of the glass and surface artefacts, by falling score."""
    heads, _ = load()
    tail = classes.suffix(given.lighting)
    lines = list(places.lines)
    line_rows = _line_scores(heads[f"line_{tail}"], given, lines)
    found = _line_detections(given, lines, line_rows)
    if len(places.spots):
        spots, shape, table, names = spot_table(given, places)
        rows = naming.spot_scores((heads[f"spot_{tail}"], heads[f"spot_context_{tail}"]), table, names)
        keep = standing_alone(shape, rows, lines, line_rows)
        corrections = (heads[f"bubble_{tail}"], heads[f"stone_{tail}"])
        size = sizes_of(corrections, table, names, shape, given.blur_px, rows)
        found += _spot_detections(given, places.pyramid, spots, shape, rows, size, keep)
    found.sort(key=lambda detection: -detection.score)
    return found


def spot_table(given: DetectorInput, places: Places) -> tuple[Candidates, Outline, Array, list[str]]:
    """Spots without doubles, their outlines, and their features (N, F) with column names."""
    spots = places.spots
    reach = spots.box_px[:, 2:].max(1) / 2 if len(spots) else np.zeros(0)
    shape = outline(places.pyramid, spots.x_px, spots.y_px, reach, given.lighting)
    single = without_doubles(spots, shape)
    spots, shape = spots.take(single), shape.take(single)
    table, names = spot_features(
        given.subtracted, places.pyramid, spots, shape, given.lighting, given.blur_px, given.mm_per_px
    )
    return spots, shape, table, names


def line_table(given: DetectorInput, lines: list[Line]) -> tuple[Array, list[str]]:
    """Features of lines (N, F) with column names; (0, 0) and none without lines."""
    return line_features(given.subtracted, lines, given.lighting, given.blur_px, given.mm_per_px)


def _line_scores(head: Head, given: DetectorInput, lines: list[Line]) -> Array:
    table, names = line_table(given, lines)
    if not lines:
        return np.zeros((0, len(classes.CLASSES)), np.float32)
    return naming.class_scores(head, table, names)


def _spot_detections(
    given: DetectorInput,
    pyramid: Pyramid,
    spots: Candidates,
    shape: Outline,
    rows: Array,
    size: Sizes,
    keep: NDArray[np.bool_],
) -> list[Detection]:
    index = np.flatnonzero(keep)
    if not index.size:
        return []
    contrast = contrast_of(given.subtracted, shape, given.lighting)
    halo_px = halo_lengths(
        pyramid,
        shape.x_px[index],
        shape.y_px[index],
        size.length_px[index],
        size.width_px[index],
        shape.angle_deg[index],
        shape.peak[index],
        given.blur_px,
    )
    score = classes.defect_score(rows)
    x_px, y_px = _places(shape, rows)
    out = []
    for place, i in enumerate(index):
        box = _box_round(shape.x_px[i], shape.y_px[i], shape.length_px[i] / 2 + BOX_RIM_PX, given.grey.shape)
        shows = halo_px[place] > HALO_SHOWS_RATIO * size.length_px[i]
        out.append(
            Detection(
                kind=KINDS[int(rows[i, : len(KINDS)].argmax())],
                artefact=classes.artefact_of(rows[i], float(score[i])),
                x_px=float(x_px[i]),
                y_px=float(y_px[i]),
                length_px=float(size.length_px[i]),
                width_px=float(size.width_px[i]),
                length_sd_px=float(size.length_sd_px[i]),
                width_sd_px=float(size.width_sd_px[i]),
                halo_px=float(halo_px[place]) if shows else None,
                angle_deg=float(shape.angle_deg[i]) % 180,
                score=float(score[i]),
                kind_scores=classes.kind_scores(rows[i]),
                artefact_scores=classes.artefact_scores(rows[i]),
                contrast=float(contrast[i]),
                significance=float(spots.peak[i]),
                box_px=box,
                flags=_flags(given, box, float(spots.peak[i])),
            )
        )
    return out


def _places(shape: Outline, rows: Array) -> tuple[Array, Array]:
    """Where spots lie: a stone at the centroid of its area, a bubble in the middle of its ellipse, in between
    where the kind is in doubt.
    """
    stone = rows[:, 1] / np.maximum(rows[:, :2].sum(1), 1e-6)
    x_px = stone * shape.centroid_x_px + (1 - stone) * shape.x_px
    return x_px, stone * shape.centroid_y_px + (1 - stone) * shape.y_px


def _line_detections(given: DetectorInput, lines: list[Line], rows: Array) -> list[Detection]:
    out = []
    score = classes.defect_score(rows) if len(rows) else np.zeros(0)
    listed = classes.worth_listing(rows) if len(rows) else np.zeros(0, bool)
    for i, line in enumerate(lines):
        if not listed[i]:
            continue
        lo, hi = line.path_px.min(0), line.path_px.max(0)
        middle = line.path_px[len(line.path_px) // 2]
        seen_width = width_of(line)
        width = _without_blur(seen_width, given.blur_px)
        x, y = float(middle[0]), float(middle[1])
        level = given.subtracted.background_at(x, y)
        full = 255.0 if given.lighting == DARK_FIELD else max(level, 1.0)
        chord = line.path_px[-1] - line.path_px[0]
        rim = BOX_RIM_PX
        span = int(hi[0] - lo[0]) + 2 * rim + 1, int(hi[1] - lo[1]) + 2 * rim + 1
        box = _clip((int(lo[0]) - rim, int(lo[1]) - rim, *span), given.grey.shape)
        flags = _flags(given, box, line.height, edges_only=True) + (("joined",) if line.joined else ())
        out.append(
            Detection(
                kind=KINDS[int(rows[i, : len(KINDS)].argmax())],
                artefact=classes.artefact_of(rows[i], float(score[i])),
                x_px=x,
                y_px=y,
                length_px=line.length_px,
                width_px=width,
                length_sd_px=line_length_sd_px(line.length_px, line.height),
                width_sd_px=line_width_sd_px(width, seen_width),
                halo_px=None,
                angle_deg=float(np.degrees(np.arctan2(chord[1], chord[0]))) % 180,
                score=float(score[i]),
                kind_scores=classes.kind_scores(rows[i]),
                artefact_scores=classes.artefact_scores(rows[i]),
                contrast=float(line.sign * line.along.mean() * given.subtracted.noise_at(x, y) / full),
                significance=line.height,
                box_px=box,
                path_px=densify(line.path_px, max(LEAST_PATH_STEP_PX, line.length_px / MOST_PATH_POINTS)),
                flags=flags,
            )
        )
    return out


def _without_blur(seen_width_px: float, blur_px: float) -> float:
    """Width of a line without what lens and pixel add to it, in quadrature."""
    added = WIDTH_OF_SD * np.hypot(blur_px, PIXEL_SD_PX)
    return float(np.sqrt(max(seen_width_px**2 - added**2, LEAST_WIDTH_PX**2)))


def _box_round(x: float, y: float, half: float, shape: tuple[int, ...]) -> Box:
    x0, y0 = int(np.floor(x - half)), int(np.floor(y - half))
    return _clip((x0, y0, int(np.ceil(x + half)) - x0, int(np.ceil(y + half)) - y0), shape)


def _clip(box: Box, shape: tuple[int, ...]) -> Box:
    x0, y0 = min(max(box[0], 0), shape[1] - 1), min(max(box[1], 0), shape[0] - 1)
    x1, y1 = min(box[0] + box[2], shape[1]), min(box[1] + box[3], shape[0])
    return x0, y0, max(x1 - x0, 1), max(y1 - y0, 1)


def _flags(given: DetectorInput, box: Box, significance: float, edges_only: bool = False) -> tuple[str, ...]:
    x, y, w, h = box
    grey = given.grey
    flags = []
    rim = given.subtracted.mask[y : y + h, x : x + w]
    whole = x > 0 and y > 0 and x + w < grey.shape[1] and y + h < grey.shape[0]
    if not whole or not rim[0].all() or not rim[-1].all() or not rim[:, 0].all() or not rim[:, -1].all():
        flags.append("touches_edge")
    if not edges_only and np.count_nonzero(grey[y : y + h, x : x + w] >= SATURATED_GREY) >= FEWEST_SATURATED:
        flags.append("saturated")
    if significance < FAINT_SD:
        flags.append("faint")
    return tuple(flags)
