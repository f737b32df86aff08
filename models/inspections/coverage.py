"""What of a sheet was photographed, how finely, and which close-ups are missing.

A photo covers the rectangle that its inspection reports and can size from its
`smallest_sized_mm` on. A place seen by several photos counts with the finest. The answer is
given by tiles of about a metre, named like fields of a board (A, B, ... across the ribbon,
1, 2, ... along it), so that an inspector can walk to what is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from models.inspections.photos import photos_of
from models.records import Photo, Sheet

TILE_MM = 1000.0
#: a photo's field may end this far from the sheet's edge and still counts as reaching it
EDGE_MM = 10.0
#: a photo that shows less of its field than this is not taken as covering it
FIELD_SHOWN = 0.9
#: a tile is done when this much of it is covered
TILE_DONE = 0.995
_NAMED = 8


@dataclass(frozen=True, slots=True)
class Cover:
    """One photo's rectangle in sheet mm (x0, y0, x1, y1) and the smallest size it can measure there."""

    rectangle_mm: tuple[float, float, float, float]
    smallest_sized_mm: float


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile of the sheet: its name, rectangle, the part covered finely enough, the coarsest size in it."""

    name: str
    rectangle_mm: tuple[float, float, float, float]
    covered_fraction: float
    seen_fraction: float
    smallest_sized_mm: float | None

    @property
    def done(self) -> bool:
        return self.covered_fraction >= TILE_DONE


@dataclass(frozen=True, slots=True)
class CoverageSummary:
    """Coverage of a sheet at the size that is needed.

    needed_mm : the grade's smallest class, None where it has none.  covered_fraction : part of the sheet
    photographed finely enough.  seen_fraction : part photographed at all.  smallest_sized_mm : the coarsest
    of what was photographed, None without a photo that has a scale.  missing : sentences for the inspector.
    """

    needed_mm: float | None
    covered_fraction: float
    seen_fraction: float
    smallest_sized_mm: float | None
    tiles: tuple[Tile, ...]
    missing: tuple[str, ...]

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
    return CoverageSummary(
        summary.needed_mm, summary.covered_fraction, summary.seen_fraction, summary.smallest_sized_mm,
        summary.tiles, summary.missing + notes,
    )  # fmt: skip


def summarise(
    width_mm: float, length_mm: float, covers: Sequence[Cover], needed_mm: float | None
) -> CoverageSummary:
    """The same from plain rectangles; exact for any overlap of them."""
    xs, ys, tiles = _grid(width_mm, length_mm)
    snapped = [
        (_snapped(cover.rectangle_mm, width_mm, length_mm), cover.smallest_sized_mm) for cover in covers
    ]
    edges_x = np.unique(np.concatenate([xs, *([r[0], r[2]] for r, _ in snapped)]))
    edges_y = np.unique(np.concatenate([ys, *([r[1], r[3]] for r, _ in snapped)]))
    finest = np.full((len(edges_y) - 1, len(edges_x) - 1), np.inf)
    for (x0, y0, x1, y1), smallest in snapped:
        if x1 > x0 and y1 > y0:
            i0, i1 = np.searchsorted(edges_y, [y0, y1])
            j0, j1 = np.searchsorted(edges_x, [x0, x1])
            finest[i0:i1, j0:j1] = np.minimum(finest[i0:i1, j0:j1], smallest)
    area = np.diff(edges_y)[:, None] * np.diff(edges_x)[None, :]
    fine_enough = np.isfinite(finest) if needed_mm is None else finest <= needed_mm * (1 + 1e-9)
    result = [_tile(name, r, edges_x, edges_y, finest, fine_enough, area) for name, r in tiles]
    seen = np.isfinite(finest)
    return CoverageSummary(
        needed_mm=needed_mm,
        covered_fraction=_share(fine_enough, area),
        seen_fraction=_share(seen, area),
        smallest_sized_mm=float(finest[seen].max()) if seen.any() else None,
        tiles=tuple(result),
        missing=_sentences(result, needed_mm, nothing_seen=not seen.any()),
    )


def _grid(
    width_mm: float, length_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[tuple[str, tuple[float, float, float, float]]]]:
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


def _snapped(
    rectangle: tuple[float, float, float, float], width_mm: float, length_mm: float
) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = rectangle
    x0, x1 = max(x0, 0.0), min(x1, width_mm)
    y0, y1 = max(y0, 0.0), min(y1, length_mm)
    return (
        0.0 if x0 <= EDGE_MM else x0,
        0.0 if y0 <= EDGE_MM else y0,
        width_mm if x1 >= width_mm - EDGE_MM else x1,
        length_mm if y1 >= length_mm - EDGE_MM else y1,
    )


def _tile(
    name: str,
    rectangle: tuple[float, float, float, float],
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
        Cover((float(x0), float(y0), float(x1), float(y1)), photo.smallest_sized_mm)
        for photo in photos
        if photo.state == "inspected" and photo.covered_mm and photo.smallest_sized_mm is not None
        if (photo.covered_fraction if photo.covered_fraction is not None else 1.0) >= FIELD_SHOWN
        for x0, y0, x1, y1 in [photo.covered_mm]
    ]


def _note(photo: Photo) -> str | None:
    """Why a photo does not count as coverage."""
    if photo.state == "waiting":
        return f"photo {photo.name} has not been looked at yet"
    if photo.state == "failed":
        return f"photo {photo.name} does not count: {photo.message}"
    if photo.covered_mm is None or photo.smallest_sized_mm is None:
        return f"photo {photo.name} does not count: it has no scale"
    if photo.covered_fraction is not None and photo.covered_fraction < FIELD_SHOWN:
        return f"photo {photo.name} does not count: it shows only {photo.covered_fraction:.0%} of its field"
    return None
