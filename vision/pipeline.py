"""The stages in order: bytes and set-up in, measured finds out.

    decode   bytes -> grey values, upright
    rectify  tags -> frame and scale; field -> mask; light -> flat signal
    detect   flat signal -> where something is
    measure  each place -> size, kind, place on the sheet

Everything is found and measured in the photo's own pixels; only results are carried to the sheet, so nothing
is blurred by resampling and the cost stays linear in the number of pixels.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import cv2
import numpy as np

from vision import eye
from vision.blur import LIKELY_BLUR_PX, blur_of_marks
from vision.conditions import Condition, check_focus, check_light, check_subject, guess_lighting
from vision.cut_edges import with_seen_edges
from vision.flatten import find_light, flat_part
from vision.masks import Seen, look_where
from vision.photo import Photo, read_photo
from vision.photo_setup import PhotoSetup
from vision.placing import Placed, place_photo
from vision.results import ByteImage, Find, Inspection
from vision.sightings import Sighting
from vision.stages import StageSink
from vision.tiles import parts_of, shifted, together
from vision.uncertainty import smallest_sized_px

FULLY_COVERED = 0.9
WORTH_TELLING_HIDDEN = 0.02
EDGE_REACH_MM = 0.4
EDGE_REACH_PX = 3.0
CUT_EDGE_DOUBT = 0.1
BLURRED_WIDTHS = 2.36  # a point blurred with standard deviation 1 is 2.36 wide at half its height


def inspect_photo(
    data: bytes, setup: PhotoSetup | None, *, name: str, stages: StageSink | None = None
) -> Inspection:
    """Inspect one photo.

    data : the file's bytes; setup : its checked set-up, None when nobody told it; name : for messages
    stages : where to put pictures of each stage, None for nowhere
    Raises PhotoError when the bytes are not a usable photo. A photo that decodes but cannot be trusted gives
    a result with flags and messages, and without what cannot be told.
    """
    with one_thread():
        return _inspect(data, setup, name, stages)


@contextmanager
def one_thread() -> Iterator[None]:
    """Run OpenCV on one thread: several photos are inspected side by side, and results stay the same."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


class _Clock:
    """Seconds between marks."""

    def __init__(self) -> None:
        self.last = time.perf_counter()
        self.spent = dict.fromkeys(("decode", "rectify", "detect", "measure"), 0.0)

    def mark(self, stage: str) -> None:
        now = time.perf_counter()
        self.spent[stage] += now - self.last
        self.last = now


def _inspect(data: bytes, setup: PhotoSetup | None, name: str, stages: StageSink | None) -> Inspection:
    clock = _Clock()
    photo = read_photo(data, name)
    clock.mark("decode")
    lighting = guess_lighting(photo.grey) if setup is None else setup.lighting
    placed = place_photo(photo.grey, setup)
    if setup is not None and placed.frame is not None:
        setup, edges = with_seen_edges(photo.grey, setup, placed.frame)
        placed = replace(placed, messages=placed.messages + edges)
    seen = look_where(photo.grey, setup, placed.frame, list(placed.tags))
    conditions = check_light(photo.grey, seen.mask, lighting, seen.hidden_fraction)
    if any(condition.ends for condition in conditions):
        clock.mark("rectify")
        return _result(photo, setup, placed, seen, placed.blur_px, (), conditions, clock)
    mm_per_px = None if placed.scale is None else placed.scale.mm_per_px
    light = find_light(photo.grey, seen.mask, mm_per_px)
    # pictures of the stages want the whole photo at once
    parts = parts_of(photo.width_px, photo.height_px) if stages is None else [_whole(photo)]
    middle = parts[len(parts) // 2]
    flat = flat_part(photo.grey, seen.mask, light, middle)
    grey = _cut(photo.grey, middle)
    measured_blur = placed.blur_px if placed.blur_px is not None else blur_of_marks(flat)
    conditions += check_subject(grey, flat, lighting) + check_focus(measured_blur)
    blur_px = LIKELY_BLUR_PX if measured_blur is None else measured_blur
    if stages is not None:
        stages.light(photo.grey, flat)
    clock.mark("rectify")
    if any(condition.ends for condition in conditions):
        return _result(photo, setup, placed, seen, measured_blur, (), conditions, clock)
    found: list[tuple[tuple[int, int, int, int], list[Sighting]]] = []
    cut = False
    for part in parts:
        if len(parts) > 1:
            if not _cut(seen.mask, part).any():
                continue
            grey, flat = _cut(photo.grey, part), flat_part(photo.grey, seen.mask, light, part)
        clock.mark("rectify")
        places = eye.detect(grey, flat, lighting, blur_px, mm_per_px)
        cut = cut or places.cut
        clock.mark("detect")
        sightings = eye.measure(grey, flat, places, lighting, blur_px, mm_per_px)
        found.append((part, [shifted(sighting, part[0], part[1]) for sighting in sightings]))
        clock.mark("measure")
    sightings = found[0][1] if len(parts) == 1 else together(found, photo.width_px, photo.height_px)
    finds = _finds(sightings, placed, seen, blur_px)
    result = _result(photo, setup, placed, seen, blur_px, finds, conditions, clock, cut)
    clock.mark("measure")
    result.timings_s.update(clock.spent)
    if stages is not None:
        stages.sightings(photo.grey, flat, places, sightings, result)
    return result


def _whole(photo: Photo) -> tuple[int, int, int, int]:
    return 0, 0, photo.width_px, photo.height_px


def _cut(grey: ByteImage, part: tuple[int, int, int, int]) -> ByteImage:
    x0, y0, x1, y1 = part
    return grey[y0:y1, x0:x1]


def _result(
    photo: Photo,
    setup: PhotoSetup | None,
    placed: Placed,
    seen: Seen,
    blur_px: float | None,
    finds: tuple[Find, ...],
    conditions: list[Condition],
    clock: _Clock,
    cut: bool = False,
) -> Inspection:
    flags = list(placed.flags) + [condition.flag for condition in conditions]
    messages = list(placed.messages) + [condition.message for condition in conditions]
    ended = any(condition.ends for condition in conditions)
    fraction = 0.0 if ended and seen.fraction is not None else seen.fraction
    if fraction is not None and not ended and fraction < FULLY_COVERED:
        flags.append("partly_outside")
        messages.append(f"The photo shows {100 * fraction:.0f} % of the field's glass.")
    if seen.hidden_fraction > WORTH_TELLING_HIDDEN and not ended:
        flags.append("partly_hidden")
        messages.append(
            f"{100 * seen.hidden_fraction:.0f} % of the field is blown out and was not looked at."
        )
    if cut:
        flags.append("too_many_finds")
        messages.append(
            "The sheet shows more marks than can be listed; the strongest are shown. Clean it first."
        )
    return Inspection(
        photo=photo.name,
        sha256=photo.sha256,
        lighting=None if setup is None else setup.lighting,
        width_px=photo.width_px,
        height_px=photo.height_px,
        frame=placed.frame,
        scale=placed.scale,
        blur_px=blur_px,
        smallest_sized_mm=None if ended else _smallest_sized_mm(placed, seen, blur_px),
        covered_mm=None if ended else seen.covered_mm,
        covered_fraction=fraction,
        finds=finds,
        flags=tuple(dict.fromkeys(flags)),
        messages=tuple(messages),
        timings_s=dict(clock.spent),
        hidden=() if ended else seen.hidden,
    )


def _smallest_sized_mm(placed: Placed, seen: Seen, blur_px: float | None) -> float | None:
    """Shortest nucleus that can be sized anywhere in the field: where a pixel spans most."""
    if placed.frame is None or placed.scale is None:
        return None
    coarsest = placed.scale.mm_per_px
    if seen.covered_mm is not None:
        x0, y0, x1, y1 = seen.covered_mm
        corners = placed.frame.mm_to_px([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        corners = np.clip(corners, 0, [seen.mask.shape[1], seen.mask.shape[0]])
        coarsest = max(coarsest, float(placed.frame.mm_per_px_at(corners).max()))
    return coarsest * smallest_sized_px(LIKELY_BLUR_PX if blur_px is None else blur_px)


def _finds(sightings: list[Sighting], placed: Placed, seen: Seen, blur_px: float) -> tuple[Find, ...]:
    """Sightings on the sheet: defects first, each group by falling score, numbered."""
    smallest_mm = _smallest_sized_mm(placed, seen, blur_px)
    sightings = [_edge_named(sighting, placed, seen) for sighting in sightings]
    order = sorted(sightings, key=lambda s: (s.not_glass is not None, -s.score, s.y_px, s.x_px))
    if placed.frame is None:
        return tuple(
            _find(n, sighting, placed, blur_px, smallest_mm, None)
            for n, sighting in enumerate(order, start=1)
        )
    places = np.array([(s.x_px, s.y_px) for s in order], np.float64).reshape(-1, 2)
    slopes = placed.frame.jacobian_at(places)
    return tuple(
        _find(n, sighting, placed, blur_px, smallest_mm, slope)
        for n, (sighting, slope) in enumerate(zip(order, slopes, strict=True), start=1)
    )


def _edge_named(sighting: Sighting, placed: Placed, seen: Seen) -> Sighting:
    """A mark that hugs a known cut edge is the edge or a chip of it; one that only ends there is not."""
    if placed.frame is None or placed.scale is None or seen.glass_mm == seen.looked_at_mm:
        return sighting
    near_mm = EDGE_REACH_MM + EDGE_REACH_PX * placed.scale.mm_per_px
    if sighting.path_px is None:
        x, y, w, h = sighting.box_px
        points = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
        at_edge = float(seen.gap_to_cut_edge_mm(placed.frame.px_to_mm(points)).min()) < near_mm
    else:
        gaps = seen.gap_to_cut_edge_mm(placed.frame.px_to_mm(np.asarray(sighting.path_px, np.float64)))
        at_edge = float(np.median(gaps)) < 2.0 * near_mm
    if not at_edge:
        return sighting
    rest = max(1.0 - sighting.kind_scores.get("not_glass", 0.0), 1e-9)
    share = min(rest, CUT_EDGE_DOUBT)
    scores = {k: v * share / rest for k, v in sighting.kind_scores.items() if k != "not_glass"}
    return replace(
        sighting,
        not_glass="cut edge",
        score=min(sighting.score, share),
        kind_scores={**scores, "not_glass": 1.0 - share},
        not_glass_scores={"cut edge": 1.0},
    )


def _find(
    number: int,
    seen: Sighting,
    placed: Placed,
    blur_px: float,
    smallest_mm: float | None,
    slope: np.ndarray | None,
) -> Find:
    """One find. slope : d(mm) / d(px) at its place, shape (2, 2), None without a frame."""
    path_px = None
    if seen.path_px is not None:
        path_px = tuple((float(x), float(y)) for x, y in seen.path_px)
    x_mm = y_mm = length_mm = width_mm = halo_mm = length_sd = width_sd = path_mm = None
    angle, flags = seen.angle_deg, list(seen.flags)
    if seen.path_px is None and seen.length_px < BLURRED_WIDTHS * blur_px:
        flags.append("blurred")
    if (
        placed.frame is not None
        and placed.scale is not None
        and smallest_mm is not None
        and slope is not None
    ):
        frame = placed.frame
        x_mm, y_mm = (float(v) for v in frame.px_to_mm([(seen.x_px, seen.y_px)])[0])
        along, across, angle = stretch(slope, seen.angle_deg)
        length_mm, width_mm = seen.length_px * along, seen.width_px * across
        if path_px is not None:
            on_sheet = frame.px_to_mm(path_px)
            path_mm = tuple((float(x), float(y)) for x, y in on_sheet)
            length_mm = seen.length_px * _arc(on_sheet) / max(_arc(np.asarray(path_px)), 1e-6)
        # a scratch is judged by its length, but its width is often far below a pixel: that is given with its
        # own sd
        sd = placed.scale.relative_sd
        length_sd = math.hypot(seen.length_sd_px * along, sd * length_mm)
        width_sd = math.hypot(seen.width_sd_px * across, sd * width_mm)
        halo_mm = None if seen.halo_px is None else seen.halo_px * math.sqrt(along * across)
        if length_mm < smallest_mm:
            length_mm = width_mm = halo_mm = length_sd = width_sd = None
            flags.append("below_smallest")
    return Find(
        number=number,
        kind=seen.kind,
        not_glass=seen.not_glass,
        x_mm=x_mm,
        y_mm=y_mm,
        x_px=seen.x_px,
        y_px=seen.y_px,
        length_mm=length_mm,
        width_mm=width_mm,
        halo_mm=halo_mm,
        length_sd_mm=length_sd,
        width_sd_mm=width_sd,
        length_px=seen.length_px,
        width_px=seen.width_px,
        angle_deg=angle,
        score=seen.score,
        kind_scores=seen.kind_scores,
        contrast=seen.contrast,
        box_px=seen.box_px,
        path_mm=path_mm,
        path_px=path_px,
        halo_px=seen.halo_px,
        not_glass_scores=seen.not_glass_scores,
        flags=tuple(dict.fromkeys(flags)),
    )


def stretch(slope: np.ndarray, angle_deg: float) -> tuple[float, float, float]:
    """Millimetres per pixel along and across a direction of the photo, and that direction on the sheet in
    degrees.

    slope : d(mm) / d(px) at the place, shape (2, 2), as `Frame.jacobian_at` gives it
    """
    turn = math.radians(angle_deg)
    along = slope @ np.array([math.cos(turn), math.sin(turn)])
    length = math.hypot(*along)
    across = abs(slope[0, 0] * slope[1, 1] - slope[0, 1] * slope[1, 0]) / max(length, 1e-12)
    return length, float(across), math.degrees(math.atan2(along[1], along[0])) % 180.0


def _arc(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
