"""Finds drawn on a photo, and the window of a photo round one defect; pixels of the upright photo."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from models.defect_detail import DefectDetail, PhotoPlace
from models.history_records import FindHistory, PhotoHistory
from models.sheet.labels import defect_label, find_label
from webapp.figures.free_places import FreePlaces
from webapp.figures.marks import NOT_GLASS, SLIM, Mark, dashes, mark_for, outline, path_data
from webapp.figures.sheet_shapes import Box

__all__ = ["LETTER", "Crop", "FindShape", "crop_round", "draw_finds", "label_of"]

#: side of the window round a defect, where the defect itself is smaller
CROP_PX = 320.0
#: size of the labels on a page, in hundredths of the photo's larger side: 12 px where it is 320 px wide
LETTER = 3.8
#: what is drawn and left out of a dashed line, in hundredths of the photo's larger side
_DASH, _GAP = 0.75, 0.85

Lines = tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, slots=True)
class FindShape:
    """One find on a photo; lengths in photo pixels.

    label : the number of the defect that it is, else that of the photo and its own ("4", "2-7"); empty for
    what is not glass, so that the others stay legible.
    lines : what is drawn, as lines through points: the sign of its kind around it, or its course; in dashes
    where it is not glass or was dismissed, so that screen, print and PDF show the same ones.
    """

    label: str
    mark: Mark
    state: str
    x: float
    y: float
    lines: Lines
    label_x: float
    label_y: float
    anchor: str
    text: str

    @property
    def data(self) -> str:
        """The lines as SVG path data."""
        return " ".join(path_data(line) for line in self.lines)


@dataclass(frozen=True, slots=True)
class Crop:
    """A window of a photo and the sign in it; `lines` as in FindShape."""

    place: PhotoPlace
    mark: Mark
    x: float
    y: float
    side: float
    lines: Lines

    @property
    def data(self) -> str:
        """The lines as SVG path data."""
        return " ".join(path_data(line) for line in self.lines)


def draw_finds(
    photo: PhotoHistory,
    photo_number: int,
    kinds: Mapping[int, str] | None = None,
    letter_px: float | None = None,
) -> tuple[FindShape, ...]:
    """The finds of a photo as shapes; scratches follow their course.

    photo_number : the photo's among those of its sheet, from 1.
    kinds : of each defect of the sheet by its number, so that it has one sign on plan and photo.
    letter_px : size of the labels, px of the photo; LETTER hundredths of its larger side where none is given.
    state : "confirmed", "changed", "dismissed" or "open" (nobody has decided)
    """
    if photo.width_px is None or photo.height_px is None:
        return ()
    unit = max(photo.width_px, photo.height_px) / 100.0
    shapes = [_find_shape(find, photo_number, unit, kinds or {}) for find in photo.finds]
    # what is not glass is drawn first, so that it does not lie on a label
    shapes.sort(key=lambda shape: shape.mark is not NOT_GLASS)
    letter = letter_px or LETTER * unit
    return tuple(_labelled(shapes, unit, letter, (photo.width_px, photo.height_px)))


def _labelled(
    shapes: Sequence[FindShape], unit: float, letter: float, size_px: tuple[int, int]
) -> Iterator[FindShape]:
    """The shapes with their labels where they lie on nothing; a label that finds no room is left out."""
    free = FreePlaces((0.0, 0.0, *size_px), letter)
    for shape in shapes:
        if shape.label:
            free.take(_room(shape, unit))
    for shape in shapes:
        place = None
        if shape.label:
            x0, y0, x1, y1 = _room(shape, unit)
            place = free.beside(shape.label, shape.x, shape.y, min(x1 - x0, y1 - y0) / 2)
        if place is None:
            yield replace(shape, label="")
        else:
            yield replace(shape, label_x=place.x, label_y=place.y, anchor=place.anchor)


def _room(shape: FindShape, unit: float) -> Box:
    """What the sign of a find takes; of a line only its middle, where the label stands."""
    if len(shape.lines) == 1 and shape.lines[0][0] == shape.lines[0][-1]:
        xs, ys = zip(*shape.lines[0], strict=True)
        return min(xs), min(ys), max(xs), max(ys)
    return shape.x - unit, shape.y - unit, shape.x + unit, shape.y + unit


def label_of(find: FindHistory, photo_number: int) -> str:
    """What a find is called: by the number of the defect that it became, else by its photo's and its own."""
    decision = find.decision
    if decision is not None and decision.decision != "dismissed" and decision.defect_number is not None:
        return defect_label(decision.defect_number)
    return find_label(photo_number, find.number)


def _find_shape(find: FindHistory, photo_number: int, unit: float, kinds: Mapping[int, str]) -> FindShape:
    decision = find.decision
    state = "open" if decision is None else decision.decision
    not_glass = state == "dismissed" or (state == "open" and find.seen_not_glass is not None)
    number = None if decision is None or not_glass else decision.defect_number
    kind = find.kind if number is None else kinds.get(number, find.kind)
    mark = NOT_GLASS if not_glass else mark_for(kind)
    size = "not sized" if find.length_mm is None else f"{find.length_mm:.2f} mm"
    what = find.not_glass or mark_for(find.kind).label
    named = f"find {find_label(photo_number, find.number)}"
    if number is not None:
        named = f"defect {defect_label(number)}, {named}"
    return FindShape(
        label="" if not_glass else label_of(find, photo_number),
        mark=mark,
        state=state,
        x=find.x_px,
        y=find.y_px,
        lines=_lines(find, mark, max((find.length_px or 0.0) * 0.75, unit), unit),
        label_x=find.x_px,
        label_y=find.y_px,
        anchor="start",
        text=f"{named}: {what}, {size}, {_state_words(find)}",
    )


def _state_words(find: FindHistory) -> str:
    if find.decision is not None:
        return find.decision.decision
    return "set apart as not glass" if find.seen_not_glass else "nobody has decided"


def _lines(find: FindHistory, mark: Mark, radius: float, unit: float) -> Lines:
    """The sign around a find, large enough to leave it free to look at, or the course of a line."""
    if len(find.path_px) < 2:
        return _around(mark, find.x_px, find.y_px, radius, unit)
    whole = tuple(find.path_px)
    return dashes(whole, _DASH * unit, _GAP * unit) if mark is NOT_GLASS else (whole,)


def _around(mark: Mark, x: float, y: float, radius: float, unit: float) -> Lines:
    shape = "square" if mark.shape in SLIM else mark.shape
    return outline(shape, x, y, radius * 1.3, (_DASH * unit, _GAP * unit))


def crop_round(detail: DefectDetail | None) -> Crop | None:
    """The window round a defect in its photo; None where there is no photo of it."""
    if detail is None or detail.photo is None:
        return None
    place = detail.photo
    reach = place.length_px or 0.0
    if place.path_px:
        xs, ys = zip(*place.path_px, strict=True)
        reach = max(max(xs) - min(xs), max(ys) - min(ys), reach)
    side = min(max(CROP_PX, reach * 1.3), float(max(place.width_px, place.height_px)))
    x = min(max(place.x_px - side / 2.0, 0.0), max(place.width_px - side, 0.0))
    y = min(max(place.y_px - side / 2.0, 0.0), max(place.height_px - side, 0.0))
    radius = max((place.length_px or 0.0) * 0.75, side / 16.0)
    mark = mark_for(detail.kind)
    lines = (
        (tuple(place.path_px),)
        if len(place.path_px) > 1
        else _around(mark, place.x_px, place.y_px, radius * 1.6, side / 16.0)
    )
    return Crop(place, mark, x, y, side, lines)
