"""A photo set-up entered field by field, for those who have no set-up file."""

from collections.abc import Mapping
from typing import Any

from models.errors import BadValue
from webapp.inspect.forms import number

#: four tags as in the set-up file: one near each corner of the field
TAG_ROWS = 4
TAG_DICTIONARY = "DICT_5X5_50"


def setup_from_fields(form: Mapping[str, str]) -> dict[str, Any]:
    """The set-up that the fields say, in the form of a set-up file; it is still to be checked as one.

    Raises BadValue for a field that is no number or that lacks its companions.
    """
    setup: dict[str, Any] = {"lighting": form.get("lighting", "")}
    _take(form, setup, "thickness_mm", "thickness")
    width, length = (
        number(form, "sheet_width_mm", "sheet width"),
        number(form, "sheet_length_mm", "sheet length"),
    )
    if (width is None) != (length is None):
        raise BadValue("sheet: expected both width and length, or neither")
    if width is not None:
        setup["sheet"] = {"width_mm": width, "length_mm": length}
    field = [number(form, f"field_{side}", f"field {side}") for side in ("x0", "y0", "x1", "y1")]
    if any(value is not None for value in field):
        if None in field:
            raise BadValue("field: expected all four sides, from x and y to x and y")
        setup["field_mm"] = field
    _take(form, setup, "mm_per_px", "millimetres per pixel")
    tags = _tags(form)
    if tags:
        setup["tags"] = {"dictionary": TAG_DICTIONARY, "corners_mm": tags}
    return setup


def _take(form: Mapping[str, str], setup: dict[str, Any], name: str, words: str) -> None:
    value = number(form, name, words)
    if value is not None:
        setup[name] = value


def _tags(form: Mapping[str, str]) -> dict[str, list[list[float]]]:
    """Corners of upright tags from the top left corner of each and the side they share."""
    side = number(form, "tag_side_mm", "side of the tags")
    corners: dict[str, list[list[float]]] = {}
    for row in range(TAG_ROWS):
        x = number(form, f"tag_{row}_x", f"tag {row}: x of its top left corner")
        y = number(form, f"tag_{row}_y", f"tag {row}: y of its top left corner")
        if x is None and y is None:
            continue
        if x is None or y is None or side is None:
            msg = f"tag {row}: expected x and y of its top left corner and the side of the tags"
            raise BadValue(msg)
        corners[form.get(f"tag_{row}_id", "").strip() or str(row)] = [
            [x, y],
            [x + side, y],
            [x + side, y + side],
            [x, y + side],
        ]
    return corners
