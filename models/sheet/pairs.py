"""Whether two finds of different photos are the same thing in the glass: surely, perhaps, or not.

Two photos show one defect at places that differ by the errors of both. Up to `SURE` standard deviations of
that difference they are one; beyond `PERHAPS` they are two; between the two nobody can tell from the places,
nor where the places are so unsure that two marks of one handling, some millimetres apart, would look the
same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from models.sheet.paths import Floats, arc_mm, dense, end_direction, nearest_on, tangents
from models.sheet.seen import SeenFind, SeenPhoto

#: standard deviations: 99 % of true pairs lie within 2.5 (normal, one direction), practically all within 4
SURE, PERHAPS = 2.5, 4.0
#: mm; further apart than this two marks of one handling can lie side by side (common practice, no source)
SURE_MM = 2.0
#: share of a spot's length by which its middle may differ between two lights: a stone's halo, a bubble's
#: glint
MIDDLE_SHARE = 0.15
#: share of what both photos show of a line that must run side by side
BESIDE_SHARE = 0.5
#: cosine of the largest angle between pieces of one line where they meet (25 degrees; set by hand)
SAME_COURSE = 0.906
#: pieces shorter than so many standard deviations have no course to speak of
SHORT = 8.0


@dataclass(frozen=True, slots=True)
class Link:
    """Two finds that are one, or may be. gap_mm : how far apart they lie.  sure : whether they surely are
    one.
    """

    gap_mm: float
    sure: bool


def place_sd_mm(a: SeenPhoto, b: SeenPhoto) -> float:
    """Standard deviation of the difference of two places, one from each photo, along one axis."""
    return math.hypot(a.place_sd_mm, b.place_sd_mm)


def link_of(a: SeenFind, b: SeenFind, photo_a: SeenPhoto, photo_b: SeenPhoto) -> Link | None:
    """What two finds of different photos (or runs) are to each other; None: two things."""
    if a.is_line != b.is_line:
        return None
    sd = place_sd_mm(photo_a, photo_b)
    if a.is_line:
        return _lines(a, b, photo_a, photo_b, sd)
    longest = max(a.length_mm or 0.0, b.length_mm or 0.0)
    shortest = min(a.length_mm or 0.0, b.length_mm or 0.0)
    gap = math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm)
    return _told(gap, math.hypot(sd, MIDDLE_SHARE * longest), 0.5 * shortest)


def _told(gap_mm: float, sd_mm: float, more_mm: float = 0.0) -> Link | None:
    if gap_mm > PERHAPS * sd_mm:
        return None
    return Link(gap_mm, gap_mm <= min(SURE * sd_mm, SURE_MM + more_mm))


def _lines(a: SeenFind, b: SeenFind, photo_a: SeenPhoto, photo_b: SeenPhoto, sd: float) -> Link | None:
    path_a, path_b = np.asarray(a.path_mm, np.float64), np.asarray(b.path_mm, np.float64)
    reach = PERHAPS * sd
    low = np.maximum(path_a.min(axis=0), path_b.min(axis=0))
    high = np.minimum(path_a.max(axis=0), path_b.max(axis=0))
    if np.any(low - high > reach):
        return None
    beside = _beside(path_a, path_b, photo_a, photo_b, reach)
    if beside is not None:
        return _told(beside, sd)
    return _end_to_end(path_a, path_b, sd)


def _beside(a: Floats, b: Floats, photo_a: SeenPhoto, photo_b: SeenPhoto, reach: float) -> float | None:
    """How far apart two pieces run where both photos show them; None where they do not run side by side."""
    gaps = []
    shares = []
    for path, other, photo in ((a, b, photo_b), (b, a, photo_a)):
        points = dense(path)
        near = nearest_on(other, points)
        same_way = np.abs((tangents(points) * near.tangent).sum(axis=1)) >= SAME_COURSE
        inner = (near.arc_mm > 1e-9) & (near.arc_mm < arc_mm(other) - 1e-9)
        along = (near.distance_mm <= reach) & same_way & inner
        shown = (
            np.array([photo.shows(x, y) for x, y in points])
            if photo.covered_mm
            else np.ones(len(points), bool)
        )
        step = arc_mm(points) / (len(points) - 1)
        if along.sum() * step > reach:  # shorter stretches are told by the ends
            shares.append(float(along[shown].mean()) if shown.any() else 1.0)
            gaps.append(near.distance_mm[along])
    if len(shares) < 2 or max(shares) < BESIDE_SHARE:
        return None
    return float(np.median(np.concatenate(gaps)))


def _end_to_end(a: Floats, b: Floats, sd: float) -> Link | None:
    """Whether the one goes on where the other ends: touching, or over a gap that the places leave open."""
    short = min(arc_mm(a), arc_mm(b)) < SHORT * sd
    best: tuple[float, float, float] | None = None
    for last_a in (False, True):
        for last_b in (False, True):
            out_a, out_b = end_direction(a, last_a), end_direction(b, last_b)
            if float(out_a @ out_b) > (0.0 if short else -SAME_COURSE):
                continue
            step = (b[-1] if last_b else b[0]) - (a[-1] if last_a else a[0])
            course = out_a - out_b
            course = course / max(float(np.hypot(*course)), 1e-9)
            along = float(step @ course)
            aside = abs(float(step[0] * course[1] - step[1] * course[0]))
            # pieces may overlap at their ends by less than `_beside` can tell
            if along < -2 * PERHAPS * sd:
                continue
            worst = max(along, aside, 0.0)
            if best is None or worst < best[0]:
                best = (worst, max(along, 0.0), aside)
    if best is None:
        return None
    _, along, aside = best
    ahead, sideways = _told(along, sd), _told(aside, sd)
    if ahead is None or sideways is None:
        return None
    return Link(math.hypot(along, aside), ahead.sure and sideways.sure)


def in_a_row(paths: list[Floats], reach_mm: float) -> bool:
    """Whether pieces of one photo follow each other along a line, none beside another."""
    for k, path in enumerate(paths):
        for other in paths[k + 1 :]:
            short, long = sorted((path, other), key=arc_mm)
            points = dense(short)
            near = nearest_on(long, points)
            inner = (near.arc_mm > 1e-9) & (near.arc_mm < arc_mm(long) - 1e-9)
            if float(inner.mean()) > _OVERLAP and float(near.distance_mm.min()) < 100 * reach_mm:
                return False
    return True


#: pieces of one photo that overlap by more than this share lie beside each other
_OVERLAP = 0.2
