"""Closed outlines of grains as radii over the direction, after several families."""

from __future__ import annotations

import numpy as np

from vision.geometry.shapes import calipers, centroid
from vision.synthetic.parametric.canvas import Array

POINTS = 180
TURNS = np.linspace(0, 2 * np.pi, POINTS, endpoint=False)


def radii(rng: np.random.Generator, family: str, rough: float) -> Array:
    """Radius (POINTS,) over TURNS, mean about 1. family : "disc", "harmonics", "polygon", "star", "shard"."""
    if family == "disc":
        return np.ones(POINTS)
    if family == "harmonics":
        r = np.ones(POINTS)
        for order in range(2, int(rng.integers(4, 11))):
            r = r + rough * rng.normal() / order**0.8 * np.cos(order * TURNS + rng.uniform(0, 6.3))
        return np.clip(r, 0.35, 2)
    if family == "star":
        spikes = int(rng.integers(4, 9))
        wave = (1 - np.abs(np.sin(spikes / 2 * (TURNS + rng.uniform(0, 6.3))))) ** rng.uniform(0.6, 1.6)
        uneven = np.interp(
            TURNS,
            np.linspace(0, 2 * np.pi, spikes + 1),
            np.tile(rng.uniform(0.6, 1.2, spikes), 2)[: spikes + 1],
        )
        return np.asarray(0.75 + (0.25 + 2 * rough) * wave * uneven)
    corners = int(rng.integers(3, 6)) if family == "shard" else int(rng.integers(5, 10))
    turns = (np.arange(corners) + rng.uniform(-0.32, 0.32, corners)) * 2 * np.pi / corners
    long = rng.uniform(max(0.4, 1 - 2.5 * rough), 1.1, corners)
    xy = np.column_stack((long * np.cos(turns), long * np.sin(turns)))
    t = np.linspace(0, 1, 24, endpoint=False)[:, None]
    rim = np.concatenate([xy[i] * (1 - t) + xy[(i + 1) % corners] * t for i in range(corners)])
    angle = np.arctan2(rim[:, 1], rim[:, 0]) % (2 * np.pi)
    by_angle = np.argsort(angle)
    return np.interp(
        TURNS + rng.uniform(0, 6.3),
        angle[by_angle],
        np.hypot(rim[:, 0], rim[:, 1])[by_angle],
        period=2 * np.pi,
    )


class Grain:
    """An outline scaled to a length, its centroid at the origin: caliper sizes, and its edge seen from any
    point."""

    def __init__(
        self, rng: np.random.Generator, family: str, rough: float, aspect: float, length: float
    ) -> None:
        self.radius = radii(rng, family, rough)
        self.flat = 1 / aspect
        self.turn = float(rng.uniform(0, np.pi))
        c, s = np.cos(self.turn), np.sin(self.turn)
        px, py = self.radius * np.cos(TURNS), self.flat * self.radius * np.sin(TURNS)
        xy = np.column_stack((px * c - py * s, px * s + py * c))
        far, across, angle = calipers(xy)
        self.scale = length / far
        self.length, self.width, self.angle_deg = length, across * self.scale, angle
        x, y = centroid(xy[None, :, 0], xy[None, :, 1])
        self.middle = np.array([x[0], y[0]]) * self.scale

    @property
    def size(self) -> tuple[float, float, float]:
        return self.length, self.width, self.angle_deg

    def seen_from(self, dx: Array, dy: Array) -> tuple[Array, Array]:
        """rho : distance over that of the edge in the same direction; gap : about the distance to the edge,
        px (< 0 inside)"""
        c, s = np.float32(np.cos(self.turn)), np.float32(np.sin(self.turn))
        dx, dy = dx + np.float32(self.middle[0]), dy + np.float32(self.middle[1])
        u, v = (dx * c + dy * s) / self.scale, (dy * c - dx * s) / (self.scale * self.flat)
        r = np.hypot(u, v)
        edge = np.interp(np.arctan2(v, u), TURNS, self.radius, period=2 * np.pi).astype(np.float32)
        return r / edge, (r - edge) * np.float32(self.scale * (0.5 + 0.5 * self.flat))
