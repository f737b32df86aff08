"""How one look at a sheet is said: which part, how; for the booth, the history and the dossier."""

from __future__ import annotations

from collections.abc import Sequence

from models.sheet.looked import EDGE_MM, LookStatement
from models.sheet.seen import Box
from models.sheet.tiles import tile_grid

__all__ = ["LIGHT_WORDS", "how_words", "look_words", "parts_words"]

LIGHT_WORDS = {"dark_field": "dark field", "bright_field": "bright field"}
_WAY_WORDS = {"eye": "by eye", "photo": "by photo", "both": "by eye and by photo"}


def look_words(look: LookStatement, width_mm: float, length_mm: float) -> str:
    """A look in one line, without who and when: "by eye, whole sheet, dark field, from 1 m"."""
    return _said(look, parts_words(look.parts_mm, width_mm, length_mm))


def how_words(look: LookStatement) -> str:
    """How somebody looked; what nobody told is named as not known."""
    return _said(look, "")


def parts_words(parts_mm: Sequence[Box] | None, width_mm: float, length_mm: float) -> str:
    """Which part of a sheet: its tiles by name where the boxes are tiles, else in mm. None: the whole."""
    if parts_mm is None:
        return "whole sheet"
    tiles = {box: name for name, box in tile_grid(width_mm, length_mm)[2]}
    names = [tiles[box] for box in parts_mm if box in tiles]
    others = [_box_words(box, width_mm, length_mm) for box in parts_mm if box not in tiles]
    if names and len(names) == len(tiles):
        return "whole sheet"
    tiled = [f"{'tile' if len(names) == 1 else 'tiles'} {', '.join(names)}"] if names else []
    return "; ".join(tiled + others)


def _said(look: LookStatement, part: str) -> str:
    if not look.looked:
        return f"nobody looked{f', {part}' if part else ''}"
    told = [_WAY_WORDS.get(look.way or "", "looked at"), part]
    unknown = [] if look.way else ["how"]
    if look.lighting in LIGHT_WORDS:
        told.append(LIGHT_WORDS[look.lighting])
    else:
        unknown.append("light")
    if look.distance_mm is not None:
        told.append(f"from {look.distance_mm / 1000:g} m")
    elif look.way != "photo":
        unknown.append("distance")
    if look.smallest_mm is not None:
        told.append(f"shows from {look.smallest_mm:g} mm")
    else:
        unknown.append("smallest size")
    words = ", ".join(filter(None, told))
    return f"{words}; {_listed(unknown)} not known" if unknown else words


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _box_words(box: Box, width_mm: float, length_mm: float) -> str:
    x0, y0, x1, y1 = box
    if max(x0, y0, width_mm - x1, length_mm - y1) <= EDGE_MM:
        return "whole sheet"
    return (
        f"{max(x0, 0):.0f} to {min(x1, width_mm):.0f} mm from the left side,"
        f" {max(y0, 0):.0f} to {min(y1, length_mm):.0f} mm from the leading edge"
    )
