"""The rendered photos are right where it can be checked by arithmetic: geometry, flux, places, truth."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.measure import label, regionprops

from vision.synthetic.raytraced import (
    Blur,
    Camera,
    Defect,
    SceneSpec,
    Sensor,
    encode,
    random_scene,
    render,
)
from vision.synthetic.raytraced.camera import Projection
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.handwriting import WRITING, written
from vision.synthetic.raytraced.outlines import cover_of
from vision.synthetic.raytraced.scratch_lines import weight_along
from vision.synthetic.raytraced.stones import outline

QUIET = Sensor(exposure=0.8, full_well=1e9, read_noise=0.0, vignetting=0.0, gamma=1.0, tint=(1.0, 1.0, 1.0))


def plain_scene(
    seed: int = 1, *, lighting: str = "bright_field", mm_per_px: float = 0.2, side_px: int = 240
) -> SceneSpec:
    """A small even scene of given scale without noise, tilt, tone curve, tubes, dirt or defects."""
    rng = np.random.default_rng(seed)
    scene = random_scene(
        rng,
        lighting=lighting,
        megapixels=0.3,
        mm_per_px=mm_per_px,
        scale="given",
        defects=(0, 0, 0),
        clutter=0,
    )
    span = side_px * mm_per_px
    return replace(
        scene,
        camera=Camera(side_px, side_px, mm_per_px, (1000 + span / 2, 2000 + span / 2)),
        sheet_mm=(3210.0, 6000.0),
        field_mm=(1000.0, 2000.0, 1000 + span, 2000 + span),
        blur=Blur(0.6),
        lamp=replace(scene.lamp, ripple=0.0, strengths=(1.0,), panel_mm=(0.0, 0.0, 3210.0, 6000.0)),
        dark=replace(scene.dark, black=0.05, gradient=0.0, cloth=0.0, edge_glow=0.0),
        sensor=QUIET,
    )


def light_of(scene: SceneSpec) -> np.ndarray:
    """Green grey values as fractions of full scale; rounding to 8 bits stays in."""
    return render(scene, np.random.default_rng(0)).image[..., 1].astype(float) / 255


def test_the_same_scene_gives_the_same_bytes():
    scene = random_scene(np.random.default_rng(5), megapixels=0.5)
    one = encode(render(scene, np.random.default_rng(6)), 90)
    assert one == encode(render(scene, np.random.default_rng(6)), 90)
    assert one != encode(render(scene, np.random.default_rng(7)), 90)


@pytest.mark.parametrize("seed", range(4))
def test_printed_tags_lie_where_the_set_up_says(seed):
    """A tag reader finds all four, and each side lies within 0.1 px of its projected corners.

    Measured by equal areas across the edge, in a linear picture: a tone curve would move every blurred edge
    towards its dark side, and a corner finder is drawn inwards by the blur.
    """
    scene = random_scene(
        np.random.default_rng(seed),
        lighting="bright_field",
        megapixels=2,
        scale="tags",
        difficulty=0.1,
        clutter=0,
    )
    plain = replace(QUIET, exposure=0.6)
    shot = render(replace(scene, sensor=plain, blur=Blur(0.6), defects=()), np.random.default_rng(9))
    grey = shot.image[..., 1]
    reader = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50))
    _, numbers, _ = reader.detectMarkers(grey)
    assert sorted(numbers.ravel().tolist()) == [0, 1, 2, 3]
    shifts = []
    for tag in scene.tags:
        corners = Projection(scene.camera).mm_to_px(tag.corners_mm)
        middle = corners.mean(axis=0)
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            normal = np.array([end[1] - start[1], start[0] - end[0]]) / np.hypot(*(end - start))
            normal *= np.sign(normal @ (start - middle))
            reach = 0.5 * np.hypot(*(end - start)) / 7
            steps = np.arange(-reach, reach, 0.05) + 0.025
            for share in np.linspace(0.2, 0.8, 13):
                line = start + share * (end - start) + steps[:, None] * normal - 0.5
                profile = cv2.remap(grey, line[None].astype(np.float32), None, cv2.INTER_LINEAR)[0].astype(
                    float
                )
                dark, light = profile[:6].mean(), profile[-6:].mean()
                shifts.append(((light - profile) / (light - dark)).sum() * 0.05 - reach)
    assert abs(np.mean(shifts)) < 0.03
    assert np.abs(np.reshape(shifts, (16, 13)).mean(axis=1)).max() < 0.1


@pytest.mark.parametrize("seed", range(3))
def test_projection_and_its_inverse_agree(seed):
    camera = random_scene(np.random.default_rng(seed), megapixels=1, scale="tags").camera
    projection = Projection(camera)
    rng = np.random.default_rng(seed)
    points = rng.uniform([0, 0], [camera.width_px, camera.height_px], (50, 2))
    assert np.abs(projection.mm_to_px(projection.px_to_mm(points)) - points).max() < 1e-5


def test_a_camera_tilted_past_the_horizon_is_refused():
    with pytest.raises(ValueError, match="above the horizon"):
        Projection(Camera(4000, 3000, 0.2, (0.0, 0.0), tilt_deg=80, focal_px=2000)).px_to_mm(
            [[0, 0], [2000, 3000], [2000, 0]]
        )


@pytest.mark.parametrize("diameter_px", [0.4, 1.0, 3.0, 9.0])
def test_a_grain_covers_its_own_area_wherever_it_lies(diameter_px):
    """Summed over pixels, the cover of an outline is the area of its polygon (shoelace formula) to 1 %."""
    rng = np.random.default_rng(3)
    scene = plain_scene()
    canvas = Canvas(np.ones((240, 240, 3), np.float32), Projection(scene.camera), scene.blur)
    size = diameter_px * scene.camera.mm_per_px
    for seed in range(4):
        x, y = 1024 + rng.uniform(-1, 1), 2024 + rng.uniform(-1, 1)
        grain = Defect("stone", x, y, size, size * 0.8, 30.0, "angular", 1.0, seed)
        grid = canvas.patch((x, y), size, size / 40)
        cover = grid.settle(cover_of(outline(grain), grid.x_mm, grid.y_mm, grid.fine_mm))
        px, py = outline(grain).T / scene.camera.mm_per_px
        area_px = abs(np.dot(px, np.roll(py, -1)) - np.dot(py, np.roll(px, -1))) / 2
        assert cover.sum() == pytest.approx(area_px, rel=0.01)


def test_a_tiny_spot_keeps_its_sub_pixel_place():
    """The centroid of what a seed of half a pixel changes lies at its true place, pixel-corner convention.

    The core's own centroid by OpenCV's moments.
    """
    rng = np.random.default_rng(4)
    scene = plain_scene(lighting="dark_field")
    ground = light_of(scene)
    rows, columns = np.mgrid[:240, :240] + 0.5
    for _ in range(6):
        x, y = 1024 + rng.uniform(-1, 1), 2024 + rng.uniform(-1, 1)
        spot = Defect("stone", x, y, 0.1, 0.1, 0.0, "rounded", 3.0, int(rng.integers(1000)))
        shot = render(replace(scene, defects=(spot,)), np.random.default_rng(0))
        change = np.clip(shot.image[..., 1] / 255 - ground, 0.004, None) - 0.004
        place = [(change * columns).sum() / change.sum(), (change * rows).sum() / change.sum()]
        truth = shot.truth["defects"][0]
        assert place == pytest.approx([truth["x_px"], truth["y_px"]], abs=0.08)
        about = cv2.moments((outline(spot) * 1e4).astype(np.float32)[:, None])
        x, y = x + about["m10"] / about["m00"] / 1e4, y + about["m01"] / about["m00"] / 1e4
        assert [(x - 1000) / 0.2, (y - 2000) / 0.2] == pytest.approx([truth["x_px"], truth["y_px"]], abs=1e-3)


def test_the_place_of_an_angular_stone_is_the_centroid_of_its_core():
    """Centroid of the thresholded core by scikit-image's region measures."""
    scene = plain_scene(lighting="dark_field")
    ground = light_of(scene)
    for seed in range(4):
        spot = Defect("stone", 1024.03, 2023.91, 4.4, 3.6, 20.0, "angular", 1.0, seed)
        shot = render(replace(scene, defects=(spot,)), np.random.default_rng(0))
        core = shot.image[..., 1] / 255 - ground > 0.06
        region = max(regionprops(label(core)), key=lambda r: r.area)
        truth = shot.truth["defects"][0]
        row, column = (v + 0.5 for v in region.centroid)
        assert [column, row] == pytest.approx([truth["x_px"], truth["y_px"]], abs=0.12)


@pytest.mark.parametrize("mm_per_px", [0.075, 0.2, 0.8])
@pytest.mark.parametrize("angle_deg", [0, 27, 90])
def test_light_taken_by_a_scratch_is_width_times_length_times_depth(mm_per_px, angle_deg):
    """A groove of 0.05 mm takes the same light per mm on any pixel grid and at any angle."""
    scene = plain_scene(mm_per_px=mm_per_px)
    ground = light_of(scene)
    middle = np.array(scene.camera.centre_mm)
    direction = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    length = 120 * mm_per_px
    path = middle + np.linspace(-0.5, 0.5, 60)[:, None] * length * direction
    width = 0.05 if mm_per_px < 0.5 else 0.3
    groove = Defect(
        "scratch",
        *middle,
        length,
        width,
        0.0,
        "groove",
        1.0,
        8,
        path_mm=tuple((float(a), float(b)) for a, b in path),
    )
    change = ground - light_of(replace(scene, defects=(groove,)))
    weight = weight_along(groove, np.linspace(0, length, 2000), length).mean()
    assert change.sum() / ground.mean() * mm_per_px**2 == pytest.approx(width * length * weight, rel=0.06)


def test_a_traced_bubble_is_dark_at_the_rim_and_bright_in_the_middle():
    scene = plain_scene(mm_per_px=0.05)
    x, y = scene.camera.centre_mm
    bubble = Defect("bubble", x, y, 4.0, 4.0, 90.0, "ray", 1.0, 11)
    shot = light_of(replace(scene, defects=(bubble,)))
    ground = light_of(scene).mean()
    r = np.hypot(*(np.mgrid[:240, :240] + 0.5 - 120)) * 0.05 / 2.0
    assert shot[r < 0.2].mean() / ground > 0.8
    # total reflection in glass of index 1.52 starts at 41.1 degrees (sine 1 / 1.52), 0.658 of the radius
    # of a sphere, further out for a flattened cavity
    ring = [shot[(r > a) & (r < a + 0.04)].mean() for a in np.arange(0.5, 0.96, 0.02)]
    assert min(ring) / ground < 0.35
    assert shot[r > 1.1] == pytest.approx(ground, abs=0.01)


def test_visible_follows_the_noise():
    scene = plain_scene()
    x, y = scene.camera.centre_mm
    spot = Defect("stone", x, y, 0.3, 0.3, 0.0, "rounded", 0.6, 2)
    clean = render(replace(scene, defects=(spot,)), np.random.default_rng(0)).truth["defects"][0]
    loud = replace(QUIET, full_well=300.0, read_noise=20.0)
    noisy = render(replace(scene, defects=(spot,), sensor=loud), np.random.default_rng(0)).truth["defects"][0]
    assert clean["visible"]
    assert not noisy["visible"]
    assert noisy["snr"] < clean["snr"] / 3


def test_a_defect_outside_the_field_is_not_called_visible():
    scene = plain_scene()
    x, y = scene.camera.centre_mm
    small_field = (scene.field_mm[0], scene.field_mm[1], x - 3, y - 3)
    spot = Defect("stone", x, y, 0.6, 0.6, 0.0, "rounded", 1.0, 2)
    truth = render(replace(scene, defects=(spot,), field_mm=small_field), np.random.default_rng(0)).truth
    assert [d["visible"] for d in truth["defects"]] == [False]


def test_random_scenes_span_the_ranges_and_carry_whole_truth():
    kinds, what, tilts = set(), set(), []
    for seed in range(14):
        scene = random_scene(np.random.default_rng(seed), megapixels=0.3)
        shot = render(scene, np.random.default_rng(seed))
        tilts.append(scene.camera.tilt_deg)
        assert shot.image.dtype == np.uint8
        assert shot.image.shape == (scene.camera.height_px, scene.camera.width_px, 3)
        assert ("tags" in shot.setup) != ("mm_per_px" in shot.setup)
        kinds |= {d["kind"] for d in shot.truth["defects"]}
        what |= {d["what"] for d in shot.truth["not_glass"]}
        for d in shot.truth["defects"]:
            assert 0 < d["width_mm"] <= d["length_mm"] * 1.0001
            assert 0 <= d["angle_deg"] < 180
            assert (d["path_mm"] is not None) == (d["kind"] == "scratch")
    assert kinds == {"bubble", "stone", "scratch"}
    assert {"dust", "lint", "marker", "drip"} <= what
    assert max(tilts) > 6


def test_a_scene_without_dirt_and_defects_is_empty():
    scene = random_scene(np.random.default_rng(3), megapixels=0.3, defects=(0, 0, 0), clutter=0)
    truth = render(scene, np.random.default_rng(0)).truth
    assert truth["defects"] == []
    assert {entry["what"] for entry in truth["not_glass"]} <= {"cut edge"}


@pytest.mark.parametrize("letter", WRITING)
def test_every_character_that_scenes_write_can_be_written(letter):
    strokes = np.concatenate(written(letter, 20.0, np.random.default_rng(1)))
    assert np.ptp(strokes, axis=0).max() < 30
    assert np.abs(strokes.mean(axis=0)).max() < 1e-6
