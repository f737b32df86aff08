"""Plane geometry against elementary shapes, against an independent library, and fast ways against plain
ones."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist

from vision.geometry.shapes import (
    arc_places,
    at_arc,
    calipers,
    centroid,
    densify,
    distance_to_path,
    path_length,
    ray_calipers,
)


def blob(seed: int) -> np.ndarray:
    """A wavy closed outline, star-shaped about the origin, shape (90, 2)."""
    rng = np.random.default_rng(seed)
    turns = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    radius = 10 + sum(rng.normal(0, 1.2) * np.cos(k * turns + rng.uniform(0, 6)) for k in (2, 3, 4))
    return np.column_stack((1.5 * radius * np.cos(turns), radius * np.sin(turns)))


@pytest.mark.parametrize("seed", range(8))
def test_the_longest_caliper_is_the_largest_distance_of_two_points(seed: int) -> None:
    points = blob(seed)
    length, across, angle = calipers(points)
    assert length == pytest.approx(pdist(points).max(), rel=1e-5)
    turn = np.radians(angle)
    assert np.ptp(points @ [np.cos(turn), np.sin(turn)]) == pytest.approx(length, rel=1e-5)
    assert np.ptp(points @ [-np.sin(turn), np.cos(turn)]) == pytest.approx(across, rel=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_calipers_of_many_outlines_at_once_are_those_of_each(seed: int) -> None:
    """Directions 5 degrees apart miss the longest by 1 - cos(2.5 degrees) at most."""
    points = blob(seed)
    length, across, _, _, _ = ray_calipers(points[None, :, 0], points[None, :, 1])
    exact = calipers(points)
    assert exact[0] * np.cos(np.radians(2.5)) <= length[0] <= exact[0] * (1 + 1e-6)
    assert across[0] == pytest.approx(exact[1], rel=0.05)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("way", [1, -1])
def test_centroid_is_that_of_an_independent_library(seed: int, way: int) -> None:
    points = blob(seed)[::way] + np.array([3.0, -7.0])
    x, y = centroid(points[None, :, 0], points[None, :, 1])
    there = shapely.Polygon(points).centroid
    assert (x[0], y[0]) == pytest.approx((there.x, there.y), abs=1e-9)


def test_outlines_without_area_have_their_centroid_at_the_origin() -> None:
    x, y = centroid(np.zeros((2, 5)), np.zeros((2, 5)))
    assert (x.tolist(), y.tolist()) == ([0.0, 0.0], [0.0, 0.0])


def test_a_path_is_walked_in_equal_steps_of_arc_length() -> None:
    corner = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 40.0]])
    assert path_length(corner) == 70.0
    assert arc_places(corner).tolist() == [0.0, 30.0, 70.0]
    assert at_arc(corner, arc_places(corner), np.array([15.0, 50.0])).tolist() == [[15.0, 0.0], [30.0, 20.0]]
    dense = densify(corner, 2.0)
    assert dense.shape == (36, 2)
    assert np.hypot(*np.diff(dense, axis=0).T) == pytest.approx(np.full(35, 2.0), abs=1e-4)
    assert densify(corner[:1].repeat(3, axis=0), 2.0).shape == (1, 2)


@pytest.mark.parametrize("seed", range(4))
def test_distance_to_a_path_is_that_of_an_independent_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    path, points = rng.uniform(0, 50, (12, 2)), rng.uniform(-10, 60, (40, 2))
    line = shapely.LineString(path)
    there = [line.distance(shapely.Point(point)) for point in points]
    assert distance_to_path(points[:, 0], points[:, 1], path) == pytest.approx(there, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_calipers_of_an_ellipse_are_its_axes(seed: int) -> None:
    """Largest width of an ellipse = 2 a, across it 2 b (elementary geometry)."""
    rng = np.random.default_rng(seed)
    a, b, angle = 10.0, rng.uniform(4, 7), rng.uniform(0, 180)
    turns, turn = np.linspace(0, 2 * np.pi, 720, endpoint=False), np.radians(angle)
    u, v = a * np.cos(turns), b * np.sin(turns)
    px = (0.3 + u * np.cos(turn) - v * np.sin(turn))[None]
    py = (-0.2 + u * np.sin(turn) + v * np.cos(turn))[None]
    length, width, found, mx, my = ray_calipers(px, py)
    assert length[0] == pytest.approx(20, rel=0.01)
    assert width[0] == pytest.approx(2 * b, rel=0.03)
    assert min(abs(found[0] - angle), 180 - abs(found[0] - angle)) < 2.0
    assert (mx[0], my[0]) == pytest.approx((0.3, -0.2), abs=0.05)


def test_centroid_of_a_triangle_and_of_a_half_disc() -> None:
    """Triangle: mean of its corners; half disc of radius r: 4 r / (3 pi) from its straight side (elementary
    geometry, any handbook of mechanics)."""
    corner = np.array([[-2.0, -1.0], [4.0, -1.0], [1.0, 5.0]])
    side = np.linspace(0, 1, 40, endpoint=False)[:, None]
    rim = np.concatenate([corner[k] + side * (corner[(k + 1) % 3] - corner[k]) for k in range(3)])
    x, y = centroid(rim[None, :, 0], rim[None, :, 1])
    assert (x[0], y[0]) == pytest.approx((1.0, 1.0), abs=1e-6)
    t = np.linspace(0, np.pi, 400)
    x, y = centroid(7 * np.cos(t)[None], 7 * np.sin(t)[None])
    assert (x[0], y[0]) == pytest.approx((0.0, 4 * 7 / (3 * np.pi)), abs=1e-3)
