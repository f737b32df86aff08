"""The sheet drawn small: tiles photographed finely enough, tiles missing, places of defects."""

from collections.abc import Iterator
from dataclasses import dataclass

from models.inspections import CoverageSummary
from models.records import Defect, Photo, Sheet
from webapp.figures.marks import mark_for


@dataclass(frozen=True, slots=True)
class PlanTile:
    """One tile in sheet mm. `state` is "covered", "coarse" (seen, but not finely enough) or "missing"."""

    name: str
    x: float
    y: float
    width: float
    height: float
    state: str


@dataclass(frozen=True, slots=True)
class Spot:
    """A defect's place in sheet mm."""

    x: float
    y: float
    shape: str


@dataclass(frozen=True, slots=True)
class Footprint:
    """What a photo covers, in sheet mm, with the photo's number."""

    number: int
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Gap:
    """A box inside photos that none of them shows, in sheet mm; `under_tag` or blown out."""

    x: float
    y: float
    width: float
    height: float
    under_tag: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """The drawing's figures (millimetres of the sheet, x across, y along) and its words."""

    width_mm: float
    length_mm: float
    tiles: tuple[PlanTile, ...]
    spots: tuple[Spot, ...]
    photos: tuple[Footprint, ...]
    unseen: tuple[Gap, ...]
    headline: str
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    complete: bool

    @property
    def unit(self) -> float:
        """A length that looks the same on every plan: strokes and letters are given in it."""
        return max(self.width_mm, self.length_mm) / 100


def draw_plan(sheet: Sheet, seen: CoverageSummary, defects: list[Defect], photos: list[Photo]) -> Plan:
    """The plan of a sheet with its coverage and what counts as a defect now."""
    needed = "" if seen.needed_mm is None else f" at {seen.needed_mm:g} mm"
    return Plan(
        width_mm=sheet.width_mm,
        length_mm=sheet.length_mm,
        tiles=tuple(
            PlanTile(tile.name, x0, y0, x1 - x0, y1 - y0, _state(tile.done, tile.seen_fraction))
            for tile in seen.tiles
            for x0, y0, x1, y1 in [tile.rectangle_mm]
        ),
        spots=tuple(
            Spot(defect.x_mm, defect.y_mm, mark_for(defect.kind).shape)
            for defect in defects
            if defect.x_mm is not None and defect.y_mm is not None
        ),
        photos=tuple(_footprints(sheet, photos)),
        unseen=tuple(
            Gap(x0, y0, x1 - x0, y1 - y0, under_tag)
            for boxes, under_tag in ((seen.holes_mm, False), (seen.under_tags_mm, True))
            for x0, y0, x1, y1 in boxes
        ),
        headline=f"Coverage{needed}: {100 * seen.covered_fraction:.0f} %",
        sentences=tuple(seen.missing),
        notes=tuple(seen.notes),
        complete=seen.complete,
    )


def _footprints(sheet: Sheet, photos: list[Photo]) -> Iterator[Footprint]:
    for number, photo in enumerate(photos, start=1):
        if photo.covered_mm is not None:
            x0, y0, x1, y1 = photo.covered_mm
            x0, y0 = max(x0, 0.0), max(y0, 0.0)
            width, height = min(x1, sheet.width_mm) - x0, min(y1, sheet.length_mm) - y0
            if width > 0 and height > 0:
                yield Footprint(number, x0, y0, width, height)


def _state(done: bool, seen_fraction: float) -> str:
    if done:
        return "covered"
    return "coarse" if seen_fraction >= 0.5 else "missing"
