"""Places where a photo shows no glass: told as boxes, with the reason."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.tag_photo import draw
from vision import PhotoSetup, inspect_photo
from vision.field.hidden import MOST_BOXES, boxes_of


@pytest.mark.parametrize("seed", range(5))
def test_boxes_hold_every_marked_cell_once_and_no_other(seed: int) -> None:
    cells = np.random.default_rng(seed).random((13, 17)) < 0.15 * (seed + 1)
    found = boxes_of(cells, "blown_out", np.arange(18.0), np.arange(14.0))
    held = np.zeros(cells.shape, int)
    for place in found:
        x0, y0, x1, y1 = (int(v) for v in place.box_mm)
        held[y0:y1, x0:x1] += 1
    assert np.array_equal(held, cells.astype(int))


def test_a_rectangle_is_one_box_and_too_ragged_a_shape_is_its_bounding_box() -> None:
    cells = np.zeros((60, 60), bool)
    assert boxes_of(cells, "tag", np.arange(61.0), np.arange(61.0)) == []
    cells[10:20, 5:50] = True
    (one,) = boxes_of(cells, "tag", np.arange(61.0), np.arange(61.0))
    assert one.box_mm == (5.0, 10.0, 50.0, 20.0)
    board = (np.add.outer(np.arange(60), np.arange(60)) % 2).astype(bool)
    assert board.sum() > MOST_BOXES
    (whole,) = boxes_of(board, "tag", np.arange(61.0), np.arange(61.0))
    assert whole.box_mm == (0.0, 0.0, 60.0, 60.0)


def test_a_photo_tells_its_tags_its_glare_and_what_lies_past_its_border() -> None:
    photo = draw(np.random.default_rng(31), tilt_deg=6, ground=0.4)
    x0, y0, x1, y1 = photo.field_mm
    glare = (x0 + 0.4 * (x1 - x0), y0 + 0.4 * (y1 - y0), x0 + 0.6 * (x1 - x0), y0 + 0.5 * (y1 - y0))
    corners = np.array([glare[:2], (glare[2], glare[1]), glare[2:], (glare[0], glare[3])])
    cv2.fillPoly(photo.grey, [np.round(photo.frame.mm_to_px(corners)).astype(np.int32)], 255)
    larger = [x0 - 12.0, y0, x1, y1]
    setup = PhotoSetup.from_dict({**photo.setup, "field_mm": larger})
    result = inspect_photo(photo.png(), setup, name="glare.png")
    by = {name: [h.box_mm for h in result.hidden if h.by == name] for name in ("tag", "blown_out", "outside")}
    assert len(by["tag"]) == 4
    # all of the glare, and at most two of the blocks of 8 px (2 mm) in which it is looked for beside it
    spots = np.array(by["blown_out"])
    area = float(((spots[:, 2] - spots[:, 0]) * (spots[:, 3] - spots[:, 1])).sum())
    wide, high = glare[2] - glare[0], glare[3] - glare[1]
    assert wide * high < area < (wide + 8) * (high + 8)
    assert np.all(spots[:, :2].min(axis=0) > np.array(glare[:2]) - 5)
    assert np.all(spots[:, 2:].max(axis=0) < np.array(glare[2:]) + 5)
    # everything told lies in the covered box, and the shares add up
    assert result.covered_mm is not None
    assert result.covered_fraction is not None
    c = result.covered_mm
    boxes = np.array([place.box_mm for place in result.hidden])
    assert np.all(boxes[:, :2] >= np.array(c[:2]) - 0.01)
    assert np.all(boxes[:, 2:] <= np.array(c[2:]) + 0.01)
    whole = (larger[2] - larger[0]) * (larger[3] - larger[1])
    told = float(((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])).sum())
    assert (c[2] - c[0]) * (c[3] - c[1]) - told == pytest.approx(result.covered_fraction * whole, rel=0.02)
    assert by["outside"]
    assert result.to_dict()["hidden"][0]["by"] == "tag"


def test_nothing_is_told_of_a_photo_without_a_field() -> None:
    photo = draw(np.random.default_rng(32))
    result = inspect_photo(photo.png(), None, name="free.png")
    assert result.hidden == ()
