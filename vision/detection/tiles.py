"""Very large photos in parts: memory stays that of one part, and each part may hold as many marks as a photo.

Parts overlap. A spot belongs to the part whose own ground, up to the middle of the overlap, holds its
middle; a line that runs through several parts is put together from what each saw of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.detection.detections import Detection
from vision.results import Rectangle

LARGEST_PART_PX = 16_000_000
OVERLAP_PX = 384
ALIGNED_PX = 8
TWIN_PX = 2.0
BESIDE_PX = 4.0
CONTINUES_PX = 12.0
SAME_COURSE = -0.9

Floats = NDArray[np.float64]


def parts_of(width_px: int, height_px: int) -> list[tuple[int, int, int, int]]:
    """Overlapping parts x0, y0, x1, y1 that cover a photo, row
    by row; one part if the photo is small enough."""
    if width_px * height_px <= 1.25 * LARGEST_PART_PX:
        return [(0, 0, width_px, height_px)]
    side = math.isqrt(LARGEST_PART_PX)
    columns, rows = _spans(width_px, side), _spans(height_px, side)
    return [(x0, y0, x1, y1) for y0, y1 in rows for x0, x1 in columns]


def _spans(length: int, side: int) -> list[tuple[int, int]]:
    count = max(1, math.ceil((length - OVERLAP_PX) / (side - OVERLAP_PX)))
    step = (length - OVERLAP_PX) / count
    starts = [int(k * step) // ALIGNED_PX * ALIGNED_PX for k in range(count)]
    return [
        (start, length if k == count - 1 else min(starts[k + 1] + OVERLAP_PX, length))
        for k, start in enumerate(starts)
    ]


def own_ground(part: tuple[int, int, int, int], width_px: int, height_px: int) -> Rectangle:
    """The part without the outer half of its overlaps; together these tile the photo."""
    x0, y0, x1, y1 = part
    half = OVERLAP_PX / 2
    return (
        float(x0) if x0 == 0 else x0 + half,
        float(y0) if y0 == 0 else y0 + half,
        float(x1) if x1 == width_px else x1 - half,
        float(y1) if y1 == height_px else y1 - half,
    )


def shifted(detection: Detection, x0: int, y0: int) -> Detection:
    """A part's detection in the pixels of the whole photo."""
    x, y, w, h = detection.box_px
    path = None if detection.path_px is None else np.asarray(detection.path_px) + np.array([x0, y0])
    return replace(
        detection,
        x_px=detection.x_px + x0,
        y_px=detection.y_px + y0,
        box_px=(x + x0, y + y0, w, h),
        path_px=path,
    )


def together(
    seen: list[tuple[tuple[int, int, int, int], list[Detection]]], width_px: int, height_px: int
) -> list[Detection]:
    """The detections of all parts (each with its own, already in
    pixels of the photo) as those of one photo."""
    spots: list[Detection] = []
    lines: list[Detection] = []
    for part, detections in seen:
        x0, y0, x1, y1 = own_ground(part, width_px, height_px)
        for detection in detections:
            if detection.path_px is not None and len(detection.path_px) > 1:
                lines.append(detection)
            elif x0 <= detection.x_px < x1 and y0 <= detection.y_px < y1:
                spots.append(detection)
    return _without_twins(spots) + _joined(lines)


def _without_twins(spots: list[Detection]) -> list[Detection]:
    """One of two spots that two parts placed a hair apart on both sides of their border."""
    kept: list[Detection] = []
    places = np.zeros((0, 2))
    for spot in sorted(spots, key=lambda s: -s.score):
        place = np.array([[spot.x_px, spot.y_px]])
        if len(places) and float(np.hypot(*(places - place).T).min()) < TWIN_PX:
            continue
        kept.append(spot)
        places = np.concatenate([places, place])
    return kept


def _joined(lines: list[Detection]) -> list[Detection]:
    """Lines of neighbouring parts that are one line, longest first."""
    rest = sorted(lines, key=lambda s: -s.length_px)
    whole: list[Detection] = []
    while rest:
        line = rest.pop(0)
        k = 0
        while k < len(rest):
            path = _one_path(_path(line), _path(rest[k]))
            if path is None:
                k += 1
                continue
            line = _as_one(line, rest.pop(k), path)
            k = 0
        whole.append(line)
    return whole


def _path(line: Detection) -> Floats:
    return np.asarray(line.path_px, np.float64)


def _one_path(a: Floats, b: Floats) -> Floats | None:
    """The path of both when they run side by side where they meet or continue each other, else None."""
    low, high = np.maximum(a.min(axis=0), b.min(axis=0)), np.minimum(a.max(axis=0), b.max(axis=0))
    if np.any(low - high > CONTINUES_PX):
        return None
    if np.dot(a[-1] - a[0], b[-1] - b[0]) < 0:
        b = b[::-1]
    near = np.sqrt(((b[:, None] - a[None]) ** 2).sum(axis=2)).min(axis=1)
    beside = near < BESIDE_PX
    if beside.any():
        # side by side in their common ground only: what is left of b lies beyond one end of a
        first, last = int(np.flatnonzero(beside)[0]), int(np.flatnonzero(beside)[-1])
        if beside[first : last + 1].mean() < 0.8:
            return None
        if first == 0 and last == len(b) - 1:
            return a
        ahead, behind = b[last + 1 :], b[:first]
        if len(ahead) and len(behind) and len(ahead) + len(behind) > 2 * beside.sum() + 8:
            return None  # b crosses a
        return np.concatenate([behind, a, ahead])
    for first_path, second_path in ((a, b), (b, a)):
        gap = second_path[0] - first_path[-1]
        along = first_path[-1] - first_path[max(len(first_path) - 6, 0)]
        onward = second_path[min(5, len(second_path) - 1)] - second_path[0]
        turn = np.dot(along, onward) / max(float(np.hypot(*along) * np.hypot(*onward)), 1e-9)
        if float(np.hypot(*gap)) < CONTINUES_PX and turn > -SAME_COURSE:
            return np.concatenate([first_path, second_path])
    return None


def _as_one(a: Detection, b: Detection, path: Floats) -> Detection:
    """Two lines as one along `path`: opinions weighed by length, the width of the longer."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    length = float(steps.sum())
    middle = path[int(np.searchsorted(np.cumsum(steps), length / 2))]
    share = a.length_px / max(a.length_px + b.length_px, 1e-9)
    scores = {k: share * v + (1 - share) * b.kind_scores.get(k, 0.0) for k, v in a.kind_scores.items()}
    low, high = np.floor(path.min(axis=0)).astype(int), np.ceil(path.max(axis=0)).astype(int)
    chord = path[-1] - path[0]
    return replace(
        a,
        x_px=float(middle[0]),
        y_px=float(middle[1]),
        length_px=length,
        length_sd_px=math.hypot(a.length_sd_px, b.length_sd_px),
        angle_deg=math.degrees(math.atan2(chord[1], chord[0])) % 180.0,
        score=share * a.score + (1 - share) * b.score,
        kind_scores=scores,
        box_px=(int(low[0]), int(low[1]), int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1),
        path_px=path,
        flags=tuple(dict.fromkeys(flag for flag in (*a.flags, *b.flags) if flag != "touches_edge")),
    )
