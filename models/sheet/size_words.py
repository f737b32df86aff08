"""How a size is said, with its uncertainty and with what the photos leave open, once for screen and paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = ["open_words", "size_figures", "size_words"]


def size_words(length_mm: float | None, sd_mm: float | None, at_least: bool = False) -> str:
    """A size with its unit and uncertainty, or that there is none; `at_least` where it runs out of the
    photos.
    """
    if length_mm is None:
        return "not sized"
    return f"{_length(length_mm, sd_mm, at_least)} mm"


def size_figures(
    length_mm: float | None,
    sd_mm: float | None,
    width_mm: float | None = None,
    halo_mm: float | None = None,
    open_at_mm: Sequence[Any] | None = None,
    path_mm: Sequence[Any] | None = None,
) -> str:
    """All sizes of a defect for a column in mm: "2.98 ± 0.05 × 1.20, zone 4.00"; open ends are said."""
    if length_mm is None:
        return "not sized"
    text = _length(length_mm, sd_mm, bool(open_at_mm))
    text += f" × {width_mm:.2f}" if width_mm is not None else ""
    text += f", zone {halo_mm:.2f}" if halo_mm is not None else ""
    said = open_words(open_at_mm, path_mm)
    return f"{text}; {said}" if said else text


def open_words(open_at_mm: Sequence[Any] | None, path_mm: Sequence[Any] | None) -> str:
    """What the photos leave open of a defect; empty where nothing.

    open_at_mm : places at which it runs out of all photos.  path_mm : the course of a line, empty for spots.
    """
    if not open_at_mm:
        return ""
    if not path_mm:
        return "it lies on the border of its photo and may be larger"
    if len(open_at_mm) > 1:
        return "both its ends lie outside the photos"
    return "its end lies outside the photos"


def _length(length_mm: float, sd_mm: float | None, at_least: bool) -> str:
    digits = 1 if length_mm >= 100 else 2
    spread = f" ± {sd_mm:.{digits}f}" if sd_mm else ""
    return f"{'at least ' if at_least else ''}{length_mm:.{digits}f}{spread}"
