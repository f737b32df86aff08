"""Set-up files: what is checked, and that each fault is named with field and expectation."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from vision import PhotoSetup, SetupError

SQUARE = [[0, 0], [30, 0], [30, 30], [0, 30]]


def good() -> dict[str, Any]:
    corners = {
        str(n): [[x + dx, y + dy] for x, y in SQUARE]
        for n, (dx, dy) in enumerate([(5, 5), (465, 5), (465, 345), (5, 345)])
    }
    return {
        "lighting": "dark_field",
        "thickness_mm": 4.0,
        "sheet": {"width_mm": 3210, "length_mm": 6000},
        "field_mm": [0, 0, 500, 380],
        "tags": {"dictionary": "DICT_5X5_50", "corners_mm": corners},
    }


def test_a_whole_set_up_survives_reading_and_writing() -> None:
    setup = PhotoSetup.from_dict(good())
    assert PhotoSetup.from_dict(setup.to_dict()) == setup
    assert setup.field_mm == (0, 0, 500, 380)
    assert [tag for tag, _ in setup.tags] == [0, 1, 2, 3]


def test_a_set_up_without_any_scale_is_a_set_up() -> None:
    assert PhotoSetup.from_dict({"lighting": "bright_field"}).mm_per_px is None


def test_unknown_fields_are_left_alone() -> None:
    assert PhotoSetup.from_dict({**good(), "booth": "north"}).thickness_mm == 4.0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lighting": "daylight"}, 'lighting is "daylight"; expected "dark_field" or "bright_field"'),
        ({"lighting": None}, "lighting is missing"),
        ({"thickness_mm": "4"}, 'thickness_mm is "4"; expected a number from 0.1 to 60'),
        ({"thickness_mm": 400}, "thickness_mm is 400; expected a number from 0.1 to 60"),
        ({"thickness_mm": True}, "thickness_mm is true"),
        ({"thickness_mm": float("nan")}, "thickness_mm is NaN"),
        ({"field_mm": [0, 0, 500]}, r"field_mm is \[0, 0, 500\]; expected four numbers"),
        ({"field_mm": [500, 0, 0, 380]}, "runs from x 500 to 0; expected x1 greater than x0"),
        ({"field_mm": [0, 380, 500, 380]}, "expected y1 greater than y0"),
        ({"field_mm": None}, "field_mm is missing"),
        ({"field_mm": [4000, 0, 4500, 380]}, "lies wholly outside the sheet"),
        ({"sheet": {"width_mm": 3210}}, "sheet.length_mm is missing"),
        ({"sheet": [3210, 6000]}, "sheet is"),
        ({"mm_per_px": 0}, "mm_per_px is 0; expected"),
        ({"mm_per_px": -0.2}, "mm_per_px is -0.2; expected"),
        ({"tags": []}, r"tags is \[\]"),
        ({"tags": {"dictionary": "DICT_4X4_50", "corners_mm": {}}}, 'expected "DICT_5X5_50"'),
        ({"tags": {"corners_mm": {"0": SQUARE[:3]}}}, "tags.corners_mm.0 is"),
        ({"tags": {"corners_mm": {"zero": SQUARE}}}, 'has a tag "zero"; expected tag numbers from 0 to 49'),
        ({"tags": {"corners_mm": {"50": SQUARE}}}, "expected tag numbers from 0 to 49"),
        ({"tags": {"corners_mm": {"0": SQUARE[::-1]}}}, "runs counter-clockwise"),
        ({"tags": {"corners_mm": {"0": [[0, 0], [60, 0], [60, 30], [0, 30]]}}}, "sides from 30 to 60 mm"),
        ({"tags": {"corners_mm": {"0": [[0, 0], [0, 0], [30, 30], [0, 30]]}}}, "is not a square"),
        ({"tags": {"corners_mm": {"0": SQUARE, "1": SQUARE}}}, "puts tags 0 and 1 on the same place"),
    ],
)
def test_each_fault_is_named(change: dict[str, Any], says: str) -> None:
    with pytest.raises(SetupError, match=says) as caught:
        PhotoSetup.from_dict({**good(), **change}, where="p.setup.json")
    assert str(caught.value).startswith("p.setup.json: ")


def test_a_list_is_no_set_up() -> None:
    with pytest.raises(SetupError, match="expected an object"):
        PhotoSetup.from_dict([1, 2])


def test_files_that_cannot_be_read_say_so(tmp_path: Path) -> None:
    broken = tmp_path / "a.setup.json"
    broken.write_text('{"lighting": ', encoding="utf-8")
    with pytest.raises(SetupError, match=r"a.setup.json: line 1, column 14: not JSON"):
        PhotoSetup.from_file(broken)
    broken.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SetupError, match="is not text in UTF-8"):
        PhotoSetup.from_file(broken)
    with pytest.raises(SetupError, match="cannot be read"):
        PhotoSetup.from_file(tmp_path / "none.setup.json")
    broken.write_text(json.dumps(good()), encoding="utf-8-sig")
    assert PhotoSetup.from_file(broken).lighting == "dark_field"
