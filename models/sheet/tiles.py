"""Tiles of a sheet, about a metre each, named like fields of a board: A, B, ... across the ribbon, 1, 2, ...
along it, so that an inspector can walk to what is missing. The only tiles that the program has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.sheet.seen import Box

TILE_MM = 1000.0
#: a tile is done when this much of it is covered; the rest is the width of the cut edge in a photo
TILE_DONE = 0.995
_NAMED = 8


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile of the sheet: its name, rectangle, the part looked at finely enough, the part looked at at
    all, the coarsest size in it.
    """

    name: str
    rectangle_mm: Box
    covered_fraction: float
    seen_fraction: float
    smallest_sized_mm: float | None

    @property
    def done(self) -> bool:
        return self.covered_fraction >= TILE_DONE

    @property
    def seen(self) -> bool:
        return self.seen_fraction >= TILE_DONE


def tile_grid(
    width_mm: float, length_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[tuple[str, Box]]]:
    """Edges of the tiles across and along, mm, and each tile's name and rectangle, row by row."""
    columns, rows = max(1, round(width_mm / TILE_MM)), max(1, round(length_mm / TILE_MM))
    xs, ys = np.linspace(0, width_mm, columns + 1), np.linspace(0, length_mm, rows + 1)
    tiles = [
        (f"{letter(j)}{i + 1}", (float(xs[j]), float(ys[i]), float(xs[j + 1]), float(ys[i + 1])))
        for i in range(rows)
        for j in range(columns)
    ]
    return xs, ys, tiles


def letter(column: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    return chr(ord("A") + column) if column < 26 else letter(column // 26 - 1) + letter(column % 26)


def listed(tiles: Sequence[Tile]) -> str:
    """Tiles as a sentence names them, shortened after eight."""
    names = [tile.name for tile in tiles]
    if len(names) == 1:
        return f"tile {names[0]}"
    if len(names) > _NAMED:
        return f"{len(names)} tiles ({', '.join(names[:_NAMED])}, ...)"
    return f"tiles {', '.join(names[:-1])} and {names[-1]}"
