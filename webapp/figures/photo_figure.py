"""Finds drawn on a photo, and the window of a photo round one defect; pixels of the upright photo."""

from dataclasses import dataclass

from models.defect_detail import DefectDetail, PhotoPlace
from models.history_records import FindHistory, PhotoHistory
from webapp.figures.marks import NOT_GLASS, Mark, mark_for

__all__ = ["Crop", "FindShape", "crop_round", "draw_finds"]

#: side of the window round a defect, where the defect itself is smaller
CROP_PX = 320.0


@dataclass(frozen=True, slots=True)
class FindShape:
    """One find on a photo; `radius` keeps clear of what it marks; lengths in photo pixels."""

    number: int
    mark: Mark
    state: str
    x: float
    y: float
    radius: float
    path: str
    label_x: float
    label_y: float
    anchor: str
    text: str


@dataclass(frozen=True, slots=True)
class Crop:
    """A window of a photo and the sign in it."""

    place: PhotoPlace
    mark: Mark
    x: float
    y: float
    side: float
    radius: float
    path: str


def draw_finds(photo: PhotoHistory) -> tuple[FindShape, ...]:
    """The finds of a photo as shapes; scratches follow their path.

    state : "confirmed", "changed", "dismissed" or "open" (nobody has decided)
    """
    if photo.width_px is None or photo.height_px is None:
        return ()
    unit = max(photo.width_px, photo.height_px) / 100.0
    shapes = [_find_shape(find, unit, photo.width_px) for find in photo.finds]
    # what is not glass is drawn first, so that it does not lie on a number
    return tuple(sorted(shapes, key=lambda shape: shape.mark is not NOT_GLASS))


def _find_shape(find: FindHistory, unit: float, width_px: int) -> FindShape:
    decision = find.decision
    state = "open" if decision is None else decision.decision
    mark = NOT_GLASS if find.not_glass or state == "dismissed" else mark_for(find.kind)
    radius = max((find.length_px or 0.0) * 0.75, unit)
    at_left = find.x_px > width_px - 6 * unit
    size = "not sized" if find.length_mm is None else f"{find.length_mm:.2f} mm"
    what = find.not_glass or mark_for(find.kind).label
    return FindShape(
        number=find.number,
        mark=mark,
        state=state,
        x=find.x_px,
        y=find.y_px,
        radius=radius if not find.path_px else unit,
        path=path_data(find.path_px),
        label_x=find.x_px + (-1 if at_left else 1) * (min(radius, 6 * unit) + 0.5 * unit),
        label_y=find.y_px - 0.4 * unit,
        anchor="end" if at_left else "start",
        text=f"find {find.number}: {what}, {size}, {state if decision else 'nobody has decided'}",
    )


def path_data(points: tuple[tuple[float, float], ...]) -> str:
    """SVG path data through points; empty for fewer than two."""
    if len(points) < 2:
        return ""
    return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in points)


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
    return Crop(place, mark_for(detail.kind), x, y, side, radius, path_data(place.path_px))
