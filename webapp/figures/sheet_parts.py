"""What is drawn of a sheet, in millimetres of it: plain values that every page and the PDF fill alike."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from models.grades import SheetToJudge
from models.sheet.looked import LookedAt
from models.sheet.tiles import TILE_DONE
from webapp.figures.against import Against
from webapp.figures.sheet_shapes import Box, Point

__all__ = [
    "TILE_WORDS",
    "BoxToDraw",
    "DefectToDraw",
    "SheetToDraw",
    "TileToDraw",
    "close_up",
    "judged_defects",
    "tiles_of",
]

TileState = Literal["covered", "coarse", "missing", "unknown"]

TILE_WORDS: dict[TileState, str] = {
    "covered": "looked at finely enough",
    "coarse": "looked at, not finely enough",
    "missing": "not looked at, or not wholly",
    "unknown": "not known whether looked at",
}
#: defects in less than this share of the sheet are drawn apart in a larger scale
CROWDED = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectToDraw:
    """A defect, or a find that nobody has decided yet, by its label ("4", "2-7").

    x_mm, y_mm : None where it has no place; then it is named, not drawn.
    length_mm : None where it is not sized.
    deciding : a reason against the sheet rests on it.  open_at_mm : where it runs out of all photos.
    """

    label: str
    kind: str
    x_mm: float | None
    y_mm: float | None
    length_mm: float | None
    path_mm: tuple[Point, ...] = ()
    open_at_mm: tuple[Point, ...] = ()
    deciding: bool = False
    decided: bool = True

    @property
    def says(self) -> str:
        """What it is, for whoever points at it."""
        what = "defect" if self.decided else "find"
        size = "not sized" if self.length_mm is None else f"{self.length_mm:.2f} mm"
        if self.length_mm is not None and self.open_at_mm:
            size = f"at least {size}"
        waits = "" if self.decided else ", not decided yet"
        return f"{what} {self.label}: {self.kind}, {size}{waits}" + (", decides" if self.deciding else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class TileToDraw:
    """A tile, or a part of the sheet. name : empty where it is drawn without one.

    state : "covered" (looked at finely enough), "coarse" (looked at, not finely enough), "missing" (not
    looked at, or not wholly) or "unknown" (nobody knows whether it was looked at)
    """

    name: str
    box_mm: Box
    state: TileState

    @property
    def says(self) -> str:
        """What is known of it."""
        return f"tile {self.name}: {TILE_WORDS[self.state]}" if self.name else TILE_WORDS[self.state]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxToDraw:
    """A box with its name, such as what a photo shows."""

    name: str
    box_mm: Box


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetToDraw:
    """A sheet with all that is drawn of it.

    photos : what each shows.  by_eye_mm : parts that a person looked at.
    holes_mm : inside photos and shown by none.
    under_tags_mm : under a reference tag in every photo there.  zones : the inner limit of each.
    piece : the largest piece that passes; the rest is cut away.
    against : what reasons against the sheet show; its open ends are where to photograph.
    """

    width_mm: float
    length_mm: float
    defects: tuple[DefectToDraw, ...] = ()
    tiles: tuple[TileToDraw, ...] = ()
    photos: tuple[BoxToDraw, ...] = ()
    by_eye_mm: tuple[Box, ...] = ()
    holes_mm: tuple[Box, ...] = ()
    under_tags_mm: tuple[Box, ...] = ()
    zones: tuple[BoxToDraw, ...] = ()
    piece: BoxToDraw | None = None
    against: Against = field(default_factory=Against)


def judged_defects(judged: SheetToJudge, why: Against) -> tuple[DefectToDraw, ...]:
    """The defects of a sheet as it was judged, under the names by which its reasons call them."""
    return tuple(
        DefectToDraw(
            label=defect.name or str(place + 1),
            kind=defect.kind,
            x_mm=defect.x_mm if defect.placed else None,
            y_mm=defect.y_mm if defect.placed else None,
            length_mm=defect.length_mm,
            path_mm=defect.path_mm,
            open_at_mm=defect.open_at_mm,
            deciding=place in why.defects,
            decided=not (isinstance(defect.ref, Mapping) and "find" in defect.ref),
        )
        for place, defect in enumerate(judged.defects)
    )


def tiles_of(looked: LookedAt | Mapping[str, Any]) -> tuple[TileToDraw, ...]:
    """The tiles of what was looked at; they come as `models` gives it now, or as a verdict keeps it."""
    told = looked.to_dict() if isinstance(looked, LookedAt) else looked
    return tuple(
        TileToDraw(name=tile["name"], box_mm=_box(tile["rectangle_mm"]), state=_state(tile))
        for tile in told.get("tiles") or ()
    )


def close_up(sheet: SheetToDraw) -> Box | None:
    """The window of the sheet, in mm, that holds all its defects where they crowd a part of it; else None."""
    placed = [(d, (d.x_mm, d.y_mm)) for d in sheet.defects if d.x_mm is not None and d.y_mm is not None]
    if len(placed) < 2:
        return None
    xs, ys = zip(*(p for d, at in placed for p in (at, *d.path_mm, *d.open_at_mm)), strict=True)
    margin = 0.12 * max(max(xs) - min(xs), max(ys) - min(ys), 60.0)
    window = (
        max(min(xs) - margin, 0.0),
        max(min(ys) - margin, 0.0),
        min(max(xs) + margin, sheet.width_mm),
        min(max(ys) + margin, sheet.length_mm),
    )
    share = max((window[2] - window[0]) / sheet.width_mm, (window[3] - window[1]) / sheet.length_mm)
    return window if share < CROWDED else None


def _state(tile: Mapping[str, Any]) -> TileState:
    """As the sentences on what is missing have it: `Tile.done`, `Tile.seen`."""
    if tile["covered_fraction"] >= TILE_DONE:
        return "covered"
    return "coarse" if tile["seen_fraction"] >= TILE_DONE else "missing"


def _box(values: Sequence[float]) -> Box:
    x0, y0, x1, y1 = (float(value) for value in values)
    return x0, y0, x1, y1
