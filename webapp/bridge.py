"""The one place where pictures meet records: what vision gives becomes plain values for models, and back.

Everything that pages and workers ask of `vision` is here, so that models never see a picture.
"""

import io
import json
import math
import threading
from collections.abc import Callable, Sequence
from typing import Any

import cv2
import numpy as np
from PIL import Image

from vision.errors import VisionError
from vision.frames import Frame
from vision.photo.read import read_colour, read_photo
from vision.photo.setup_file import PhotoSetup
from vision.results import BackgroundSubtracted, ByteImage

Progress = Callable[[float, str], None]

Point = tuple[float, float]

#: two touches closer than this are one; a defect has some length
LEAST_LENGTH_MM = 0.01
PHOTO_QUALITY = 88
THUMBNAIL_PX = 320
#: a picture for the screen has at most this many pixels: some tablets draw nothing larger
SCREEN_PIXELS = 16_000_000

#: a photo of 100 megapixels takes some hundred megabytes while it is decoded
_decoding = threading.BoundedSemaphore(2)


def check_photo(data: bytes, name: str) -> None:
    """Decode the photo once. Raises VisionError with the sentence for the inspector when it is none."""
    with _decoding:
        read_photo(data, name)


def read_setup_file(data: bytes, name: str) -> dict[str, Any]:
    """The content of an uploaded set-up file, checked. Raises VisionError naming file, field, expected."""
    try:
        content = json.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        msg = f"{name}: not readable as JSON; expected a set-up file"
        raise VisionError(msg) from None
    return check_setup(content, name)


def check_setup(content: Any, name: str) -> dict[str, Any]:
    """`content` when it is a set-up that can be used. Raises VisionError naming file, field, expected."""
    return PhotoSetup.from_dict(content, where=name).to_dict()


def use_one_core() -> None:
    """Keep the picture library of this process to one thread, so that pages stay quick beside it."""
    cv2.setNumThreads(1)


def inspect_bytes(
    data: bytes, setup: dict[str, Any] | None, name: str, progress: Progress | None = None
) -> dict[str, Any]:
    """Look at a photo and give back what models.inspections.record_inspection stores.

    progress : called with the share done (0..1) and what is being done. Raises VisionError.
    """
    from vision import inspect_photo  # loads the kinds' weights: workers need them, pages do not

    checked = None if setup is None else PhotoSetup.from_dict(setup, where=f"set-up of {name}")
    stages = None if progress is None else _Told(progress)
    return inspect_photo(data, checked, name=name, stages=stages).to_dict()


class _Told:
    """Stands where the pipeline puts its pictures, and says how far it is instead of keeping them.

    The shares are those of a 12 megapixel photo's time, roughly: they move a bar, nothing rests on them.
    """

    #: the booth looks at a very large photo in parts, as the command line does
    wants_whole = False

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        progress(0.05, "reading")

    def background(self, grey: ByteImage, subtracted: BackgroundSubtracted) -> None:
        """The light is taken out; now the search begins."""
        self._progress(0.35, "searching")

    def detections(self, *_: object) -> None:
        """Everything is measured."""
        self._progress(0.95, "storing")


def places_mm(
    frame: dict[str, Any] | None, points_px: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Sheet places of photo places, [(x_mm, y_mm), ...]; empty when the photo has no scale."""
    if frame is None:
        return []
    return [(float(x), float(y)) for x, y in Frame.from_dict(frame).px_to_mm(np.asarray(points_px, float))]


def places_px(
    frame: dict[str, Any] | None, points_mm: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Photo places of sheet places, [(x_px, y_px), ...]; empty when the photo has no scale."""
    if frame is None or not points_mm:
        return []
    return [(float(x), float(y)) for x, y in Frame.from_dict(frame).mm_to_px(np.asarray(points_mm, float))]


def measured_between(frame: dict[str, Any] | None, one: Point, other: Point) -> dict[str, Any]:
    """x_mm, y_mm, length_mm, angle_deg and path_mm of what lies between two places of a photo, px.

    Empty without a scale. angle_deg as of a find: from +x towards +y, in [0, 180).
    """
    ends = places_mm(frame, [one, other])
    if not ends:
        return {}
    (x0, y0), (x1, y1) = ends
    length = math.hypot(x1 - x0, y1 - y0)
    return {
        "x_mm": (x0 + x1) / 2,
        "y_mm": (y0 + y1) / 2,
        "length_mm": max(length, LEAST_LENGTH_MM),
        "angle_deg": math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180.0,
        "path_mm": [[x0, y0], [x1, y1]],
    }


def moved_setup(setup: dict[str, Any], x0_mm: float | None, y0_mm: float | None) -> dict[str, Any]:
    """A set-up of a square-on camera moved to another corner; with tags it stays where they are."""
    field = setup.get("field_mm")
    if field is None or setup.get("tags") or (x0_mm is None and y0_mm is None):
        return setup
    x0 = field[0] if x0_mm is None else x0_mm
    y0 = field[1] if y0_mm is None else y0_mm
    return {**setup, "field_mm": [x0, y0, x0 + field[2] - field[0], y0 + field[3] - field[1]]}


def setup_words(setup: dict[str, Any]) -> str:
    """A set-up in a sentence."""
    light = {"dark_field": "dark field", "bright_field": "bright field"}.get(
        str(setup.get("lighting")), "light unknown"
    )
    parts = [light]
    if setup.get("tags"):
        parts.append(f"{len(setup['tags']['corners_mm'])} reference tags")
    elif setup.get("mm_per_px"):
        parts.append(f"{setup['mm_per_px']:g} mm per pixel")
    else:
        parts.append("no scale: review only")
    if setup.get("field_mm"):
        x0, y0, x1, y1 = setup["field_mm"]
        parts.append(f"x {x0:g} to {x1:g} mm, y {y0:g} to {y1:g} mm".replace("-", "−"))
    return ", ".join(parts)


def screen_picture(data: bytes, name: str) -> bytes:
    """The photo upright as a JPEG of our own making, without anything else that the file carried."""
    with _decoding:
        return _jpeg(read_colour(data, name), SCREEN_PIXELS**0.5, by_area=True)


def thumbnail(screen_jpeg: bytes) -> bytes:
    """A small copy of a screen picture."""
    with Image.open(io.BytesIO(screen_jpeg), formats=("JPEG",)) as picture:
        picture.draft("RGB", (THUMBNAIL_PX * 2, THUMBNAIL_PX * 2))
        return _jpeg(np.asarray(picture.convert("RGB")), THUMBNAIL_PX, by_area=False)


def _jpeg(pixels: np.ndarray, side: float, *, by_area: bool) -> bytes:
    picture = Image.fromarray(pixels)
    width, height = picture.size
    share = (side * side / (width * height)) ** 0.5 if by_area else side / max(width, height)
    if share < 1:
        picture = picture.resize(
            (max(1, round(width * share)), max(1, round(height * share))), Image.Resampling.BOX
        )
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=PHOTO_QUALITY)
    return out.getvalue()
