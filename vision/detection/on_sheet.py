"""Detections carried to the sheet: millimetres, uncertainty, flags, and what is the cut edge and no
defect."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.detection.detections import Detection
from vision.detection.uncertainty import smallest_sized_px
from vision.field.masks import VisibleField
from vision.geometry.blur import LIKELY_BLUR_PX
from vision.geometry.placing import Placed
from vision.geometry.shapes import path_length
from vision.results import Find

EDGE_REACH_MM = 0.4
EDGE_REACH_PX = 3.0
CUT_EDGE_DOUBT = 0.1
BLURRED_WIDTHS = 2.36  # a point blurred with standard deviation 1 is 2.36 wide at half its height

Floats = NDArray[np.float64]


def smallest_sized_mm(placed: Placed, visible: VisibleField, blur_px: float | None) -> float | None:
    """Shortest nucleus that can be sized anywhere in the field: where a pixel spans most. None without a
    scale."""
    if placed.frame is None or placed.scale is None:
        return None
    coarsest = placed.scale.mm_per_px
    if visible.covered_mm is not None:
        x0, y0, x1, y1 = visible.covered_mm
        corners = placed.frame.mm_to_px([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        corners = np.clip(corners, 0, [visible.mask.shape[1], visible.mask.shape[0]])
        coarsest = max(coarsest, float(placed.frame.mm_per_px_at(corners).max()))
    return coarsest * smallest_sized_px(LIKELY_BLUR_PX if blur_px is None else blur_px)


def finds_of(
    detections: list[Detection], placed: Placed, visible: VisibleField, blur_px: float
) -> tuple[Find, ...]:
    """Detections on the sheet: defects first, each group by falling score, numbered from 1."""
    smallest_mm = smallest_sized_mm(placed, visible, blur_px)
    detections = [_edge_named(detection, placed, visible) for detection in detections]
    order = sorted(detections, key=lambda s: (s.artefact is not None, -s.score, s.y_px, s.x_px))
    if placed.frame is None:
        return tuple(
            _find(n, detection, placed, blur_px, smallest_mm, None)
            for n, detection in enumerate(order, start=1)
        )
    places = np.array([(s.x_px, s.y_px) for s in order], np.float64).reshape(-1, 2)
    slopes = placed.frame.jacobian_at(places)
    return tuple(
        _find(n, detection, placed, blur_px, smallest_mm, slope)
        for n, (detection, slope) in enumerate(zip(order, slopes, strict=True), start=1)
    )


def _edge_named(detection: Detection, placed: Placed, visible: VisibleField) -> Detection:
    """A mark that hugs a known cut edge is the edge or a chip of it; one that only ends there is not."""
    if placed.frame is None or placed.scale is None or visible.glass_mm == visible.looked_at_mm:
        return detection
    near_mm = EDGE_REACH_MM + EDGE_REACH_PX * placed.scale.mm_per_px
    if detection.path_px is None:
        x, y, w, h = detection.box_px
        points = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
        at_edge = float(visible.gap_to_cut_edge_mm(placed.frame.px_to_mm(points)).min()) < near_mm
    else:
        gaps = visible.gap_to_cut_edge_mm(placed.frame.px_to_mm(np.asarray(detection.path_px, np.float64)))
        at_edge = float(np.median(gaps)) < 2.0 * near_mm
    if not at_edge:
        return detection
    rest = max(1.0 - detection.kind_scores.get("not_glass", 0.0), 1e-9)
    share = min(rest, CUT_EDGE_DOUBT)
    scores = {k: v * share / rest for k, v in detection.kind_scores.items() if k != "not_glass"}
    return replace(
        detection,
        artefact="cut edge",
        score=min(detection.score, share),
        kind_scores={**scores, "not_glass": 1.0 - share},
        artefact_scores={"cut edge": 1.0},
    )


def _find(
    number: int,
    detection: Detection,
    placed: Placed,
    blur_px: float,
    smallest_mm: float | None,
    slope: Floats | None,
) -> Find:
    """One find. slope : d(mm) / d(px) at its place, shape (2, 2), None without a frame."""
    path_px = None
    if detection.path_px is not None:
        path_px = tuple((float(x), float(y)) for x, y in detection.path_px)
    x_mm = y_mm = length_mm = width_mm = halo_mm = length_sd = width_sd = path_mm = None
    angle, flags = detection.angle_deg, list(detection.flags)
    if detection.path_px is None and detection.length_px < BLURRED_WIDTHS * blur_px:
        flags.append("blurred")
    if (
        placed.frame is not None
        and placed.scale is not None
        and smallest_mm is not None
        and slope is not None
    ):
        frame = placed.frame
        x_mm, y_mm = (float(v) for v in frame.px_to_mm([(detection.x_px, detection.y_px)])[0])
        along, across, angle = stretch(slope, detection.angle_deg)
        length_mm, width_mm = detection.length_px * along, detection.width_px * across
        if path_px is not None:
            on_sheet = frame.px_to_mm(path_px)
            path_mm = tuple((float(x), float(y)) for x, y in on_sheet)
            length_mm = (
                detection.length_px * path_length(on_sheet) / max(path_length(np.asarray(path_px)), 1e-6)
            )
        # a scratch is judged by its length, but its width is often far below a pixel: that is given with its
        # own sd
        sd = placed.scale.relative_sd
        length_sd = math.hypot(detection.length_sd_px * along, sd * length_mm)
        width_sd = math.hypot(detection.width_sd_px * across, sd * width_mm)
        halo_mm = None if detection.halo_px is None else detection.halo_px * math.sqrt(along * across)
        if length_mm < smallest_mm:
            length_mm = width_mm = halo_mm = length_sd = width_sd = None
            flags.append("below_smallest")
    return Find(
        number=number,
        kind=detection.kind,
        not_glass=detection.artefact,
        x_mm=x_mm,
        y_mm=y_mm,
        x_px=detection.x_px,
        y_px=detection.y_px,
        length_mm=length_mm,
        width_mm=width_mm,
        halo_mm=halo_mm,
        length_sd_mm=length_sd,
        width_sd_mm=width_sd,
        length_px=detection.length_px,
        width_px=detection.width_px,
        angle_deg=angle,
        score=detection.score,
        kind_scores=detection.kind_scores,
        contrast=detection.contrast,
        box_px=detection.box_px,
        path_mm=path_mm,
        path_px=path_px,
        halo_px=detection.halo_px,
        not_glass_scores=detection.artefact_scores,
        flags=tuple(dict.fromkeys(flags)),
    )


def stretch(slope: Floats, angle_deg: float) -> tuple[float, float, float]:
    """Millimetres per pixel along and across a direction of the photo, and that direction on the sheet in
    degrees.

    slope : d(mm) / d(px) at the place, shape (2, 2), as `Frame.jacobian_at` gives it
    """
    turn = math.radians(angle_deg)
    along = slope @ np.array([math.cos(turn), math.sin(turn)])
    length = math.hypot(*along)
    across = abs(slope[0, 0] * slope[1, 1] - slope[0, 1] * slope[1, 0]) / max(length, 1e-12)
    return length, float(across), math.degrees(math.atan2(along[1], along[0])) % 180.0
