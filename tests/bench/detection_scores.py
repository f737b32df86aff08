"""Calls of a detector against the truth of rendered photos: recall at a rate of false calls, sizes, kinds.

A spot is found by a call within max(2 px, half its length) + 1 px of its middle, each call finding one spot.
A scratch is found by ONE call whose path runs along at least 60 % of it, within 4 px or 1 % of its length. A
call that finds nothing but lies on some defect of the truth, visible or not, or on the course of a scratch is
not counted at all; every other call is false. A detector's threshold is moved until the photos together hold
the asked number of false calls per square metre of glass inside the fields.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

BANDS = ((0.0, 2.0), (2.0, 4.0), (4.0, np.inf))
SCRATCH_SHARE = 0.6


@dataclass
class Call:
    """One thing that a detector flags: place, size and path in px, the score by which calls are ranked."""

    x_px: float
    y_px: float
    length_px: float | None
    score: float
    kind: str | None = None
    path_px: np.ndarray | None = None
    length_mm: float | None = None
    length_sd_mm: float | None = None
    x_mm: float | None = None
    y_mm: float | None = None


@dataclass
class Shot:
    """One photo's truth and one detector's calls on it; `path_px` is added to the truth of scratches."""

    defects: list[dict[str, Any]]
    calls: list[Call]
    glass_m2: float
    seconds: float = 0.0
    decode_s: float = 1.0
    megapixels: float = 1.0
    links: list[tuple[int, int]] = field(default_factory=list)
    false: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))


def link(shot: Shot) -> None:
    """Fill `links` (call, defect), best calls first, and `false` for each call."""
    order = sorted(range(len(shot.calls)), key=lambda i: -shot.calls[i].score)
    taken: set[int] = set()
    excused = np.zeros(len(shot.calls), bool)
    shot.links = []
    for i in order:
        call = shot.calls[i]
        best, best_gap = None, np.inf
        for j, defect in enumerate(shot.defects):
            if defect["kind"] == "scratch":
                if call.path_px is not None and _runs_along(call.path_px, defect) >= SCRATCH_SHARE:
                    excused[i] = True
                    if j not in taken and best is None:
                        best = j
                elif _on_course(call, defect):
                    excused[i] = True
                continue
            gap = np.hypot(call.x_px - defect["x_px"], call.y_px - defect["y_px"])
            if gap <= max(2.0, 0.5 * defect["length_px"]) + 1.0 and gap < best_gap:
                excused[i] = True
                if j not in taken:
                    best, best_gap = j, gap
            elif gap <= 0.6 * (defect["halo_mm"] or defect["length_mm"]) / defect["mm_per_px"] + 1.0:
                excused[i] = True
        if best is not None:
            taken.add(best)
            shot.links.append((i, best))
    shot.false = ~excused


def _runs_along(path: np.ndarray, defect: dict[str, Any]) -> float:
    course = defect["path_px"]
    reach = max(4.0, 0.01 * defect["length_px"])
    low, high = path.min(axis=0) - reach, path.max(axis=0) + reach
    near = np.all((course >= low) & (course <= high), axis=1)
    if not near.any():
        return 0.0
    gaps = _to_line(course[near], path)
    return float((gaps <= reach).sum() / len(course))


def _on_course(call: Call, defect: dict[str, Any]) -> bool:
    points = np.array([[call.x_px, call.y_px]]) if call.path_px is None else call.path_px
    gaps = _to_line(points, defect["path_px"])
    return bool((gaps <= 5.0).mean() > 0.5)


def _to_line(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Distance of each point to a polyline."""
    if len(line) < 2:
        return np.hypot(*(points - line[0]).T)
    start, step = line[:-1], np.diff(line, axis=0)
    length2 = np.maximum((step**2).sum(axis=1), 1e-12)
    offset = points[:, None, :] - start[None]
    t = np.clip((offset * step).sum(axis=2) / length2, 0, 1)
    return np.hypot(*np.moveaxis(offset - t[..., None] * step, 2, 0)).min(axis=1)


def threshold_at(shots: list[Shot], false_per_m2: float) -> float:
    """Lowest score that leaves at most so many false calls per square metre over all photos."""
    allowed = int(np.floor(false_per_m2 * sum(shot.glass_m2 for shot in shots)))
    scores = [np.array([call.score for call in shot.calls])[shot.false] for shot in shots if shot.calls]
    ranked = np.sort(np.concatenate([*scores, np.zeros(0)]))[::-1]
    return float(np.nextafter(ranked[allowed], np.inf)) if len(ranked) > allowed else -np.inf


def recall(shots: list[Shot], threshold: float, wanted: Any = None) -> tuple[int, int]:
    """Found and all of the visible defects that `wanted(defect)` picks."""
    found = total = 0
    for shot in shots:
        hit = {j for i, j in shot.links if shot.calls[i].score >= threshold}
        for j, defect in enumerate(shot.defects):
            if defect["visible"] and (wanted is None or wanted(defect)):
                total += 1
                found += j in hit
    return found, total


def in_band(low: float, high: float) -> Any:
    """Picks spots of a size band, px."""
    return lambda d: d["kind"] != "scratch" and low <= d["length_px"] < high


def is_scratch(defect: dict[str, Any]) -> bool:
    """Picks scratches."""
    return bool(defect["kind"] == "scratch")


def pairs(shots: list[Shot], threshold: float, wanted: Any) -> list[tuple[Call, dict[str, Any]]]:
    """Calls and the visible defects they found."""
    return [
        (shot.calls[i], shot.defects[j])
        for shot in shots
        for i, j in shot.links
        if shot.calls[i].score >= threshold and shot.defects[j]["visible"] and wanted(shot.defects[j])
    ]


def length_errors(matched: list[tuple[Call, dict[str, Any]]]) -> np.ndarray:
    """Relative errors of the length, unsigned; in mm where the detector gives them, else in px."""
    out = []
    for call, defect in matched:
        if call.length_mm is not None:
            out.append(abs(call.length_mm / defect["length_mm"] - 1))
        elif call.length_px:
            out.append(abs(call.length_px / defect["length_px"] - 1))
    return np.array(out)
