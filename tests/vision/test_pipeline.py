"""From bytes to finds: places, sizes, coverage, and photos that cannot be trusted."""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
import pytest

from tests.vision.tag_photo import TagPhoto, draw
from vision import Inspection, PhotoError, PhotoSetup, draw_overlay, inspect_photo
from vision.flags import FIND_FLAGS, PHOTO_FLAGS
from vision.pictures.stages import StageFolder

CONTRACT = {
    "photo", "sha256", "lighting", "scale", "smallest_sized_mm", "covered_mm", "covered_fraction", "finds",
    "timings_s",
}  # fmt: skip
FIND_CONTRACT = {
    "kind", "not_glass", "x_mm", "y_mm", "length_mm", "width_mm", "halo_mm", "angle_deg", "path_mm", "score",
    "kind_scores", "contrast", "box_px",
}  # fmt: skip


def png(grey: np.ndarray) -> bytes:
    return cv2.imencode(".png", grey, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()


@pytest.fixture(scope="module")
def stones() -> tuple[TagPhoto, list[tuple[float, float]]]:
    """A tilted bright field photo with opaque discs of 2.5 mm (10 px) at known places."""
    photo = draw(np.random.default_rng(11), tilt_deg=8, k1=0.02)
    x0, y0, x1, y1 = photo.field_mm
    places = [(x0 + a * (x1 - x0), y0 + b * (y1 - y0)) for a, b in ((0.3, 0.3), (0.6, 0.4), (0.45, 0.75))]
    fine = 8
    for x, y in places:
        cx, cy = photo.frame.mm_to_px([(x, y)])[0]
        left, top = int(cx) - 12, int(cy) - 12
        rows, columns = np.mgrid[0 : 24 * fine, 0 : 24 * fine]
        inside = np.hypot((columns + 0.5) / fine + left - cx, (rows + 0.5) / fine + top - cy) < 5
        soft = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.8 * fine)
        cover = soft.reshape(24, fine, 24, fine).mean(axis=(1, 3))
        patch = photo.grey[top : top + 24, left : left + 24]
        patch[:] = np.clip(patch * (1 - 0.75 * cover) + 0.5, 0, 255).astype(np.uint8)
    return photo, places


@pytest.fixture(scope="module")
def inspected(stones: tuple[TagPhoto, list[tuple[float, float]]]) -> Inspection:
    photo, _ = stones
    return inspect_photo(photo.png(), PhotoSetup.from_dict(photo.setup), name="stones.png")


def test_result_has_every_field_of_the_contract(inspected: Inspection) -> None:
    data = json.loads(json.dumps(inspected.to_dict()))
    assert set(data) >= CONTRACT
    assert set(data["timings_s"]) == {"decode", "rectify", "detect", "measure"}
    for find in data["finds"]:
        assert set(find) >= FIND_CONTRACT
        assert sum(find["kind_scores"].values()) == pytest.approx(1.0, abs=1e-3)
        assert 0 <= find["score"] <= 1
        assert set(find["flags"]) <= set(FIND_FLAGS)
    assert set(data["flags"]) <= set(PHOTO_FLAGS)


def test_each_stone_is_found_where_it_is(
    stones: tuple[TagPhoto, list[tuple[float, float]]], inspected: Inspection
) -> None:
    for x, y in stones[1]:
        gaps = [math.hypot(f.x_mm - x, f.y_mm - y) for f in inspected.finds if f.x_mm and f.y_mm]
        assert min(gaps) < 0.1


def test_finds_are_numbered_as_listed_defects_first(inspected: Inspection) -> None:
    assert [find.number for find in inspected.finds] == list(range(1, len(inspected.finds) + 1))
    aside = [find.not_glass is not None for find in inspected.finds]
    assert aside == sorted(aside)


def test_field_without_tags_is_covered(inspected: Inspection) -> None:
    assert inspected.covered_fraction == pytest.approx(0.965, abs=0.015)
    assert inspected.smallest_sized_mm is not None
    assert 0.25 * 1.5 < inspected.smallest_sized_mm < 0.25 * 6


def test_without_set_up_nothing_is_sized(stones: tuple[TagPhoto, list[tuple[float, float]]]) -> None:
    result = inspect_photo(stones[0].png(), None, name="x.png")
    assert result.scale is None
    assert result.smallest_sized_mm is None
    assert len(result.finds) >= 3
    for find in result.finds:
        assert (find.x_mm, find.length_mm, find.width_mm, find.halo_mm) == (None, None, None, None)
    assert result.flags == ("no_scale",)


def test_same_photo_gives_the_same_result_whatever_the_threads(
    stones: tuple[TagPhoto, list[tuple[float, float]]], inspected: Inspection
) -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        photo = stones[0]
        again = inspect_photo(photo.png(), PhotoSetup.from_dict(photo.setup), name="stones.png")
        assert cv2.getNumThreads() == 2
    finally:
        cv2.setNumThreads(before)
    one, other = inspected.to_dict(), again.to_dict()
    del one["timings_s"], other["timings_s"]
    assert one == other


def test_threads_are_given_back_after_a_refusal() -> None:
    before = cv2.getNumThreads()
    with pytest.raises(PhotoError):
        inspect_photo(b"", None, name="x")
    assert cv2.getNumThreads() == before


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        (lambda grey: grey // 30, "too_dark"),
        (lambda grey: np.full_like(grey, 255), "blown_out"),
        (lambda grey: np.random.default_rng(0).integers(0, 256, grey.shape, dtype=np.uint8), "not_a_sheet"),
        (lambda grey: cv2.GaussianBlur(grey, (0, 0), 3.2), "out_of_focus"),
    ],
)
def test_photo_that_cannot_be_trusted_is_said_to_be(change: object, flag: str) -> None:
    photo = draw(np.random.default_rng(12))
    grey = change(photo.grey)  # type: ignore[operator]
    result = inspect_photo(png(grey), PhotoSetup.from_dict(photo.setup), name="x.png")
    assert flag in result.flags
    assert all(message.endswith(".") and "\n" not in message for message in result.messages)
    if flag != "out_of_focus":
        assert result.finds == ()
        assert result.covered_fraction in (None, 0.0)


def test_dark_field_set_up_for_a_bright_photo() -> None:
    photo = draw(np.random.default_rng(12))
    setup = PhotoSetup.from_dict({**photo.setup, "lighting": "dark_field"})
    assert "wrong_lighting" in inspect_photo(photo.png(), setup, name="x").flags


def test_glass_ends_at_the_sheet_and_what_hugs_the_edge_is_the_edge() -> None:
    """The field sticks out past a far edge that nobody told: it is seen, named, and not looked beyond."""
    rng = np.random.default_rng(13)
    setup = {"lighting": "bright_field", "field_mm": [0, 0, 300, 225], "mm_per_px": 0.25}
    light = np.full((900, 1200), 170.0)
    light[:, 1000:] = 90
    light[:, 996:1000] = 40
    grey = np.clip(cv2.GaussianBlur(light, (0, 0), 0.8) + rng.normal(0, 1.5, light.shape), 0, 255)
    data = png(grey.astype(np.uint8))
    result = inspect_photo(data, PhotoSetup.from_dict(setup), name="edge.png")
    assert any(
        "cut edge at x = 249 mm" in text or "cut edge at x = 250 mm" in text for text in result.messages
    )
    assert result.covered_mm is not None
    assert result.covered_mm[2] == pytest.approx(249.5, abs=2.5)
    assert result.covered_fraction == pytest.approx(1.0, abs=0.01)
    assert [find for find in result.finds if find.not_glass is None] == []
    told = PhotoSetup.from_dict({**setup, "sheet": {"width_mm": 250, "length_mm": 2000}})
    again = inspect_photo(data, told, name="edge.png")
    assert again.covered_mm is not None
    assert again.covered_mm[2] == pytest.approx(250, abs=1.5)


def test_field_that_the_photo_shows_in_part() -> None:
    grey = np.clip(np.random.default_rng(1).normal(150, 2, (600, 800)), 0, 255).astype(np.uint8)
    setup = PhotoSetup.from_dict(
        {"lighting": "bright_field", "field_mm": [100, 100, 300, 400], "mm_per_px": 0.25}
    )
    result = inspect_photo(png(grey), setup, name="x")
    assert result.covered_fraction == pytest.approx(0.5, abs=0.01)
    assert result.covered_mm == pytest.approx((100, 100, 300, 250), abs=2.5)
    assert "partly_outside" in result.flags


@pytest.mark.parametrize("factor", [0.25, 1.0, 2.5])
@pytest.mark.parametrize("ground", [0, 255])
def test_overlay_reads_on_black_and_on_white_at_any_size(
    inspected: Inspection, factor: float, ground: int
) -> None:
    size = (round(1200 * factor), round(900 * factor))
    drawn_png = draw_overlay(png(np.full(size[::-1], ground, np.uint8)), inspected)
    drawn = cv2.imdecode(np.frombuffer(drawn_png, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert drawn.shape == size[::-1]
    x, y, w, h = inspected.finds[0].box_px
    pad = 40
    near = drawn[max(y - pad, 0) : y + h + pad, max(x - pad, 0) : x + w + pad] if factor == 1.0 else drawn
    assert near.max() > 180
    assert near.min() < 40


def test_stages_are_written_as_pictures(
    tmp_path: object, stones: tuple[TagPhoto, list[tuple[float, float]]]
) -> None:
    folder = StageFolder(str(tmp_path))
    photo = stones[0]
    inspect_photo(photo.png(), PhotoSetup.from_dict(photo.setup), name="x", stages=folder)
    names = sorted(path.name for path in folder.folder.iterdir())
    assert names == [
        "1_light.png", "2_noise.png", "3_flat.png", "4_candidates.png", "5_set_aside.png", "6_finds.png",
        "stages.json",
    ]  # fmt: skip
    for name in names[:-1]:
        assert cv2.imread(str(folder.folder / name)).shape[:2] == photo.grey.shape
    numbers = json.loads((folder.folder / "stages.json").read_text())
    assert len(numbers["candidates"]) >= 3
