"""Frames and scale from reference tags: place to a fraction of a pixel, and doubts said in a sentence."""

from __future__ import annotations

import copy

import cv2
import numpy as np
import pytest

from tests.vision.tag_photo import TagPhoto, draw
from vision import Frame, PhotoSetup, StageError
from vision.geometry.placing import Placed, place_photo
from vision.geometry.scale import _places_and_slopes
from vision.geometry.tags import find_tags


def place(photo: TagPhoto, **change: object) -> Placed:
    return place_photo(photo.grey, PhotoSetup.from_dict({**photo.setup, **change}))


def worst_error_px(placed: Placed, photo: TagPhoto) -> float:
    """Largest error over the field, in photo pixels."""
    x0, y0, x1, y1 = photo.field_mm
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)), axis=-1).reshape(-1, 2)
    assert placed.frame is not None
    return float(np.hypot(*(placed.frame.mm_to_px(grid) - photo.frame.mm_to_px(grid)).T).max())


@pytest.mark.parametrize(
    ("tilt_deg", "k1", "ground", "blur_px"),
    [
        (0, 0, 0.75, 0.6),
        (6, 0.03, 0.75, 0.9),
        (12, -0.03, 0.75, 1.4),
        (9, 0.02, 0.02, 0.8),
        (12, 0.05, 0.02, 0.5),
    ],
)
def test_places_are_good_to_a_third_of_a_pixel_with_tilt_and_an_untold_lens(
    tilt_deg: float, k1: float, ground: float, blur_px: float
) -> None:
    rng = np.random.default_rng(int(100 * tilt_deg + 1000 * abs(k1)))
    photo = draw(rng, tilt_deg=tilt_deg, k1=k1, ground=ground, blur_px=blur_px)
    placed = place(photo)
    assert placed.messages == ()
    assert worst_error_px(placed, photo) < 0.34
    assert placed.scale is not None
    assert placed.scale.source == "tags"
    assert placed.scale.residual_mm < 0.05 * 0.25
    # the smear of a pixel's own width, 1 / 12, belongs to the blur that a photo shows
    assert placed.blur_px == pytest.approx(np.hypot(blur_px, 12**-0.5), rel=0.12)


@pytest.mark.parametrize("seed", range(6))
def test_a_sharp_photo_that_the_camera_sharpened_once_more_is_placed_by_all_its_tags(seed: int) -> None:
    rng = np.random.default_rng(4100 + seed)
    photo = draw(
        rng, tilt_deg=2.0 * seed, blur_px=0.3, tag_px=120.0, noise=0.5, ground=0.02 if seed % 2 else 0.75
    )
    soft = cv2.GaussianBlur(photo.grey, (0, 0), (0.8, 1.2, 2.0)[seed % 3])
    photo.grey = cv2.addWeighted(photo.grey, 2.0, soft, -1.0, 0.0)
    sides = [
        side
        for tag in find_tags(photo.grey, dict(PhotoSetup.from_dict(photo.setup).tags))
        for side in tag.sides
    ]
    assert len(sides) == 16
    assert all(side is not None for side in sides)
    placed = place(photo)
    assert placed.flags == ()
    assert worst_error_px(placed, photo) < 0.5


def test_three_tags_are_enough_and_it_is_said() -> None:
    photo = draw(np.random.default_rng(3), tilt_deg=7, k1=0.02)
    hidden = np.array(photo.frame.mm_to_px(photo.tags[2]))
    x0, y0 = hidden.min(axis=0).astype(int) - 4
    photo.grey[y0 : y0 + 45, x0 : x0 + 90] = 120
    placed = place(photo)
    assert placed.flags == ("tags_missing",)
    assert placed.messages == ("Not found: tag 2. The scale rests on tags 0, 1, 3.",)
    assert worst_error_px(placed, photo) < 1.0


def test_two_tags_are_not() -> None:
    photo = draw(np.random.default_rng(4))
    photo.grey[: photo.grey.shape[0] // 2] = 120
    placed = place(photo)
    assert placed.scale is None
    assert "3 tags are needed, so no sizes are given" in placed.messages[0]


def test_no_tags_at_all() -> None:
    photo = draw(np.random.default_rng(4))
    placed = place_photo(np.full_like(photo.grey, 120), PhotoSetup.from_dict(photo.setup))
    assert placed.frame is None
    assert placed.messages == ("No reference tags were found in the photo; finds are shown without sizes.",)


@pytest.mark.parametrize("shift_mm", [1.0, 5.0, 60.0])
def test_one_tag_set_up_wrongly_is_left_out_by_name(shift_mm: float) -> None:
    photo = draw(np.random.default_rng(5), tilt_deg=5)
    tags = copy.deepcopy(photo.setup["tags"])
    tags["corners_mm"]["1"] = [[x - shift_mm, y] for x, y in tags["corners_mm"]["1"]]
    placed = place(photo, tags=tags)
    assert placed.flags == ("tags_disagree",)
    assert placed.messages[0].startswith("Tag 1 does not fit the others")
    assert worst_error_px(placed, photo) < 1.0


def test_tags_of_another_size_than_told_give_no_scale() -> None:
    photo = draw(np.random.default_rng(6))
    tags = copy.deepcopy(photo.setup["tags"])
    for number, four in tags["corners_mm"].items():
        middle = np.mean(four, axis=0)
        tags["corners_mm"][number] = (middle + 1.2 * (np.array(four) - middle)).tolist()
    placed = place(photo, tags=tags)
    assert placed.scale is None
    assert "tags_disagree" in placed.flags
    assert "do not lie where the set-up says" in placed.messages[0]


def test_scale_in_the_set_up_that_contradicts_the_tags() -> None:
    placed = place(draw(np.random.default_rng(7)), mm_per_px=0.5)
    assert placed.scale is None
    assert "mm_per_px is 0.5, the tags give 0.2" in placed.messages[0]


def test_field_outside_of_the_photo() -> None:
    placed = place(draw(np.random.default_rng(7)), field_mm=[3000, 3000, 3300, 3200])
    assert placed.scale is None
    assert "field_mm lies outside what the photo shows" in placed.messages[0]


def test_given_scale_puts_the_outer_corner_of_the_first_pixel_at_the_field() -> None:
    setup = PhotoSetup.from_dict(
        {"lighting": "dark_field", "field_mm": [100, 200, 200, 275], "mm_per_px": 0.25}
    )
    placed = place_photo(np.zeros((300, 400), np.uint8), setup)
    assert placed.frame is not None
    assert placed.frame.px_to_mm([[0, 0], [400, 300], [0.5, 0.5]]).tolist() == [
        [100, 200],
        [200, 275],
        [100.125, 200.125],
    ]


@pytest.mark.parametrize(("shape", "says"), [((400, 300), "on its side"), ((150, 200), "made smaller")])
def test_given_scale_that_contradicts_the_photo(shape: tuple[int, int], says: str) -> None:
    setup = PhotoSetup.from_dict(
        {"lighting": "dark_field", "field_mm": [100, 200, 200, 275], "mm_per_px": 0.25}
    )
    placed = place_photo(np.zeros(shape, np.uint8), setup)
    assert placed.scale is None
    assert says in placed.messages[0]


def test_tags_are_found_upside_down_and_sideways() -> None:
    photo = draw(np.random.default_rng(8))
    told = dict(PhotoSetup.from_dict(photo.setup).tags)
    for turn in (cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_COUNTERCLOCKWISE):
        assert [tag.number for tag in find_tags(cv2.rotate(photo.grey, turn), told)] == [0, 1, 2, 3]


def test_frame_maps_there_and_back() -> None:
    rng = np.random.default_rng(9)
    photo = draw(rng, tilt_deg=11, k1=-0.05)
    points = rng.uniform(0, [1200, 900], (50, 2))
    assert np.allclose(photo.frame.mm_to_px(photo.frame.px_to_mm(points)), points, atol=1e-6)
    again = Frame.from_dict(photo.frame.to_dict())
    assert again == photo.frame


def test_local_scale_is_the_root_of_the_area() -> None:
    frame = Frame.square_on(0.2, 10, 20)
    assert frame.mm_per_px_at([[3, 4]]) == pytest.approx([0.2])
    tilted = draw(np.random.default_rng(1), tilt_deg=12, k1=0.02).frame
    square = np.array([[600, 450], [601, 450], [601, 451], [600, 451.0]])
    x, y = tilted.px_to_mm(square).T
    area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert tilted.mm_per_px_at([[600.5, 450.5]])[0] ** 2 == pytest.approx(area, rel=1e-4)


@pytest.mark.parametrize("broken", [{}, {"homography": [1, 2]}, {"homography": "abc"}])
def test_broken_frames_are_refused(broken: dict[str, object]) -> None:
    whole = Frame.square_on(0.2, 0, 0).to_dict()
    with pytest.raises(StageError, match="frame"):
        Frame.from_dict(broken if not broken else {**whole, **broken})
    with pytest.raises(StageError, match=r"expected \(N, 2\)"):
        Frame.square_on(0.2, 0, 0).px_to_mm([1.0, 2.0])


def test_slopes_of_the_fit_are_those_of_small_steps() -> None:
    """Analytic slopes against central differences, for a tilted view through a bent lens."""
    rng = np.random.default_rng(6)
    q = np.array([1.0, 0.02, 0.1, -0.03, 0.95, 0.2, 0.05, -0.04, 0.06, -0.01, 0.0])
    bent = rng.uniform(-1, 1, (9, 2))
    _, slopes = _places_and_slopes(q, bent)
    for i, step in enumerate(np.eye(11)[:10] * 1e-6):
        numeric = (_places_and_slopes(q + step, bent)[0] - _places_and_slopes(q - step, bent)[0]) / 2e-6
        assert slopes[:, :, i] == pytest.approx(numeric, abs=1e-7)
