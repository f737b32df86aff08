"""Everything that the eye sees in a flattened photo: found, named, sized, in pixels of the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import halo, kinds, nuisance, second_look
from vision.candidates import Candidates, Pyramid, build_pyramid, find_spots
from vision.features import contrast_of, spot_features
from vision.learner import Head, load
from vision.line_features import line_features, width_of
from vision.measure import Sizes, sizes_of
from vision.profiles import Outline, outline
from vision.results import DARK_FIELD, KINDS, ByteImage, Flat
from vision.scratches import Line, find_lines
from vision.sightings import Sighting
from vision.tracing import densify

Array = NDArray[Any]
ON_LINE_PX = 3.0
SATURATED_GREY = 254
MOST_PATH_POINTS = 150
DOUBLE_LOG_RATIO = 0.3


@dataclass(frozen=True, slots=True)
class Places:
    """Where something is, before anybody knows what. `cut` : there was more than can be kept."""

    pyramid: Pyramid
    seen: Candidates
    lines: tuple[Line, ...]
    cut: bool


def detect(grey: ByteImage, flat: Flat, lighting: str, blur_px: float, mm_per_px: float | None) -> Places:
    """Find spots and lines.

    grey : uint8 (H, W), the photo; flat : the same without its light; blur_px : standard deviation of the
        blur
    mm_per_px : None when nobody knows the scale
    """
    pyramid = build_pyramid(flat)
    seen = find_spots(flat, lighting, pyramid)
    lines = find_lines(pyramid, lighting, seen)
    return Places(pyramid, seen, tuple(lines), seen.cut)


def measure(
    grey: ByteImage, flat: Flat, places: Places, lighting: str, blur_px: float, mm_per_px: float | None
) -> list[Sighting]:
    """Name and size what `detect` found: defects of the glass and other things, by falling score."""
    heads, _ = load()
    tail = kinds.suffix(lighting)
    lines = list(places.lines)
    line_rows = _name_lines(heads[f"line_{tail}"], flat, lines, lighting, blur_px, mm_per_px)
    found = _lines(flat, grey, lines, line_rows, lighting, blur_px)
    if len(places.seen):
        seen, shape, table, names = spot_table(flat, places, lighting, blur_px, mm_per_px)
        rows = name_spots((heads[f"spot_{tail}"], heads[f"again_{tail}"]), table, names)
        keep = _apart(shape, rows, [line for line, row in zip(lines, line_rows, strict=True) if _real(row)])
        corrections = (heads[f"bubble_{tail}"], heads[f"stone_{tail}"])
        size = sizes_of(corrections, table, names, shape, blur_px, rows)
        found += _spots(flat, grey, places.pyramid, seen, shape, rows, size, keep, lighting, blur_px)
    found.sort(key=lambda s: -s.score)
    return found


def spot_table(
    flat: Flat, places: Places, lighting: str, blur_px: float, mm_per_px: float | None
) -> tuple[Candidates, Outline, Array, list[str]]:
    """Spots without doubles, their outlines, and their features with column names."""
    seen = places.seen
    reach = seen.box_px[:, 2:].max(1) / 2 if len(seen) else np.zeros(0)
    shape = outline(places.pyramid, seen.x_px, seen.y_px, reach, lighting)
    single = first_of_each(seen, shape)
    seen, shape = seen.take(single), shape.take(single)
    table, names = spot_features(flat, places.pyramid, seen, shape, lighting, blur_px, mm_per_px)
    return seen, shape, table, names


def first_of_each(seen: Candidates, shape: Outline) -> NDArray[np.intp]:
    """Rows left when of candidates with one outline only one stays: of a fine scale, then the strongest."""
    order = np.lexsort((-seen.peak, seen.coarse))
    gap = np.hypot(shape.x_px[:, None] - shape.x_px, shape.y_px[:, None] - shape.y_px)
    size = np.maximum(shape.length_px, 1.0)
    near = gap < np.maximum(1.2, 0.2 * np.minimum(size[:, None], size))
    same = near & (np.abs(np.log(size[:, None] / size)) < DOUBLE_LOG_RATIO)
    dropped = np.zeros(len(size), bool)
    for i in order:
        if not dropped[i]:
            same[i, i] = False
            dropped |= same[i]
    return np.flatnonzero(~dropped)


def name_spots(heads: tuple[Head, Head], table: Array, names: list[str]) -> Array:
    """Probabilities over `kinds.CLASSES` of one photo's spots, shape (N, classes).

    heads : of the first impression, and of the second look at the same spots beside the photo's own dust
    """
    first, again = heads
    rows = kinds.spread_out(*_probable(first, table, names))
    usual = (again.more["usual_mean"], again.more["usual_variance"])
    rows = kinds.spread_out(*_probable(again, *second_look.beside_dust(table, names, rows, usual)))
    rows = second_look.own_shares(kinds.without_scratch(rows), again.more["shares"])
    slope, shift = again.more["settle"]
    return second_look.settled(rows, float(slope), float(shift))


def _probable(head: Head, table: Array, names: list[str]) -> tuple[Array, tuple[str, ...]]:
    return head.probabilities(table, names), head.outputs


def _real(row: Array) -> bool:
    return bool(row[-1] < 0.7)


def _name_lines(
    head: Head, flat: Flat, lines: list[Line], lighting: str, blur_px: float, mm_per_px: float | None
) -> Array:
    table, names = line_features(flat, lines, lighting, blur_px, mm_per_px)
    if not lines:
        return np.zeros((0, len(kinds.CLASSES)), np.float32)
    return kinds.spread_out(*_probable(head, table, names))


def _apart(shape: Outline, rows: Array, lines: list[Line]) -> NDArray[np.bool_]:
    """Spots that are not part of a line or of a larger spot."""
    keep = kinds.worth_listing(rows)
    spot_like = rows[:, :2].sum(1) + rows[:, kinds.CLASSES.index("dust")]
    for line in lines:
        near = np.flatnonzero(keep)
        lo, hi = line.path_px.min(0) - 6, line.path_px.max(0) + 6
        x, y = shape.x_px[near], shape.y_px[near]
        near = near[(x >= lo[0]) & (x <= hi[0]) & (y >= lo[1]) & (y <= hi[1])]
        if not near.size:
            continue
        some = line.path_px[::2]
        gap = np.hypot(shape.x_px[near][:, None] - some[:, 0], shape.y_px[near][:, None] - some[:, 1]).min(1)
        on = gap < ON_LINE_PX + 0.3 * shape.width_px[near]
        keep[near[on & (spot_like[near] < 0.6)]] = False
    order = np.argsort(-shape.length_px)
    for i in order:
        if not keep[i] or shape.length_px[i] < 5 or rows[i, :2].sum() < 0.3:
            continue
        gap = np.hypot(shape.x_px - shape.x_px[i], shape.y_px - shape.y_px[i])
        inner = (gap < 0.6 * shape.length_px[i]) & (shape.length_px < 0.8 * shape.length_px[i])
        inner[i] = False
        keep[inner] = False
    for i in np.argsort(-rows[:, :3].sum(1)):
        if not keep[i]:
            continue
        gap = np.hypot(shape.x_px - shape.x_px[i], shape.y_px - shape.y_px[i])
        same = (gap < np.maximum(1.5, 0.35 * np.minimum(shape.length_px, shape.length_px[i]))) & keep
        same[i] = False
        keep[same] = False
    return keep


def _spots(
    flat: Flat,
    grey: ByteImage,
    pyramid: Pyramid,
    seen: Candidates,
    shape: Outline,
    rows: Array,
    size: Sizes,
    keep: NDArray[np.bool_],
    lighting: str,
    blur_px: float,
) -> list[Sighting]:
    index = np.flatnonzero(keep)
    if not index.size:
        return []
    contrast = contrast_of(flat, shape, lighting)
    zone = halo.halo_lengths(
        pyramid,
        shape.x_px[index],
        shape.y_px[index],
        size.length_px[index],
        size.width_px[index],
        shape.angle_deg[index],
        shape.peak[index],
        blur_px,
    )
    score = kinds.defect_score(rows)
    x_px, y_px = _places(shape, rows)
    out = []
    for place, i in enumerate(index):
        box = _box(shape.x_px[i], shape.y_px[i], shape.length_px[i] / 2 + 2, grey.shape)
        name = nuisance.name_of(rows[i], float(score[i]), kinds.REPORT_SCORE)
        out.append(
            Sighting(
                kind=KINDS[int(rows[i, : len(KINDS)].argmax())],
                not_glass=name,
                x_px=float(x_px[i]),
                y_px=float(y_px[i]),
                length_px=float(size.length_px[i]),
                width_px=float(size.width_px[i]),
                length_sd_px=float(size.length_sd_px[i]),
                width_sd_px=float(size.width_sd_px[i]),
                halo_px=float(zone[place]) if zone[place] > 1.2 * size.length_px[i] else None,
                angle_deg=float(shape.angle_deg[i]) % 180,
                score=float(score[i]),
                kind_scores=kinds.kind_scores(rows[i]),
                not_glass_scores=nuisance.not_glass_scores(rows[i]),
                contrast=float(contrast[i]),
                significance=float(seen.peak[i]),
                box_px=box,
                flags=_flags(grey, flat, box, float(seen.peak[i])),
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


def _lines(
    flat: Flat, grey: ByteImage, lines: list[Line], rows: Array, lighting: str, blur_px: float
) -> list[Sighting]:
    out = []
    score = kinds.defect_score(rows) if len(rows) else np.zeros(0)
    listed = kinds.worth_listing(rows) if len(rows) else np.zeros(0, bool)
    for i, line in enumerate(lines):
        if not listed[i]:
            continue
        lo, hi = line.path_px.min(0), line.path_px.max(0)
        middle = line.path_px[len(line.path_px) // 2]
        apparent = width_of(line)
        width = float(np.sqrt(max(apparent**2 - (2.355 * np.hypot(blur_px, 0.29)) ** 2, 0.05**2)))
        x, y = float(middle[0]), float(middle[1])
        level = flat.level_at(x, y)
        full = 255.0 if lighting == DARK_FIELD else max(level, 1.0)
        chord = line.path_px[-1] - line.path_px[0]
        box = (int(lo[0]) - 2, int(lo[1]) - 2, int(hi[0] - lo[0]) + 5, int(hi[1] - lo[1]) + 5)
        box = _clip(box, grey.shape)
        flags = _flags(grey, flat, box, line.height, edges_only=True) + (("joined",) if line.joined else ())
        out.append(
            Sighting(
                kind=KINDS[int(rows[i, : len(KINDS)].argmax())],
                not_glass=nuisance.name_of(rows[i], float(score[i]), kinds.REPORT_SCORE),
                x_px=x,
                y_px=y,
                length_px=line.length_px,
                width_px=width,
                length_sd_px=float(np.hypot(1.0 + 10.0 / max(line.height, 1), 0.01 * line.length_px)),
                width_sd_px=float(max(0.3, 0.5 * apparent - 0.3 * width)),
                halo_px=None,
                angle_deg=float(np.degrees(np.arctan2(chord[1], chord[0]))) % 180,
                score=float(score[i]),
                kind_scores=kinds.kind_scores(rows[i]),
                not_glass_scores=nuisance.not_glass_scores(rows[i]),
                contrast=float(line.sign * line.along.mean() * flat.noise_at(x, y) / full),
                significance=line.height,
                box_px=box,
                path_px=densify(line.path_px, max(4.0, line.length_px / MOST_PATH_POINTS)),
                flags=flags,
            )
        )
    return out


def _box(x: float, y: float, half: float, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    x0, y0 = int(np.floor(x - half)), int(np.floor(y - half))
    return _clip((x0, y0, int(np.ceil(x + half)) - x0, int(np.ceil(y + half)) - y0), shape)


def _clip(box: tuple[int, int, int, int], shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    x0, y0 = min(max(box[0], 0), shape[1] - 1), min(max(box[1], 0), shape[0] - 1)
    x1, y1 = min(box[0] + box[2], shape[1]), min(box[1] + box[3], shape[0])
    return x0, y0, max(x1 - x0, 1), max(y1 - y0, 1)


def _flags(
    grey: ByteImage, flat: Flat, box: tuple[int, int, int, int], significance: float, edges_only: bool = False
) -> tuple[str, ...]:
    x, y, w, h = box
    flags = []
    rim = flat.mask[y : y + h, x : x + w]
    whole = x > 0 and y > 0 and x + w < grey.shape[1] and y + h < grey.shape[0]
    if not whole or not rim[0].all() or not rim[-1].all() or not rim[:, 0].all() or not rim[:, -1].all():
        flags.append("touches_edge")
    if not edges_only and np.count_nonzero(grey[y : y + h, x : x + w] >= SATURATED_GREY) > 2:
        flags.append("saturated")
    if significance < 6:
        flags.append("faint")
    return tuple(flags)
