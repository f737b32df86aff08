"""Reference tags in the photo: looked for in a reduced copy,
because a search of all of it costs more than decoding."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry.tag_sides import Sides, fine_sides, rough_sides
from vision.photo.setup_file import TAG_DICTIONARY, Corners
from vision.results import ByteImage

SEARCH_LONG_SIDE_PX = 1000
CLEAR_CONTRAST, FAINT_CONTRAST = 12, 6

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SeenTag:
    """A tag in the photo. corners_px : shape (4, 2), clockwise from the tag's own top left.

    sides : the four fitted sides, side i from corner i to corner i + 1; None where a fit failed
    """

    number: int
    corners_px: Floats
    sides: Sides


def find_tags(grey: ByteImage, setup_tags: dict[int, Corners]) -> list[SeenTag]:
    """The tags of the set-up that the photo shows, in order of their numbers, with roughly fitted sides.

    grey : uint8, shape (H, W); setup_tags : number -> corners on the sheet in mm
    Searches the whole photo at coarse size, then finer where a missing tag has to lie, or everywhere if
    nobody knows.
    """
    wanted = tuple(setup_tags)
    coarse = max(1, round(max(grey.shape) / SEARCH_LONG_SIDE_PX))
    found = _search(grey, coarse, wanted, faint=False)
    reduction, faint = coarse, False
    while len(found) < len(wanted):
        if reduction > 1:
            reduction = max(1, reduction // 2)
        elif faint:
            break
        else:
            faint = True  # the last resort: tags in poor light, searched for where nothing else was seen
        for x0, y0, part in _where_missing(grey, found, setup_tags):
            for number, corners in _search(part, reduction, wanted, faint).items():
                found.setdefault(number, corners + np.array([x0, y0]))
    tags = []
    for number in sorted(found):
        corners, sides = rough_sides(grey, found[number])
        tags.append(SeenTag(number, corners, sides))
    return tags


def refined(grey: ByteImage, tags: list[SeenTag], gamma: float) -> list[SeenTag]:
    """The tags with their sides fitted finely, for a camera of this gamma."""
    return [
        SeenTag(tag.number, tag.corners_px, fine_sides(grey, tag.corners_px, tag.sides, gamma))
        for tag in tags
    ]


def _where_missing(
    grey: ByteImage, found: dict[int, Floats], setup_tags: dict[int, Corners]
) -> list[tuple[int, int, ByteImage]]:
    """Parts of the photo to search finely: round the places of
    missing tags, or all of it with fewer than three known."""
    h, w = grey.shape
    if len(found) < 3:
        return [(0, 0, grey)]
    numbers = sorted(found)
    on_sheet = np.concatenate([np.asarray(setup_tags[n], np.float64) for n in numbers])
    in_photo = np.concatenate([found[n] for n in numbers])
    # straight prediction: rough corners would make a perspective one fly off, and the reach allows for the
    # tilt
    framed = np.column_stack([on_sheet, np.ones(len(on_sheet))])
    to_photo = np.linalg.lstsq(framed, in_photo, rcond=None)[0]
    parts = []
    for number in sorted(set(setup_tags) - set(found)):
        place = np.column_stack([np.asarray(setup_tags[number], np.float64), np.ones(4)]) @ to_photo
        reach = 1.5 * float(np.ptp(place, axis=0).max()) + 0.06 * max(h, w)
        x, y = place.mean(axis=0)
        x0, y0 = int(np.clip(x - reach, 0, w)), int(np.clip(y - reach, 0, h))
        x1, y1 = int(np.clip(x + reach, 0, w)), int(np.clip(y + reach, 0, h))
        if min(x1 - x0, y1 - y0) >= 20:
            parts.append((x0, y0, grey[y0:y1, x0:x1]))
    return parts


def _search(grey: ByteImage, reduction: int, wanted: tuple[int, ...], faint: bool) -> dict[int, Floats]:
    """Tags at one size: number -> corners (4, 2) in photo pixels. faint : brighten first, and accept little
    contrast."""
    h, w = grey.shape
    small_size = (max(1, w // reduction), max(1, h // reduction))
    small = grey if reduction == 1 else cv2.resize(grey, small_size, interpolation=cv2.INTER_AREA)
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 21
    parameters.adaptiveThreshWinSizeStep = 8
    parameters.adaptiveThreshConstant = FAINT_CONTRAST if faint else CLEAR_CONTRAST
    parameters.minMarkerPerimeterRate = 0.02
    # in dark field the paper's own border is a square round the tag's: both are kept and tried
    parameters.minMarkerDistanceRate = 0.01
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
    quads, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(
        _stretched(small) if faint else small
    )
    factor = np.array([w / small_size[0], h / small_size[1]])
    found: dict[int, Floats] = {}
    for quad, number in zip(quads, [] if ids is None else ids.ravel().tolist(), strict=True):
        corners = (np.asarray(quad, np.float64).reshape(4, 2) + 0.5) * factor
        known = found.get(number)
        if number in wanted and (known is None or _span(corners) > _span(known)):
            found[number] = corners
    return found


def _span(corners: Floats) -> float:
    return float(np.linalg.norm(corners[2] - corners[0]))


def _stretched(small: ByteImage) -> ByteImage:
    """Brighten a dark photo so that dimly lit tags pass the detector's fixed contrast steps.

    The brightest 20 pixels may saturate: paper of four small tags is far more than that.
    """
    counts = np.bincount(small.ravel(), minlength=256)
    top = int(np.searchsorted(np.cumsum(counts), small.size - 20))
    return small if top >= 160 else cv2.convertScaleAbs(small, alpha=220.0 / max(top, 8))
