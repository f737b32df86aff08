"""What photos show of a sheet, as plain values: the photos with how well they place, and their finds.

Lengths in mm in the sheet frame: x across the ribbon, y along it, from the leading left corner.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

Point = tuple[float, float]
Box = tuple[float, float, float, float]

#: mm, standard deviation of where a set-up (tags laid by hand, a field typed in) lies on the sheet: corners
#: of printed tags are placed good to about a millimetre (common practice, no source); taken as two of these
REGISTRATION_SD_MM = 0.5
#: px, standard deviation of a find's place in its photo: 80 % lie within 0.3 px where a pixel is up to
#: FINE_MM_PER_PX, and far fewer on wider fields, for want of the lens (own measurement, rendered photos)
PLACE_SD_PX, WIDE_PLACE_SD_PX, FINE_MM_PER_PX = 0.3, 2.0, 0.5
#: a line's end this near to the border of what its photo shows may go on beyond: the search leaves out the
#: last pixels, and a fading end is cut (set by hand, larger of the two)
BORDER_PX, BORDER_MM = 10.0, 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPhoto:
    """One inspected photo with a scale.

    ref : whatever the caller knows it by.  smallest_sized_mm : below it a find is flagged, not sized.
    covered_mm : the rectangle of the sheet it shows, None where nobody knows.  hidden_mm : boxes in it that
    it does not show (tags, blown out, past its border).  place_sd_mm : standard deviation of a place along x
    and y.
    """

    ref: Hashable
    name: str
    mm_per_px: float
    smallest_sized_mm: float | None
    covered_mm: Box | None
    hidden_mm: tuple[Box, ...] = ()
    residual_mm: float = 0.0

    @property
    def place_sd_mm(self) -> float:
        px = PLACE_SD_PX if self.mm_per_px <= FINE_MM_PER_PX else WIDE_PLACE_SD_PX
        return math.hypot(REGISTRATION_SD_MM, self.residual_mm, px * self.mm_per_px)

    def shows(self, x_mm: float, y_mm: float, margin_mm: float = 0.0) -> bool:
        """Whether the place lies in what the photo shows, at least `margin_mm` from its border."""
        if self.covered_mm is None:
            return False
        return _inside(self.covered_mm, x_mm, y_mm, -margin_mm) and not any(
            _inside(box, x_mm, y_mm, margin_mm) for box in self.hidden_mm
        )

    def at_border(self, x_mm: float, y_mm: float) -> bool:
        """Whether something that ends here may go on outside of what the photo shows."""
        margin = max(BORDER_MM, BORDER_PX * self.mm_per_px)
        return not self.shows(x_mm, y_mm, margin)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFind:
    """One find of one photo, with a place on the sheet.

    ref : whatever the caller knows it by.  photo : its photo's `ref`.  run : inspection of the photo it
    belongs to; a find of an earlier run carries what was decided about it, and no measurement (`counts`
    False). path_mm : the line of a scratch, empty for spots.  cut : it touches the border of what its photo
    shows.
    """

    ref: Hashable
    photo: Hashable
    number: int
    kind: str
    not_glass: str | None
    x_mm: float
    y_mm: float
    length_mm: float | None = None
    width_mm: float | None = None
    halo_mm: float | None = None
    length_sd_mm: float | None = None
    width_sd_mm: float | None = None
    angle_deg: float | None = None
    path_mm: tuple[Point, ...] = ()
    kind_scores: Mapping[str, float] = field(default_factory=dict)
    cut: bool = False
    counts: bool = True

    @property
    def is_line(self) -> bool:
        return len(self.path_mm) >= 2


def photo_of_result(result: Mapping[str, Any], ref: Hashable) -> SeenPhoto | None:
    """The photo of an inspection result (its JSON); None where it has no scale."""
    scale = result.get("scale")
    if scale is None:
        return None
    return SeenPhoto(
        ref=ref,
        name=str(result.get("photo", ref)),
        mm_per_px=float(scale["mm_per_px"]),
        residual_mm=float(scale.get("residual_mm") or 0.0),
        smallest_sized_mm=result.get("smallest_sized_mm"),
        covered_mm=box_of(result.get("covered_mm")),
        hidden_mm=hidden_of(result),
    )


def finds_of_result(result: Mapping[str, Any], ref: Hashable) -> list[SeenFind]:
    """The finds of an inspection result that have a place; `ref` of each is (photo's ref, number)."""
    return [
        find_of(find, ref=(ref, find["number"]), photo=ref)
        for find in result["finds"]
        if find["x_mm"] is not None
    ]


def find_of(find: Mapping[str, Any], *, ref: Hashable, photo: Hashable, counts: bool = True) -> SeenFind:
    """A find from its values in a result file or a row; it must have a place."""
    return SeenFind(
        ref=ref,
        photo=photo,
        number=int(find["number"]),
        kind=find["kind"],
        not_glass=find.get("not_glass"),
        x_mm=float(find["x_mm"]),
        y_mm=float(find["y_mm"]),
        length_mm=find.get("length_mm"),
        width_mm=find.get("width_mm"),
        halo_mm=find.get("halo_mm"),
        length_sd_mm=find.get("length_sd_mm"),
        width_sd_mm=find.get("width_sd_mm"),
        angle_deg=find.get("angle_deg"),
        path_mm=points_of(find.get("path_mm")),
        kind_scores=dict(find.get("kind_scores") or {}),
        cut="touches_edge" in (find.get("flags") or ()),
        counts=counts,
    )


def points_of(points: Sequence[Sequence[float]] | None) -> tuple[Point, ...]:
    """A path as tuples of floats; empty for None."""
    return tuple((float(x), float(y)) for x, y in points or ())


def box_of(values: Sequence[float] | None) -> Box | None:
    """x0, y0, x1, y1 as floats, or None."""
    if not values:
        return None
    x0, y0, x1, y1 = (float(v) for v in values)
    return x0, y0, x1, y1


def hidden_of(result: Mapping[str, Any] | None, by: Sequence[str] | None = None) -> tuple[Box, ...]:
    """Boxes that a photo does not show, for one of these reasons (all where none are given)."""
    boxes = [
        box_of(place["box_mm"])
        for place in (result or {}).get("hidden") or ()
        if by is None or place["by"] in by
    ]
    return tuple(box for box in boxes if box is not None)


def moved_box(box: Box, origin_mm: Point) -> Box:
    """The box in a frame whose origin lies at `origin_mm`."""
    x, y = origin_mm
    return box[0] - x, box[1] - y, box[2] - x, box[3] - y


def moved_photo(photo: SeenPhoto, origin_mm: Point) -> SeenPhoto:
    """The photo in a frame whose origin lies at `origin_mm`."""
    covered = None if photo.covered_mm is None else moved_box(photo.covered_mm, origin_mm)
    hidden = tuple(moved_box(box, origin_mm) for box in photo.hidden_mm)
    return replace(photo, covered_mm=covered, hidden_mm=hidden)


def moved_find(find: SeenFind, origin_mm: Point) -> SeenFind:
    """The find in a frame whose origin lies at `origin_mm`."""
    x, y = origin_mm
    path = tuple((px - x, py - y) for px, py in find.path_mm)
    return replace(find, x_mm=find.x_mm - x, y_mm=find.y_mm - y, path_mm=path)


def _inside(box: Box, x_mm: float, y_mm: float, grown_mm: float) -> bool:
    return box[0] - grown_mm <= x_mm <= box[2] + grown_mm and box[1] - grown_mm <= y_mm <= box[3] + grown_mm
