"""Shapes with known places and sizes, drawn at sub-pixel places with exact cover, blurred and noised like a
photo."""

from __future__ import annotations

import cv2
import numpy as np

from vision.results import BackgroundSubtracted


def subtracted_of(
    image: np.ndarray, noise: float, level: float = 60.0
) -> tuple[np.ndarray, BackgroundSubtracted]:
    """A photo's grey bytes and its background-subtracted signal, for an even light of `level` and noise of
    known sd."""
    grey = np.clip(image + 0.5, 0, 255).astype(np.uint8)
    h, w = grey.shape
    small = np.full((-(-h // 8), -(-w // 8)), level, np.float32)
    signal = ((grey.astype(np.float32) - level) / noise).astype(np.float32)
    mask = np.full((h, w), 255, np.uint8)
    return grey, BackgroundSubtracted(signal, mask, small, 8, np.full(256, noise, np.float32))


def blank(rng: np.random.Generator, size: tuple[int, int], noise: float, level: float = 60.0) -> np.ndarray:
    return level + noise * rng.standard_normal(size)


def ellipse_cover(
    size: tuple[int, int], x: float, y: float, a: float, b: float, angle_deg: float, over: int = 8
) -> np.ndarray:
    """Share of each pixel that an ellipse covers; pixel (0, 0) reaches from 0 to 1."""
    h, w = size
    out = np.zeros(size)
    x0, x1 = max(int(x - a) - 2, 0), min(int(x + a) + 3, w)
    y0, y1 = max(int(y - a) - 2, 0), min(int(y + a) + 3, h)
    u = (np.arange((x1 - x0) * over) + 0.5) / over + x0 - x
    v = (np.arange((y1 - y0) * over) + 0.5) / over + y0 - y
    du, dv = np.meshgrid(u, v)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    inside = (((du * c + dv * s) / a) ** 2 + ((-du * s + dv * c) / b) ** 2 <= 1).astype(float)
    out[y0:y1, x0:x1] = inside.reshape(y1 - y0, over, x1 - x0, over).mean((1, 3))
    return out


def line_light(size: tuple[int, int], path: np.ndarray, width: float) -> np.ndarray:
    """Light of a thin line of a given width (px) along a polyline with close points: energy kept at any
    width."""
    seg = np.hypot(*np.diff(path, axis=0).T)
    s = np.append(0, np.cumsum(seg))
    q = np.arange(0, s[-1], 0.2)
    x, y = np.interp(q, s, path[:, 0]) - 0.5, np.interp(q, s, path[:, 1]) - 0.5
    out = np.zeros(size)
    x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
    for ox in (0, 1):
        for oy in (0, 1):
            share = np.abs(1 - ox - (x - x0)) * np.abs(1 - oy - (y - y0))
            np.add.at(
                out, (np.clip(y0 + oy, 0, size[0] - 1), np.clip(x0 + ox, 0, size[1] - 1)), share * 0.2 * width
            )
    return out


def blurred(image: np.ndarray, sd: float) -> np.ndarray:
    return cv2.GaussianBlur(image.astype(np.float32), (0, 0), sd).astype(float)
