"""The parametric photos: the truth lies where the pixels changed, as large as a region measure says."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import label, regionprops

from vision.field.masks import visible_field
from vision.geometry.placing import place_photo
from vision.photo.setup_file import PhotoSetup
from vision.synthetic.parametric import tags
from vision.synthetic.parametric.bubbles import bubble, bubble_parameters
from vision.synthetic.parametric.camera import draw_camera
from vision.synthetic.parametric.canvas import Canvas, DrawnDefect
from vision.synthetic.parametric.contrast_left import contrast_left
from vision.synthetic.parametric.dust import dust, dust_parameters
from vision.synthetic.parametric.outlines import Grain
from vision.synthetic.parametric.scratches import scratch, scratch_parameters
from vision.synthetic.parametric.stones import stone, stone_parameters
from vision.synthetic.photos import CHOOSING, LIGHTINGS, TESTING, TRAINING, shot_of
from vision.training.__main__ import PLAN

FIRST = TESTING.start + 70_000
SIDE = 160


def plain_canvas(dark: bool, noise: float = 0.01, blur_px: float = 0.5) -> Canvas:
    light = np.full((SIDE, SIDE), 0.05 if dark else 0.6, np.float32)
    return Canvas(light, dark, 0.2, blur_px, lambda v: np.full(np.shape(v), noise), (0.0, 0.0, SIDE, SIDE))


def change_by(make: Any, dark: bool) -> tuple[dict[str, Any] | None, np.ndarray]:
    canvas = plain_canvas(dark)
    before = canvas.light.copy()
    made = make(canvas)
    return made.row if isinstance(made, DrawnDefect) else made, np.abs(canvas.light - before)


def test_the_same_seed_gives_the_same_photo_and_truth() -> None:
    one, two = (shot_of(FIRST, "parametric", 0.3) for _ in range(2))
    assert one.data == two.data
    assert [row["length_px"] for row in one.defects] == [row["length_px"] for row in two.defects]
    assert one.data != shot_of(FIRST + 2, "parametric", 0.3).data


@pytest.mark.parametrize("seed", range(FIRST, FIRST + 10))
def test_each_photo_has_a_set_up_that_holds_and_truth_on_the_glass(seed: int) -> None:
    shot = shot_of(seed, "parametric", 0.4, crowded=bool(seed % 3))
    grey = cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_GRAYSCALE)
    setup = PhotoSetup.from_dict(shot.setup)
    assert setup.lighting == LIGHTINGS[seed % 2]
    assert setup.field_mm is not None
    assert setup.sheet_mm is not None
    x0, y0, x1, y1 = setup.field_mm
    mm = (x1 - x0) / grey.shape[1]
    assert (y1 - y0) / grey.shape[0] == pytest.approx(mm)
    assert 0.075 <= mm <= 0.8
    for row in shot.defects:
        assert set(row) >= {
            "kind",
            "x_px",
            "y_px",
            "length_px",
            "width_px",
            "angle_deg",
            "halo_px",
            "visible",
        }
        x, y = x0 + row["x_px"] * mm, y0 + row["y_px"] * mm
        assert 0 < x < setup.sheet_mm[0]
        assert 0 < y < setup.sheet_mm[1]
        assert row["width_px"] <= row["length_px"] * 1.001
    for row in shot.artefacts:
        assert len(row["box_px"]) == 4
    if not seed % 3:
        assert len(shot.defects) <= 8


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_spots_and_grains_change_the_light_where_the_truth_says(dark: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(60, 100, 2)
    length = float(np.exp(rng.uniform(np.log(1.5), np.log(30))))
    parameters = bubble_parameters(rng, dark), stone_parameters(rng, dark), dust_parameters(rng, dark)
    for make, params in zip((bubble, stone, dust), parameters, strict=True):
        row, change = change_by(lambda canvas, m=make, h=params: m(rng, canvas, h, x, y, length), dark)
        assert row is not None
        assert change.max() > 0
        far = row["box_px"][2] / 2 + 1 if make is dust else max(row["halo_px"] or 0, length) / 2 + 1
        yy, xx = np.mgrid[0:SIDE, 0:SIDE] + 0.5
        inside = np.hypot(xx - x, yy - y) <= 1.2 * far + 1
        # tails along the draw are no part of the nucleus and may reach farther
        assert change[inside].sum() > 0.6 * change.sum()
        strong = change > 0.5 * change.max()
        assert np.hypot(xx - x, yy - y)[strong].max() <= far + 1


@pytest.mark.parametrize("style", ["gaussian ring", "annulus", "slope", "double ring", "disc with spot"])
def test_a_large_bubble_is_as_long_as_the_region_it_darkens(style: str) -> None:
    """Region measure: `feret_diameter_max`, `axis_minor_length` of scikit-image, on half-darkened pixels."""
    rng = np.random.default_rng(3)
    params = replace(
        bubble_parameters(rng, False), styles=(style,), halo_share=0.0, dot_px=0.0, faint=0.0, one_sided=0.0
    )
    params = replace(params, aspect=1.4, contrast=0.8, centre=0.0, fill=0.0)
    row, change = change_by(lambda canvas: bubble(rng, canvas, params, 80.3, 79.8, 70.0), False)
    assert row is not None
    whole = ndimage.binary_fill_holes(change > 0.5 * np.quantile(change[change > 0.05], 0.9))
    region = max(regionprops(label(whole)), key=lambda r: r.area)
    assert row["length_px"] == pytest.approx(region.feret_diameter_max, rel=0.06)
    assert row["width_px"] == pytest.approx(region.axis_minor_length, rel=0.06)
    assert abs(row["angle_deg"] - 90) < 35


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize("style", ["disc", "harmonics", "polygon", "gaussian", "flat dot"])
def test_a_large_stone_is_as_long_as_its_core_at_half_depth(style: str, dark: bool) -> None:
    """Region measure: `feret_diameter_max` of scikit-image, on pixels changed by half."""
    rng = np.random.default_rng(5)
    params = replace(
        stone_parameters(rng, dark), cores=(style,), halo_share=0.0, tail_share=0.0, texture=0.0, faint=0.0
    )
    params = replace(params, softness=0.1, rim=0.0, contrast=0.7, rough=0.1)
    row, change = change_by(lambda canvas: stone(rng, canvas, params, 80.3, 79.8, 70.0), dark)
    assert row is not None
    region = max(regionprops(label(change > 0.5 * change.max())), key=lambda r: r.area)
    assert np.array(region.centroid) + 0.5 == pytest.approx([79.8, 80.3], abs=0.6)
    assert row["length_px"] == pytest.approx(region.feret_diameter_max, rel=0.05)
    assert row["halo_px"] is None


@pytest.mark.parametrize("family", ["disc", "harmonics", "star", "polygon", "shard"])
def test_the_edge_of_an_outline_is_where_its_calipers_are(family: str) -> None:
    grain = Grain(np.random.default_rng(8), family, 0.15, 1.3, 100.0)
    dx, dy = np.meshgrid(np.arange(-80, 80, 0.5, np.float32), np.arange(-80, 80, 0.5, np.float32))
    rho, gap = grain.seen_from(dx, dy)
    assert np.array_equal(rho < 1, gap < 0)
    region = max(regionprops(label(rho < 1)), key=lambda r: r.area)
    assert region.feret_diameter_max / 2 == pytest.approx(grain.length, rel=0.02)


@pytest.mark.parametrize("dark", [True, False])
def test_what_is_stronger_is_not_less_visible(dark: bool) -> None:
    flags = []
    for strength in np.geomspace(0.002, 0.9, 12):
        rng = np.random.default_rng(11)
        params = replace(
            stone_parameters(rng, dark), contrast=float(strength), contrast_spread=0.0, faint=0.0
        )
        made = stone(rng, plain_canvas(dark), params, 80.0, 80.0, 4.0)
        flags.append(made.row["visible"])
    assert flags == sorted(flags)
    assert {True, False} == set(flags)


def test_shared_noise_makes_a_wide_pattern_harder_to_see() -> None:
    params = replace(stone_parameters(np.random.default_rng(2), False), faint=0.0)
    seen = [
        stone(
            np.random.default_rng(2), replace(plain_canvas(False), grain_px=g), params, 80.0, 80.0, 12.0
        ).snr
        for g in (0.0, 0.8)
    ]
    assert seen[0].peak == pytest.approx(seen[1].peak)
    assert seen[1].total < 0.5 * seen[0].total


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_a_scratch_lies_along_its_path(dark: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    row, change = change_by(lambda canvas: scratch(rng, canvas, scratch_parameters(rng)), dark)
    assert row is not None
    path = np.asarray(row["path_px"])
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(row["length_px"], rel=0.04)
    yy, xx = np.nonzero(change > 1e-4)
    gap = np.hypot(xx[:, None] + 0.5 - path[:, 0], yy[:, None] + 0.5 - path[:, 1]).min(1)
    spacing = float(np.hypot(*np.diff(path, axis=0).T).max())
    assert gap.max() < row["width_px"] / 2 + spacing + 1.5


def test_what_smoothing_took_away_counts_as_gone() -> None:
    camera = draw_camera(np.random.default_rng(1), False)
    canvas = plain_canvas(False)
    params = replace(
        stone_parameters(np.random.default_rng(4), False), faint=0.0, contrast=0.8, halo_share=0.0
    )
    seen = stone(np.random.default_rng(4), canvas, params, 80.0, 80.0, 6.0).snr
    blank = np.full((SIDE, SIDE), 255 * camera.tone(np.float32(0.6)), np.float32)
    shown = blank.copy()
    rows, cols = (seen.y[:, 0] - 0.5).astype(int), (seen.x[0] - 0.5).astype(int)
    shown[np.ix_(rows, cols)] += camera.step(seen.before, seen.change)
    assert contrast_left(shown, camera, seen) == pytest.approx(1, abs=0.02)
    assert contrast_left(blank, camera, seen) == pytest.approx(0, abs=0.02)
    assert contrast_left((shown + blank) / 2, camera, seen) == pytest.approx(0.5, abs=0.02)


def test_no_photo_is_drawn_twice_and_none_is_a_test_s() -> None:
    taken = sorted((b.first, b.first + b.count) for b in PLAN)
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(taken))
    for batch in PLAN:
        home = TRAINING if batch.crowded else CHOOSING
        assert batch.first in home
        assert batch.first + batch.count - 1 in home
    assert {b.renderer for b in PLAN} == {"raytraced", "sprites", "parametric"}


def test_tags_are_printed_with_exact_cover_and_read_back_where_the_set_up_says() -> None:
    side = 700
    light = np.full((side, side), 0.3, np.float32)
    canvas = Canvas(light, False, 0.2, 0.7, lambda v: np.full(np.shape(v), 0.01), (0.0, 0.0, side, side))
    rng = np.random.default_rng(6)
    places = tags.corners(rng, canvas)
    told = tags.lay(rng, canvas, places, [0.0, 0.0, 140.0, 140.0])
    for number, (x, y, wide) in places.items():
        module = wide / tags.MODULES
        x0, x1 = round(x - 2 * module), round(x + wide + 2 * module)
        y0, y1 = round(y - 2 * module), round(y + wide + 2 * module)
        cut = canvas.light[y0:y1, x0:x1].astype(float)
        paper = cut.max()
        bits = cv2.aruco.generateImageMarker(
            cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50), number, tags.MODULES, borderBits=1
        )
        ink = (
            np.where(bits > 127, paper, tags.INK * paper).sum()
            + ((tags.MODULES + 2) ** 2 - bits.size) * paper
        )
        bare = cut.size - ((tags.MODULES + 2) * module) ** 2
        assert cut.sum() == pytest.approx(ink * module**2 + 0.3 * bare, rel=1e-4)
    seen = place_photo(
        cv2.GaussianBlur(np.clip(canvas.light * 255, 0, 255), (0, 0), 0.8).astype(np.uint8),
        PhotoSetup.from_dict(
            {"lighting": "bright_field", "field_mm": [0, 0, side * 0.2, side * 0.2], "tags": told}
        ),
    )
    assert seen.frame is not None
    assert seen.scale is not None
    assert seen.scale.mm_per_px == pytest.approx(0.2, rel=1e-3)
    assert seen.frame.mm_to_px([(70.0, 70.0)])[0] == pytest.approx([350, 350], abs=0.1)


def test_what_lies_past_the_cut_edge_carries_no_defect() -> None:
    found = 0
    for seed in range(FIRST, FIRST + 16):
        shot = shot_of(seed, "parametric", 0.25)
        edges = [row for row in shot.artefacts if row["what"] == "cut edge"]
        setup = PhotoSetup.from_dict(shot.setup)
        grey = cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_GRAYSCALE)
        placed = place_photo(grey, setup)
        if not edges or placed.frame is None:
            continue
        found += 1
        mask = visible_field(grey, setup, placed.frame, list(placed.tags)).mask
        x, y, w, h = edges[0]["box_px"]
        assert not mask[max(y, 0) : y + h, max(x, 0) : x + w].any()
        assert 0 < (mask > 0).mean() < 0.99
    assert found >= 2
