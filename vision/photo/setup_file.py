"""The set-up of a photo: how it was lit, what part of the sheet it shows, and how it is scaled.

Each field is checked by itself and against the others, and a fault is named with file, field and what was
expected.
Raises SetupError throughout.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from vision.errors import SetupError
from vision.results import BRIGHT_FIELD, DARK_FIELD

TAG_DICTIONARY = "DICT_5X5_50"
TAG_COUNT_OF_DICTIONARY = 50
LARGEST_MM = 100_000.0
THINNEST_MM, THICKEST_MM = 0.1, 60.0

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class PhotoSetup:
    """A checked set-up.

    lighting : "dark_field" or "bright_field"
    thickness_mm : of the glass, None when not told
    sheet_mm : (width, length) of the whole sheet, None when not told
    field_mm : x0, y0, x1, y1 of the part of the sheet to look at, None when not told
    tags : tag id -> its four corners in sheet mm, clockwise from the tag's own top left; empty without tags
    mm_per_px : of a square-on camera, None when not told
    """

    lighting: str
    thickness_mm: float | None = None
    sheet_mm: tuple[float, float] | None = None
    field_mm: tuple[float, float, float, float] | None = None
    tags: tuple[tuple[int, Corners], ...] = ()
    mm_per_px: float | None = None

    @classmethod
    def from_file(cls, path: str | Path) -> PhotoSetup:
        """Read and check a set-up file (JSON, UTF-8)."""
        path = Path(path)
        try:
            text = path.read_text(encoding="utf-8-sig")
        except OSError as error:
            msg = f"{path.name}: cannot be read ({error.strerror}); expected a set-up file in JSON"
            raise SetupError(msg) from None
        except UnicodeDecodeError:
            msg = f"{path.name}: is not text in UTF-8; expected a set-up file in JSON"
            raise SetupError(msg) from None
        try:
            data = json.loads(text)
        except json.JSONDecodeError as error:
            msg = f"{path.name}: line {error.lineno}, column {error.colno}: not JSON ({error.msg})"
            raise SetupError(msg) from None
        except RecursionError:
            msg = f"{path.name}: nested too deeply; expected a set-up object"
            raise SetupError(msg) from None
        return cls.from_dict(data, where=path.name)

    @classmethod
    def from_dict(cls, data: Any, where: str = "set-up") -> PhotoSetup:
        """Check a set-up that is already parsed. `where` names its origin in error messages."""
        if not isinstance(data, dict):
            msg = f"{where}: expected an object with lighting, field_mm and tags or mm_per_px"
            raise SetupError(msg)
        check = _Check(where)
        lighting = data.get("lighting")
        if lighting not in (DARK_FIELD, BRIGHT_FIELD):
            check.fail("lighting", f"is {_shown(lighting)}", f'"{DARK_FIELD}" or "{BRIGHT_FIELD}"')
        thickness = check.optional_number(data, "thickness_mm", THINNEST_MM, THICKEST_MM)
        sheet = _sheet(data.get("sheet"), check)
        field = _field(data.get("field_mm"), check)
        mm_per_px = check.optional_number(data, "mm_per_px", 1e-4, 100.0)
        tags = _tags(data.get("tags"), check)
        if (tags or mm_per_px is not None) and field is None:
            check.fail("field_mm", "is missing", "[x0, y0, x1, y1] in mm, since a scale is given")
        if field is not None and sheet is not None:
            _field_on_sheet(field, sheet, check)
        return cls(str(lighting), thickness, sheet, field, tags, mm_per_px)

    def to_dict(self) -> dict[str, Any]:
        """The set-up in the form of its file; what was not told stays away."""
        data: dict[str, Any] = {"lighting": self.lighting}
        if self.thickness_mm is not None:
            data["thickness_mm"] = self.thickness_mm
        if self.sheet_mm is not None:
            data["sheet"] = {"width_mm": self.sheet_mm[0], "length_mm": self.sheet_mm[1]}
        if self.field_mm is not None:
            data["field_mm"] = list(self.field_mm)
        if self.tags:
            corners = {str(tag): [list(corner) for corner in four] for tag, four in self.tags}
            data["tags"] = {"dictionary": TAG_DICTIONARY, "corners_mm": corners}
        if self.mm_per_px is not None:
            data["mm_per_px"] = self.mm_per_px
        return data


class _Check:
    """Carries the name of the file so that each complaint can say where."""

    def __init__(self, where: str) -> None:
        self.where = where

    def fail(self, field: str, found: str, expected: str) -> NoReturn:
        msg = f"{self.where}: {field} {found}; expected {expected}"
        raise SetupError(msg)

    def number(self, value: Any, field: str, low: float, high: float) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.fail(field, f"is {_shown(value)}", f"a number from {low:g} to {high:g}")
        if not low <= value <= high:
            self.fail(field, f"is {value:g}", f"a number from {low:g} to {high:g}")
        return float(value)

    def optional_number(self, data: dict[str, Any], field: str, low: float, high: float) -> float | None:
        value = data.get(field)
        return None if value is None else self.number(value, field, low, high)


def _shown(value: Any) -> str:
    """A value as it stands in the file, cut to a length that fits one line."""
    if value is None:
        return "missing"
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 40 else text[:37] + "..."


def _sheet(value: Any, check: _Check) -> tuple[float, float] | None:
    if value is None:
        return None
    if not isinstance(value, dict):
        check.fail("sheet", f"is {_shown(value)}", "an object with width_mm and length_mm")
    width = check.number(value.get("width_mm"), "sheet.width_mm", 1.0, LARGEST_MM)
    length = check.number(value.get("length_mm"), "sheet.length_mm", 1.0, LARGEST_MM)
    return width, length


def _field(value: Any, check: _Check) -> tuple[float, float, float, float] | None:
    if value is None:
        return None
    if not isinstance(value, list | tuple) or len(value) != 4:
        check.fail("field_mm", f"is {_shown(value)}", "four numbers [x0, y0, x1, y1] in mm")
    x0, y0, x1, y1 = (check.number(v, f"field_mm[{i}]", -LARGEST_MM, LARGEST_MM) for i, v in enumerate(value))
    if x1 <= x0:
        check.fail("field_mm", f"runs from x {x0:g} to {x1:g}", "x1 greater than x0")
    if y1 <= y0:
        check.fail("field_mm", f"runs from y {y0:g} to {y1:g}", "y1 greater than y0")
    return x0, y0, x1, y1


def _field_on_sheet(
    field: tuple[float, float, float, float], sheet: tuple[float, float], check: _Check
) -> None:
    """A field may stick out past the cut edge, but it has to show some of the sheet."""
    inside_x = min(field[2], sheet[0]) - max(field[0], 0.0)
    inside_y = min(field[3], sheet[1]) - max(field[1], 0.0)
    if inside_x <= 0 or inside_y <= 0:
        check.fail(
            "field_mm",
            f"{[round(v, 1) for v in field]} lies wholly outside the sheet",
            f"a field that overlaps the sheet of {sheet[0]:g} x {sheet[1]:g} mm",
        )


def _tags(value: Any, check: _Check) -> tuple[tuple[int, Corners], ...]:
    if value is None:
        return ()
    if not isinstance(value, dict):
        check.fail("tags", f"is {_shown(value)}", "an object with dictionary and corners_mm")
    dictionary = value.get("dictionary", TAG_DICTIONARY)
    if dictionary != TAG_DICTIONARY:
        check.fail("tags.dictionary", f"is {_shown(dictionary)}", f'"{TAG_DICTIONARY}"')
    corners = value.get("corners_mm")
    if not isinstance(corners, dict) or not corners:
        check.fail("tags.corners_mm", f"is {_shown(corners)}", "an object from tag number to four corners")
    tags = tuple(sorted((_tag_id(key, check), _corners(key, four, check)) for key, four in corners.items()))
    ids = [tag for tag, _ in tags]
    if len(set(ids)) != len(ids):
        check.fail("tags.corners_mm", "names one tag twice", "each tag once")
    _tags_apart(tags, check)
    return tags


def _tag_id(key: str, check: _Check) -> int:
    if not key.strip().isascii() or not key.strip().isdigit() or int(key) >= TAG_COUNT_OF_DICTIONARY:
        check.fail("tags.corners_mm", f"has a tag {_shown(key)}", "tag numbers from 0 to 49")
    return int(key)


def _corners(key: str, four: Any, check: _Check) -> Corners:
    field = f"tags.corners_mm.{key}"
    if not isinstance(four, list | tuple) or len(four) != 4:
        check.fail(field, f"is {_shown(four)}", "four corners [x, y] in mm")
    points = []
    for i, corner in enumerate(four):
        if not isinstance(corner, list | tuple) or len(corner) != 2:
            check.fail(f"{field}[{i}]", f"is {_shown(corner)}", "a corner [x, y] in mm")
        x, y = (check.number(v, f"{field}[{i}]", -LARGEST_MM, LARGEST_MM) for v in corner)
        points.append((x, y))
    area = _signed_area(points)
    sides = [math.dist(points[i], points[(i + 1) % 4]) for i in range(4)]
    if min(sides) <= 0 or abs(area) < 0.1 * max(sides) ** 2:
        check.fail(field, "is not a square", "four different corners of a square tag")
    if area < 0:
        check.fail(field, "runs counter-clockwise", "corners clockwise from the tag's own top left")
    if max(sides) > 1.1 * min(sides):
        check.fail(
            field, f"has sides from {min(sides):g} to {max(sides):g} mm", "four equal sides (a square tag)"
        )
    return (points[0], points[1], points[2], points[3])


def _tags_apart(tags: tuple[tuple[int, Corners], ...], check: _Check) -> None:
    """Two printed tags cannot lie on the same place."""
    centres = [np.mean(four, axis=0) for _, four in tags]
    side = [math.dist(four[0], four[1]) for _, four in tags]
    for i in range(len(tags)):
        for j in range(i):
            if float(np.linalg.norm(centres[i] - centres[j])) < 0.7 * (side[i] + side[j]) / 2:
                check.fail(
                    "tags.corners_mm",
                    f"puts tags {tags[j][0]} and {tags[i][0]} on the same place",
                    "tags that lie apart",
                )


def _signed_area(points: list[tuple[float, float]]) -> float:
    """Shoelace area; > 0 for corners clockwise as seen with y down."""
    return 0.5 * sum(
        points[i][0] * points[(i + 1) % 4][1] - points[(i + 1) % 4][0] * points[i][1] for i in range(4)
    )
