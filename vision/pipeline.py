"""The stages in order: bytes and set-up in, measured finds out.

    decode   bytes -> grey values, upright
    rectify  tags -> frame and scale; field -> mask; background -> background-subtracted signal
    detect   background-subtracted signal -> where something is
    measure  each place -> size, kind, place on the sheet

Everything is found and measured in the photo's own pixels; only results are carried to the sheet, so nothing
is blurred by resampling and the cost stays linear in the number of pixels.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

from vision.detection import detector
from vision.detection.detections import Detection, DetectorInput
from vision.detection.on_sheet import finds_of, smallest_sized_mm
from vision.detection.tiles import parts_of, shifted, together
from vision.field.background import find_background, subtract_part
from vision.field.cut_edges import with_seen_edges
from vision.field.masks import VisibleField, visible_field
from vision.field.quality import Condition, check_focus, check_light, check_subject, guess_lighting
from vision.geometry.blur import LIKELY_BLUR_PX, blur_of_marks
from vision.geometry.placing import Placed, place_photo
from vision.one_thread import one_thread
from vision.photo.read import Photo, read_photo
from vision.photo.setup_file import PhotoSetup
from vision.pictures.stages import StageSink
from vision.results import BackgroundSubtracted, ByteImage, Find, Inspection

# shares of the field, set by hand: they choose what is worth a sentence, no find rests on them
FULLY_COVERED = 0.9
WORTH_TELLING_HIDDEN = 0.02

Part = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A photo with all that is known before anything is looked for.

    setup : with the sheet's far edges where the photo shows them; None without one
    lighting : of the set-up, or the likelier one without a set-up
    """

    photo: Photo
    setup: PhotoSetup | None
    placed: Placed
    visible: VisibleField
    lighting: str

    @property
    def mm_per_px(self) -> float | None:
        """Scale in the middle of the field, None when nobody knows it."""
        return None if self.placed.scale is None else self.placed.scale.mm_per_px

    @property
    def whole(self) -> Part:
        """The whole photo as a part of itself: x0, y0, x1, y1."""
        return 0, 0, self.photo.width_px, self.photo.height_px


def prepare(photo: Photo, setup: PhotoSetup | None) -> Prepared:
    """Place the photo on the sheet and find out where it shows glass. Training takes this way too."""
    placed = place_photo(photo.grey, setup)
    lighting = guess_lighting(photo.grey) if setup is None else setup.lighting
    if setup is not None and placed.frame is not None:
        setup, edges = with_seen_edges(photo.grey, setup, placed.frame)
        placed = replace(placed, messages=placed.messages + edges)
    visible = visible_field(photo.grey, setup, placed.frame, list(placed.tags))
    return Prepared(photo=photo, setup=setup, placed=placed, visible=visible, lighting=lighting)


def measured_blur_px(placed: Placed, subtracted: BackgroundSubtracted) -> float | None:
    """Blur of the photo's tags, else of its sharpest marks, px; None when it shows too few."""
    return placed.blur_px if placed.blur_px is not None else blur_of_marks(subtracted)


def detector_input(prepared: Prepared) -> DetectorInput:
    """The whole photo as the detector is given it. Training starts from here; an inspection takes very large
    photos in parts."""
    photo, mask = prepared.photo, prepared.visible.mask
    background = find_background(photo.grey, mask, prepared.mm_per_px)
    subtracted = subtract_part(photo.grey, mask, background, prepared.whole)
    blur_px = measured_blur_px(prepared.placed, subtracted)
    return _input(prepared, photo.grey, subtracted, LIKELY_BLUR_PX if blur_px is None else blur_px)


def inspect_photo(
    data: bytes, setup: PhotoSetup | None, *, name: str, stages: StageSink | None = None
) -> Inspection:
    """Inspect one photo.

    data : the file's bytes; setup : its checked set-up, None without one; name : for messages
    stages : where to put pictures of each stage, None for nowhere
    Raises PhotoError when the bytes are not a usable photo. A photo that decodes but cannot be trusted gives
    a result with flags and messages, and without what cannot be known.
    """
    with one_thread():
        return _inspect(data, setup, name, stages)


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
    prepared = prepare(photo, setup)
    placed, mask = prepared.placed, prepared.visible.mask
    conditions = check_light(photo.grey, mask, prepared.lighting, prepared.visible.hidden_fraction)
    if any(condition.ends for condition in conditions):
        clock.mark("rectify")
        return _result(prepared, placed.blur_px, (), conditions, clock)
    background = find_background(photo.grey, mask, prepared.mm_per_px)
    # pictures of the stages want the whole photo at once
    whole = stages is not None and stages.wants_whole
    parts = [prepared.whole] if whole else parts_of(photo.width_px, photo.height_px)
    middle = parts[len(parts) // 2]
    subtracted = subtract_part(photo.grey, mask, background, middle)
    grey = _cut(photo.grey, middle)
    blur_px = measured_blur_px(placed, subtracted)
    conditions += check_subject(grey, subtracted, prepared.lighting) + check_focus(blur_px)
    if stages is not None:
        stages.background(photo.grey, subtracted)
    clock.mark("rectify")
    if any(condition.ends for condition in conditions):
        return _result(prepared, blur_px, (), conditions, clock)
    blur_px = LIKELY_BLUR_PX if blur_px is None else blur_px
    found: list[tuple[Part, list[Detection]]] = []
    truncated = False
    for part in parts:
        if len(parts) > 1:
            if not _cut(mask, part).any():
                continue
            grey, subtracted = _cut(photo.grey, part), subtract_part(photo.grey, mask, background, part)
        clock.mark("rectify")
        given = _input(prepared, grey, subtracted, blur_px)
        places = detector.detect(given)
        truncated = truncated or places.truncated
        clock.mark("detect")
        detections = detector.measure(given, places)
        found.append((part, [shifted(detection, part[0], part[1]) for detection in detections]))
        clock.mark("measure")
    detections = found[0][1] if len(parts) == 1 else together(found, photo.width_px, photo.height_px)
    finds = finds_of(detections, placed, prepared.visible, blur_px)
    result = _result(prepared, blur_px, finds, conditions, clock, truncated)
    clock.mark("measure")
    result.timings_s.update(clock.spent)
    if stages is not None:
        stages.detections(photo.grey, subtracted, places, detections, result)
    return result


def _input(
    prepared: Prepared, grey: ByteImage, subtracted: BackgroundSubtracted, blur_px: float
) -> DetectorInput:
    return DetectorInput(
        grey=grey,
        subtracted=subtracted,
        lighting=prepared.lighting,
        blur_px=blur_px,
        mm_per_px=prepared.mm_per_px,
    )


def _cut(grey: ByteImage, part: Part) -> ByteImage:
    x0, y0, x1, y1 = part
    return grey[y0:y1, x0:x1]


def _result(
    prepared: Prepared,
    blur_px: float | None,
    finds: tuple[Find, ...],
    conditions: list[Condition],
    clock: _Clock,
    truncated: bool = False,
) -> Inspection:
    photo, placed, visible = prepared.photo, prepared.placed, prepared.visible
    flags = list(placed.flags) + [condition.flag for condition in conditions]
    messages = list(placed.messages) + [condition.message for condition in conditions]
    ended = any(condition.ends for condition in conditions)
    fraction = 0.0 if ended and visible.fraction is not None else visible.fraction
    if fraction is not None and not ended and fraction < FULLY_COVERED:
        flags.append("partly_outside")
        messages.append(f"The photo shows {100 * fraction:.0f} % of the field's glass.")
    if visible.hidden_fraction > WORTH_TELLING_HIDDEN and not ended:
        flags.append("partly_hidden")
        messages.append(
            f"{100 * visible.hidden_fraction:.0f} % of the field is blown out and was not looked at."
        )
    if truncated:
        flags.append("too_many_finds")
        messages.append(
            "The sheet shows more marks than can be listed; the strongest are shown. Clean it first."
        )
    return Inspection(
        photo=photo.name,
        sha256=photo.sha256,
        lighting=None if prepared.setup is None else prepared.setup.lighting,
        width_px=photo.width_px,
        height_px=photo.height_px,
        frame=placed.frame,
        scale=placed.scale,
        blur_px=blur_px,
        smallest_sized_mm=None if ended else smallest_sized_mm(placed, visible, blur_px),
        covered_mm=None if ended else visible.covered_mm,
        covered_fraction=fraction,
        finds=finds,
        flags=tuple(dict.fromkeys(flags)),
        messages=tuple(messages),
        timings_s=dict(clock.spent),
        hidden=() if ended else visible.hidden,
    )
