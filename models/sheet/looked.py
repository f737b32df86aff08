"""What of a sheet was looked at, how, how finely, and which close-ups are missing. Pure.

One concept for all counts and verdicts: parts of the sheet that a photo shows (its coverage) and parts that a
person looked at. A photo's part is the rectangle that its inspection reports, less what was blown out or lay
past its border. What lay under its reference tags counts, or no sheet with tags on it would ever be done; it
is said. A place seen several times counts with the finest. Unknown is not clean: where nobody knows whether a
sheet was looked at, its part is None, never 0 and never 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from models.sheet.seen import Box, Point, box_of, hidden_of, moved_box
from models.sheet.tiles import Tile, listed, tile_grid

By = Literal["photo", "eye"]

#: a part may end this far from the sheet's edge and still counts as reaching it
EDGE_MM = 10.0
#: a photo of which it is not known what it hides covers its rectangle if it shows this much of its field
FIELD_SHOWN = 0.9
#: a hidden place this near to the border of its photo's rectangle reaches it (both are rounded)
BORDER_MM = 0.1
#: a part of this size that was blown out or lay under tags is worth a sentence
WORTH_TELLING_MM2 = 2000.0
#: reasons (`vision.field.hidden`) for which a place of a photo is not covered, and for which it is, and told
HOLES, PAPERS = ("blown_out", "outside"), ("tag",)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedPart:
    """One rectangle of the sheet that was looked at, mm (x0, y0, x1, y1).

    smallest_mm : smallest size that is measured (photo) or surely seen (eye) there, None where nobody knows.
    holes_mm : boxes inside that it does not show.  under_tags_mm : boxes under reference tags.
    """

    rectangle_mm: Box
    smallest_mm: float | None
    by: By = "photo"
    holes_mm: tuple[Box, ...] = ()
    under_tags_mm: tuple[Box, ...] = ()

    def moved(self, origin_mm: Point) -> LookedPart:
        """The part in a frame whose origin lies at `origin_mm`."""
        return replace(
            self,
            rectangle_mm=moved_box(self.rectangle_mm, origin_mm),
            holes_mm=tuple(moved_box(box, origin_mm) for box in self.holes_mm),
            under_tags_mm=tuple(moved_box(box, origin_mm) for box in self.under_tags_mm),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """What was looked at of a sheet, at the size that is needed.

    needed_mm : the grade's smallest class, None where it has none. covered_fraction : part of the sheet
    looked at finely enough. seen_fraction : part looked at at all; photo_fraction and eye_fraction: by photo,
    by eye. smallest_sized_mm : the coarsest of what was looked at, None where nothing is known to be seen.
    missing : sentences for the inspector. holes_mm : boxes that every photo there hides. under_tags_mm :
    boxes that lay under the tags of every photo that shows them. notes : what else to look at, sentences that
    keep nobody from a verdict
    """

    needed_mm: float | None
    covered_fraction: float
    seen_fraction: float
    photo_fraction: float
    eye_fraction: float
    smallest_sized_mm: float | None
    tiles: tuple[Tile, ...]
    missing: tuple[str, ...]
    holes_mm: tuple[Box, ...] = ()
    under_tags_mm: tuple[Box, ...] = ()
    notes: tuple[str, ...] = ()
    under_tags_m2: float = 0.0

    @property
    def complete(self) -> bool:
        return not self.missing

    def to_dict(self) -> dict[str, Any]:
        """As JSON, to be kept with a verdict."""
        return {**asdict(self), "complete": self.complete}


@dataclass(frozen=True, slots=True, kw_only=True)
class LookStatement:
    """A statement that somebody or something looked at a part of a sheet, or that nobody did.

    way : "eye", "photo", "both", None where nobody knows.  parts_mm : None is the whole sheet.  lighting :
    "dark_field", "bright_field" or None.  smallest_mm : smallest size that is surely seen so.
    """

    looked: bool = True
    way: str | None = None
    parts_mm: tuple[Box, ...] | None = None
    lighting: str | None = None
    distance_mm: float | None = None
    smallest_mm: float | None = None
    looked_at: datetime | None = None
    looked_by: str | None = None


def part_of_photo(values: Any) -> LookedPart | None:
    """The part that one inspected photo shows: of a result's JSON, by key. None where it shows none that
    counts.

    values : mapping with covered_mm, covered_fraction, smallest_sized_mm and hidden, where known
    """
    covered, smallest = box_of(values.get("covered_mm")), values.get("smallest_sized_mm")
    if covered is None or smallest is None or not rectangle_counts(values):
        return None
    return LookedPart(
        rectangle_mm=covered,
        smallest_mm=float(smallest),
        holes_mm=hidden_of(values, HOLES),
        under_tags_mm=hidden_of(values, PAPERS),
    )


def rectangle_counts(values: Any) -> bool:
    """Whether a photo's rectangle can be believed: what is missing from it is known, or little."""
    if "hidden" in values or values.get("covered_fraction") is None:
        return True
    return float(values["covered_fraction"]) >= FIELD_SHOWN


def parts_of_looks(looks: Iterable[LookStatement], width_mm: float, length_mm: float) -> list[LookedPart]:
    """The parts that people said they looked at."""
    whole: tuple[Box, ...] = ((0.0, 0.0, width_mm, length_mm),)
    return [
        LookedPart(rectangle_mm=box, smallest_mm=look.smallest_mm, by="eye")
        for look in looks
        if look.looked
        for box in (whole if look.parts_mm is None else look.parts_mm)
    ]


def looked_fraction(
    state: str, parts: Sequence[LookedPart], looks: Sequence[LookStatement], seen_fraction: float
) -> float | None:
    """Part of a sheet that was looked at, 0 to 1, the denominator of every count; None where nobody knows.

    A sheet that waits or is in work has not been looked at yet, one that passed by was not. Of one that was
    finished or came by import without a photo that has a scale and without a word on who looked, nobody
    knows.
    """
    if state in ("waiting", "in_work"):
        return 0.0
    if parts:
        return seen_fraction
    if state == "passed_by" or any(not look.looked for look in looks):
        return 0.0
    return None


def looked_at(
    width_mm: float, length_mm: float, parts: Sequence[LookedPart], needed_mm: float | None
) -> LookedAt:
    """What parts of a sheet come to together; exact for any overlap of them."""
    xs, ys, tiles = tile_grid(width_mm, length_mm)
    snapped = [_snapped(part, width_mm, length_mm) for part in parts]
    boxes = [box for part in snapped for box in (part.rectangle_mm, *part.holes_mm, *part.under_tags_mm)]
    edges_x = np.unique(np.concatenate([xs, *([b[0], b[2]] for b in boxes)]))
    edges_y = np.unique(np.concatenate([ys, *([b[1], b[3]] for b in boxes)]))

    def cells(box: Box) -> tuple[slice, slice]:
        i0, i1 = np.searchsorted(edges_y, [box[1], box[3]])
        j0, j1 = np.searchsorted(edges_x, [box[0], box[2]])
        return slice(i0, i1), slice(j0, j1)

    finest = np.full((len(edges_y) - 1, len(edges_x) - 1), np.inf)
    by = {"photo": np.zeros(finest.shape, bool), "eye": np.zeros(finest.shape, bool)}
    bare = np.zeros(finest.shape, bool)  # seen by some photo with no tag on it, or by eye
    for part in snapped:
        shown = np.zeros(finest.shape, bool)
        shown[cells(part.rectangle_mm)] = True
        for hole in part.holes_mm:
            shown[cells(hole)] = False
        by[part.by] |= shown
        if part.smallest_mm is not None:
            finest[shown] = np.minimum(finest[shown], part.smallest_mm)
        for paper in part.under_tags_mm:
            shown[cells(paper)] = False
        bare |= shown
    area = np.diff(edges_y)[:, None] * np.diff(edges_x)[None, :]
    seen = by["photo"] | by["eye"]
    fine_enough = seen if needed_mm is None else finest <= needed_mm * (1 + 1e-9)
    result = [_tile(name, r, edges_x, edges_y, finest, seen, fine_enough, area) for name, r in tiles]
    holes = [hole for part in snapped for hole in part.holes_mm if not seen[cells(hole)].all()]
    papers = [paper for part in snapped for paper in part.under_tags_mm if not bare[cells(paper)].all()]
    told = np.isfinite(finest)
    return LookedAt(
        needed_mm=needed_mm,
        covered_fraction=_share(fine_enough, area),
        seen_fraction=_share(seen, area),
        photo_fraction=_share(by["photo"], area),
        eye_fraction=_share(by["eye"], area),
        smallest_sized_mm=float(finest[told].max()) if told.any() else None,
        tiles=tuple(result),
        missing=_sentences(result, needed_mm, nothing_seen=not seen.any(), by_eye=bool(by["eye"].any())),
        holes_mm=tuple(dict.fromkeys(holes)),
        under_tags_mm=tuple(dict.fromkeys(papers)),
        notes=_under_tags(float(area[seen & ~bare].sum())),
        under_tags_m2=float(area[seen & ~bare].sum()) / 1e6,
    )


def _snapped(part: LookedPart, width_mm: float, length_mm: float) -> LookedPart:
    """The part cut to the sheet, and drawn out to an edge that it nearly reaches; its holes go with it."""
    sheet = np.array([0.0, 0.0, width_mm, length_mm])
    upper = np.array([width_mm, length_mm] * 2)
    was = np.clip(np.array(part.rectangle_mm), 0.0, upper)
    whole = np.where(np.abs(was - sheet) <= EDGE_MM, sheet, was)

    def moved(box: Box) -> Box:
        # what reaches the photo's border reaches the new border too
        inner = np.clip(np.array(box), 0.0, upper)
        return _box(np.where(np.abs(inner - was) <= BORDER_MM, whole, inner))

    return LookedPart(
        rectangle_mm=_box(whole),
        smallest_mm=part.smallest_mm,
        by=part.by,
        holes_mm=tuple(moved(box) for box in part.holes_mm),
        under_tags_mm=tuple(moved(box) for box in part.under_tags_mm),
    )


def _tile(
    name: str,
    rectangle: Box,
    edges_x: NDArray[np.float64],
    edges_y: NDArray[np.float64],
    finest: NDArray[np.float64],
    seen: NDArray[np.bool_],
    fine_enough: NDArray[np.bool_],
    area: NDArray[np.float64],
) -> Tile:
    x0, y0, x1, y1 = rectangle
    i0, i1 = np.searchsorted(edges_y, [y0, y1])
    j0, j1 = np.searchsorted(edges_x, [x0, x1])
    part = np.s_[i0:i1, j0:j1]
    told = np.isfinite(finest[part])
    return Tile(
        name,
        rectangle,
        _share(fine_enough[part], area[part]),
        _share(seen[part], area[part]),
        float(finest[part][told].max()) if told.any() else None,
    )


def _under_tags(area_mm2: float) -> tuple[str, ...]:
    if area_mm2 < WORTH_TELLING_MM2:
        return ()
    where = f"{area_mm2 / 1e6:.2g} m² lay under reference tags in every photo"
    return (f"{where}: look there by eye, or move the tags off the glass",)


def _share(chosen: NDArray[np.bool_], area: NDArray[np.float64]) -> float:
    return float(area[chosen].sum() / area.sum())


def _sentences(
    tiles: list[Tile], needed_mm: float | None, *, nothing_seen: bool, by_eye: bool
) -> tuple[str, ...]:
    if nothing_seen:
        return ("no photo of this sheet has a scale: photograph it with reference tags or at a known scale",)
    unseen = [tile for tile in tiles if not tile.done and not tile.seen]
    coarse = [tile for tile in tiles if not tile.done and tile.seen]
    sentences = []
    if unseen:
        none_at_all = all(tile.seen_fraction == 0 for tile in unseen)
        what = "looked at" if by_eye else "photographed"
        how = f"not {what}" if none_at_all else f"not wholly {what}"
        sentences.append(f"{listed(unseen)} {'is' if len(unseen) == 1 else 'are'} {how}")
    if coarse and needed_mm is not None:
        sizes = [tile.smallest_sized_mm for tile in coarse if tile.smallest_sized_mm is not None]
        what = "what was looked at there shows" if by_eye else "the photo there sizes"
        size = (
            f"{what} from {max(sizes):.2g} mm"
            if sizes
            else "how small a fault would have been seen there is not known"
        )
        sentences.append(
            f"{listed(coarse)} {'needs' if len(coarse) == 1 else 'need'} a close-up; smallest class"
            f" {needed_mm:g} mm, {size}"
        )
    return tuple(sentences)


def _box(values: Sequence[float] | NDArray[np.float64]) -> Box:
    x0, y0, x1, y1 = (float(v) for v in values)
    return x0, y0, x1, y1
