"""What of a sheet was photographed, how finely, and which close-ups are missing.

A photo covers the rectangle that its inspection reports, less what was blown out or lay past its border,
and can size from its `smallest_sized_mm` on. What lay under its reference tags counts, or no sheet with
tags on it would ever be done; it is said. A place seen by several photos counts with the finest. The answer
is given by tiles of about a metre, named like fields of a board (A, B, ... across the ribbon, 1, 2, ...
along it), so that an inspector can walk to what is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from models.inspections.photos import photos_of
from models.records import Photo, Sheet

TILE_MM = 1000.0
#: a photo's field may end this far from the sheet's edge and still counts as reaching it
EDGE_MM = 10.0
#: a photo of which it is not known what it hides covers its rectangle if it shows this much of its field
FIELD_SHOWN = 0.9
#: a tile is done when this much of it is covered
TILE_DONE = 0.995
_NAMED = 8
#: a hidden place this near to the border of its photo's rectangle reaches it (both are rounded)
BORDER_MM = 0.1
#: a part of this size that was blown out or lay under tags is worth a sentence
WORTH_TELLING_MM2 = 2000.0
#: reasons (`vision.hidden`) for which a place of a photo is not covered, and for which it is covered and told
HOLES, PAPERS = ("blown_out", "outside"), ("tag",)

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Cover:
    """One photo's rectangle in sheet mm (x0, y0, x1, y1) and the smallest size it can measure there.

    holes_mm : boxes inside the rectangle that it does not show; under_tags_mm : boxes under reference tags
    """

    rectangle_mm: Box
    smallest_sized_mm: float
    holes_mm: tuple[Box, ...] = ()
    under_tags_mm: tuple[Box, ...] = ()


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile of the sheet: its name, rectangle, the part covered finely enough, the coarsest size in it."""

    name: str
    rectangle_mm: Box
    covered_fraction: float
    seen_fraction: float
    smallest_sized_mm: float | None

    @property
    def done(self) -> bool:
        return self.covered_fraction >= TILE_DONE


@dataclass(frozen=True, slots=True)
class CoverageSummary:
    """Coverage of a sheet at the size that is needed.

    needed_mm : the grade's smallest class, None where it has none. covered_fraction : part of the sheet
    photographed finely enough. seen_fraction : part photographed at all. smallest_sized_mm : the coarsest
    of what was photographed, None without a photo that has a scale. missing : sentences for the
    inspector. holes_mm : boxes that every photo there hides. under_tags_mm : boxes that lay under the
    tags of every photo that shows them. notes : what else to look at, sentences that keep nobody from a
    verdict
    """

    needed_mm: float | None
    covered_fraction: float
    seen_fraction: float
    smallest_sized_mm: float | None
    tiles: tuple[Tile, ...]
    missing: tuple[str, ...]
    holes_mm: tuple[Box, ...] = ()
    under_tags_mm: tuple[Box, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        return not self.missing

    def to_dict(self) -> dict[str, Any]:
        """As JSON, to be kept with a verdict."""
        return {**asdict(self), "complete": self.complete}


def coverage(session: Session, sheet_id: int, needed_mm: float | None = None) -> CoverageSummary:
    """Coverage of a sheet by its inspected photos, for a smallest class of `needed_mm`."""
    sheet = session.get_one(Sheet, sheet_id)
    photos = photos_of(session, sheet_id)
    summary = summarise(sheet.width_mm, sheet.length_mm, _covers(photos), needed_mm)
    notes = tuple(note for photo in photos if (note := _note(photo)) is not None)
    if not summary.missing:
        return summary
    return replace(summary, missing=summary.missing + notes)


def summarise(
    width_mm: float, length_mm: float, covers: Sequence[Cover], needed_mm: float | None
) -> CoverageSummary:
    """The same from plain rectangles; exact for any overlap of them."""
    xs, ys, tiles = _grid(width_mm, length_mm)
    snapped = [(_snapped(cover, width_mm, length_mm), cover.smallest_sized_mm) for cover in covers]
    boxes = [
        box for cover, _ in snapped for box in (cover.rectangle_mm, *cover.holes_mm, *cover.under_tags_mm)
    ]
    edges_x = np.unique(np.concatenate([xs, *([b[0], b[2]] for b in boxes)]))
    edges_y = np.unique(np.concatenate([ys, *([b[1], b[3]] for b in boxes)]))

    def cells(box: Box) -> tuple[slice, slice]:
        i0, i1 = np.searchsorted(edges_y, [box[1], box[3]])
        j0, j1 = np.searchsorted(edges_x, [box[0], box[2]])
        return slice(i0, i1), slice(j0, j1)

    finest = np.full((len(edges_y) - 1, len(edges_x) - 1), np.inf)
    bare = np.zeros(finest.shape, bool)  # seen by some photo with no tag on it
    for cover, smallest in snapped:
        shown = np.zeros(finest.shape, bool)
        shown[cells(cover.rectangle_mm)] = True
        for hole in cover.holes_mm:
            shown[cells(hole)] = False
        finest[shown] = np.minimum(finest[shown], smallest)
        for paper in cover.under_tags_mm:
            shown[cells(paper)] = False
        bare |= shown
    area = np.diff(edges_y)[:, None] * np.diff(edges_x)[None, :]
    fine_enough = np.isfinite(finest) if needed_mm is None else finest <= needed_mm * (1 + 1e-9)
    result = [_tile(name, r, edges_x, edges_y, finest, fine_enough, area) for name, r in tiles]
    seen = np.isfinite(finest)
    holes = [hole for cover, _ in snapped for hole in cover.holes_mm if not seen[cells(hole)].all()]
    papers = [paper for cover, _ in snapped for paper in cover.under_tags_mm if not bare[cells(paper)].all()]
    return CoverageSummary(
        needed_mm=needed_mm,
        covered_fraction=_share(fine_enough, area),
        seen_fraction=_share(seen, area),
        smallest_sized_mm=float(finest[seen].max()) if seen.any() else None,
        tiles=tuple(result),
        missing=_sentences(result, needed_mm, nothing_seen=not seen.any()),
        holes_mm=tuple(dict.fromkeys(holes)),
        under_tags_mm=tuple(dict.fromkeys(papers)),
        notes=_under_tags(float(area[seen & ~bare].sum())),
    )


def _grid(
    width_mm: float, length_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[tuple[str, Box]]]:
    columns, rows = max(1, round(width_mm / TILE_MM)), max(1, round(length_mm / TILE_MM))
    xs, ys = np.linspace(0, width_mm, columns + 1), np.linspace(0, length_mm, rows + 1)
    tiles = [
        (f"{_letter(j)}{i + 1}", (float(xs[j]), float(ys[i]), float(xs[j + 1]), float(ys[i + 1])))
        for i in range(rows)
        for j in range(columns)
    ]
    return xs, ys, tiles


def _letter(column: int) -> str:
    return chr(ord("A") + column) if column < 26 else _letter(column // 26 - 1) + _letter(column % 26)


def _snapped(cover: Cover, width_mm: float, length_mm: float) -> Cover:
    """The cover cut to the sheet, and drawn out to an edge that it nearly reaches; its holes go with it."""
    sheet = np.array([0.0, 0.0, width_mm, length_mm])
    upper = np.array([width_mm, length_mm] * 2)
    was = np.clip(np.array(cover.rectangle_mm), 0.0, upper)
    whole = np.where(np.abs(was - sheet) <= EDGE_MM, sheet, was)

    def moved(box: Box) -> Box:
        # what reaches the photo's border reaches the new border too
        inner = np.clip(np.array(box), 0.0, upper)
        return _box(np.where(np.abs(inner - was) <= BORDER_MM, whole, inner))

    return Cover(
        _box(whole),
        cover.smallest_sized_mm,
        tuple(moved(box) for box in cover.holes_mm),
        tuple(moved(box) for box in cover.under_tags_mm),
    )


def _tile(
    name: str,
    rectangle: Box,
    edges_x: NDArray[np.float64],
    edges_y: NDArray[np.float64],
    finest: NDArray[np.float64],
    fine_enough: NDArray[np.bool_],
    area: NDArray[np.float64],
) -> Tile:
    x0, y0, x1, y1 = rectangle
    i0, i1 = np.searchsorted(edges_y, [y0, y1])
    j0, j1 = np.searchsorted(edges_x, [x0, x1])
    part = np.s_[i0:i1, j0:j1]
    seen = np.isfinite(finest[part])
    return Tile(
        name,
        rectangle,
        _share(fine_enough[part], area[part]),
        _share(seen, area[part]),
        float(finest[part][seen].max()) if seen.any() else None,
    )


def _under_tags(area_mm2: float) -> tuple[str, ...]:
    if area_mm2 < WORTH_TELLING_MM2:
        return ()
    where = f"{area_mm2 / 1e6:.2g} m² lay under reference tags in every photo"
    return (f"{where}: look there by eye, or move the tags off the glass",)


def _share(chosen: NDArray[np.bool_], area: NDArray[np.float64]) -> float:
    return float(area[chosen].sum() / area.sum())


def _sentences(tiles: list[Tile], needed_mm: float | None, *, nothing_seen: bool) -> tuple[str, ...]:
    if nothing_seen:
        return ("no photo of this sheet has a scale: photograph it with reference tags or at a known scale",)
    unseen = [tile for tile in tiles if not tile.done and tile.seen_fraction < TILE_DONE]
    coarse = [tile for tile in tiles if not tile.done and tile.seen_fraction >= TILE_DONE]
    sentences = []
    if unseen:
        none_at_all = all(tile.seen_fraction == 0 for tile in unseen)
        how = "not photographed" if none_at_all else "not wholly photographed"
        sentences.append(f"{_listed(unseen)} {'is' if len(unseen) == 1 else 'are'} {how}")
    if coarse and needed_mm is not None:
        sizes = [tile.smallest_sized_mm for tile in coarse if tile.smallest_sized_mm is not None]
        sentences.append(
            f"{_listed(coarse)} {'needs' if len(coarse) == 1 else 'need'} a close-up; smallest class"
            f" {needed_mm:g} mm, the photo there sizes from {max(sizes):.2g} mm"
        )
    return tuple(sentences)


def _listed(tiles: list[Tile]) -> str:
    names = [tile.name for tile in tiles]
    if len(names) == 1:
        return f"tile {names[0]}"
    if len(names) > _NAMED:
        return f"{len(names)} tiles ({', '.join(names[:_NAMED])}, ...)"
    return f"tiles {', '.join(names[:-1])} and {names[-1]}"


def _covers(photos: Sequence[Photo]) -> list[Cover]:
    return [
        Cover(_box(photo.covered_mm), photo.smallest_sized_mm, _hidden(photo, HOLES), _hidden(photo, PAPERS))
        for photo in photos
        if photo.state == "inspected" and photo.covered_mm and photo.smallest_sized_mm is not None
        if _counts(photo)
    ]


def _counts(photo: Photo) -> bool:
    """Whether its rectangle can be believed: what is missing from it is known, or little."""
    if "hidden" in (photo.result or {}) or photo.covered_fraction is None:
        return True
    return photo.covered_fraction >= FIELD_SHOWN


def _hidden(photo: Photo, by: tuple[str, ...]) -> tuple[Box, ...]:
    """Boxes that the photo does not show for one of these reasons; none are known of photos of long ago."""
    return tuple(_box(h["box_mm"]) for h in (photo.result or {}).get("hidden") or () if h["by"] in by)


def _box(values: Sequence[float] | NDArray[np.float64]) -> Box:
    x0, y0, x1, y1 = (float(v) for v in values)
    return x0, y0, x1, y1


def _note(photo: Photo) -> str | None:
    """Why a photo does not count as coverage."""
    if photo.state == "waiting":
        return f"photo {photo.name} has not been looked at yet"
    if photo.state == "failed":
        return f"photo {photo.name} does not count: {photo.message}"
    if photo.covered_mm is None or photo.smallest_sized_mm is None:
        return f"photo {photo.name} does not count: it has no scale"
    blown = sum((b[2] - b[0]) * (b[3] - b[1]) for b in _hidden(photo, HOLES[:1]))
    if blown >= WORTH_TELLING_MM2:
        return f"photo {photo.name} is blown out over {blown / 1e6:.2g} m²: turn the lamp or the camera"
    if not _counts(photo) and photo.covered_fraction is not None:
        shown = f"{100 * photo.covered_fraction:.0f} %"
        return f"photo {photo.name} does not count: it shows only {shown} of its field"
    return None
