"""What a line looks like, in numbers: course, evenness, profile across, other lines near by."""

from __future__ import annotations

import cv2
import numpy as np

from vision.detection.line_fits import ACROSS_HALF_PX, ACROSS_STEP_PX, Line
from vision.geometry.shapes import densify
from vision.one_thread import product
from vision.results import DARK_FIELD, BackgroundSubtracted

LARGE_MM = 3.0
OFFSETS = np.arange(-ACROSS_HALF_PX, ACROSS_HALF_PX + ACROSS_STEP_PX / 2, ACROSS_STEP_PX)


def line_features(
    subtracted: BackgroundSubtracted,
    lines: list[Line],
    lighting: str,
    blur_px: float,
    mm_per_px: float | None,
) -> tuple[np.ndarray, list[str]]:
    """Feature table (N, F) and its column names."""
    rows = [_one(subtracted, line, lighting, blur_px, mm_per_px) for line in lines]
    if not rows:
        return np.zeros((0, 0), np.float32), []
    _neighbours(rows, lines, mm_per_px)
    names = list(rows[0])
    table = np.array([[row[name] for name in names] for row in rows], np.float32)
    return np.nan_to_num(table, nan=0.0, posinf=50, neginf=-50), names


def width_of(line: Line) -> float:
    """Width of the profile across at half height, px (blur still in it)."""
    profile = line.across - np.median(line.across[np.abs(OFFSETS) > 4.4])
    near = np.abs(OFFSETS) <= 2
    top = float(profile[near].max())
    if top <= 0:
        return 1.0
    middle = int(np.flatnonzero(near)[profile[near].argmax()])
    left = _crossing(profile[middle::-1], top / 2)
    right = _crossing(profile[middle:], top / 2)
    return float((left + right) * ACROSS_STEP_PX)


def _crossing(flank: np.ndarray, level: float) -> float:
    below = np.flatnonzero(flank < level)
    if not below.size:
        return float(len(flank))
    i = int(below[0])
    return i - 1 + float((flank[i - 1] - level) / max(flank[i - 1] - flank[i], 1e-6)) if i else 0.0


def _one(
    subtracted: BackgroundSubtracted, line: Line, lighting: str, blur_px: float, mm_per_px: float | None
) -> dict[str, float]:
    path, along = line.path_px, line.along
    n = len(along)
    row: dict[str, float] = {}
    chord = path[-1] - path[0]
    reach = float(np.hypot(*chord))
    row["log_length"] = float(np.log(line.length_px))
    row["large_mm"] = float(np.log(max(line.length_px * mm_per_px, LARGE_MM))) if mm_per_px else 0.0
    row["pitch_mm"] = float(np.log(mm_per_px)) if mm_per_px else -1.3
    row["log_height"] = float(np.log(max(line.height, 0.3)))
    row["log_seed"] = float(np.log(max(line.seed, 1)))
    row["straight"] = reach / line.length_px
    coarse = densify(path, 6.0)
    if len(coarse) > 5:
        coarse = cv2.blur(coarse, (1, 3), borderType=cv2.BORDER_REPLICATE)
    turn = np.diff(np.unwrap(np.arctan2(*np.diff(coarse, axis=0).T[::-1])))
    row["turning"] = float(np.abs(turn).sum())
    row["turning_px"] = float(np.log1p(100 * np.abs(turn).mean())) if turn.size else 0.0
    row["net_turn"] = float(abs(turn.sum()))
    row["sharpest"] = float(np.abs(turn).max()) if turn.size else 0.0
    row["wiggle"] = float(np.mean(turn[1:] * turn[:-1] < 0)) if turn.size > 2 else 0.0
    away = _off_chord(path)
    row["bow"] = float(np.abs(away).max() / max(reach, 1))
    angle = np.arctan2(chord[1], chord[0])
    row["along_x"], row["along_y"] = float(abs(np.cos(angle))), float(abs(np.sin(angle)))
    body = float(np.median(along))
    row["log_mean"] = float(np.log(max(float(along.mean()), 0.05)))
    for window in (5, 21):
        soft = cv2.blur(along[:, None].astype(np.float32), (1, min(window, n | 1)))[:, 0]
        row[f"uneven_{window}"] = float(soft.std() / max(soft.mean(), 0.1))
        row[f"low_{window}"] = float(np.quantile(soft, 0.1) / max(body, 0.1))
        row[f"high_{window}"] = float(np.quantile(soft, 0.95) / max(body, 0.1))
    parts = np.array([part.mean() for part in np.array_split(along, 8)])
    row["weakest_part"], row["strongest_part"] = (
        float(parts.min() / max(body, 0.1)),
        float(parts.max() / max(body, 0.1)),
    )
    k = max(3, n // 8)
    row["taper"] = float(min(along[:k].mean(), along[-k:].mean()) / max(body, 0.1))
    profile = line.across - np.median(line.across[np.abs(OFFSETS) > 4.4])
    top = max(float(profile[np.abs(OFFSETS) <= 1.5].max()), 0.05)
    left, right = profile[(OFFSETS < -2.5)], profile[(OFFSETS > 2.5)]
    row["step"] = float(abs(left.mean() - right.mean()) / top)
    row["beside"] = float(max(left.mean(), right.mean()) / top)
    row["trough"] = float(profile.min() / top)
    row["width_blur"] = float(np.log(width_of(line) / (2.355 * np.hypot(blur_px, 0.4))))
    row["twin"] = float(max(profile[(np.abs(OFFSETS) > 2.5)].max(), 0) / top)
    row["sign"] = line.sign
    row["joined"] = float(line.joined)
    x, y = path[n // 2]
    level = subtracted.background_at(float(x), float(y))
    full = 255.0 if lighting == DARK_FIELD else max(level, 1.0)
    row["contrast"] = line.sign * top * subtracted.noise_at(float(x), float(y)) / full
    row["border"] = float(np.log1p(_to_border(subtracted, path)))
    row["size_x"] = float(np.log(np.ptp(path[:, 0]) + 1))
    row["size_y"] = float(np.log(np.ptp(path[:, 1]) + 1))
    return row


def _off_chord(path: np.ndarray) -> np.ndarray:
    chord = path[-1] - path[0]
    chord = chord / max(float(np.hypot(*chord)), 1e-6)
    rel = path - path[0]
    return np.asarray(chord[0] * rel[:, 1] - chord[1] * rel[:, 0])


def _to_border(subtracted: BackgroundSubtracted, path: np.ndarray) -> float:
    """Distance of the path (its middle half) to the end of the glass or the photo, at most 40 px."""
    h, w = subtracted.mask.shape
    some = path[len(path) // 4 : max(len(path) // 4 + 1, 3 * len(path) // 4) : max(1, len(path) // 24)]
    reach = np.array([2.0, 5, 9, 14, 20, 28, 36])
    best = 40.0
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        x, y = (some[:, :1] + dx * reach).astype(int), (some[:, 1:] + dy * reach).astype(int)
        out = (x < 0) | (y < 0) | (x >= w) | (y >= h)
        out |= subtracted.mask[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)] == 0
        hit = np.where(out.any(1), reach[out.argmax(1)], 40.0)
        best = min(best, float(np.median(hit)))
    return best


def _neighbours(rows: list[dict[str, float]], lines: list[Line], mm_per_px: float | None) -> None:
    """Other lines near by: strokes and ridges come in numbers."""
    middles = np.array([line.path_px[len(line.path_px) // 2] for line in lines])
    starts = np.array([line.path_px[0] for line in lines])
    ends = np.array([line.path_px[-1] for line in lines])
    lengths = np.array([line.length_px for line in lines])
    course = ends - starts
    course = course / np.maximum(np.hypot(course[:, 0], course[:, 1]), 1e-6)[:, None]
    gap = np.hypot(middles[:, None, 0] - middles[None, :, 0], middles[:, None, 1] - middles[None, :, 1])
    np.fill_diagonal(gap, 1e6)
    alike = np.abs(product(course, course.T)) > 0.96
    tips = np.concatenate((starts, ends))
    touch = np.zeros(len(lines))
    for i, line in enumerate(lines):
        far = np.hypot(
            tips[:, None, 0] - line.path_px[None, ::12, 0], tips[:, None, 1] - line.path_px[None, ::12, 1]
        ).min(1)
        other = np.r_[np.arange(len(lines)) != i, np.arange(len(lines)) != i]
        touch[i] = np.sum((far < 8) & other)
    for i, row in enumerate(rows):
        row["near_lines"] = float(np.log1p(np.sum(gap[i] < lengths[i] + 20)))
        row["near_60"] = float(np.log1p(np.sum(gap[i] < 60)))
        row["parallel"] = float(np.log1p(np.sum((gap[i] < 0.7 * lengths[i] + 20) & alike[i])))
        row["touching"] = float(np.log1p(touch[i]))
        row["all_lines"] = float(np.log1p(len(lines)))
