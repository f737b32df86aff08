"""Where a line that runs out of the photos may go: straight on, at the most to the sheet's edge."""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import pairwise

from models.grades.case import Case, zone_at
from models.grades.kinds import family, tidy
from models.grades.numbers import exact
from models.grades.sheet import DefectToJudge

Point = tuple[float, float]


def goes_on_as_line(defect: DefectToJudge) -> bool:
    """Whether a defect that runs out of the photos goes on, rather than being larger than it looks."""
    return bool(defect.path_mm) or not {"linear", "crack"}.isdisjoint(family(tidy(defect.kind)))


def rays(defect: DefectToJudge, width_mm: float, length_mm: float) -> list[tuple[Point, Point]]:
    """For each open place of a defect (from, to) in sheet mm: it may go on from the one to the other.

    The direction is that of the path at the end nearest to the open place, else that from the defect's place
    to there, else towards the sheet's middle. A place on the sheet's edge, looking out, goes nowhere.
    """
    return [
        (start, _edge(start, _direction(defect, start, (width_mm / 2, length_mm / 2)), width_mm, length_mm))
        for start in defect.open_at_mm
    ]


def going_on(defect: DefectToJudge, case: Case) -> list[tuple[Decimal, Point]]:
    """For each zone further in that an open line may come to: the least mm to it, and a point there.

    Within a zone nothing changes, so the ray is looked at where it crosses a zone's limit or the sheet's
    middle lines, and half-way between.
    """
    if not case.bands:
        return []
    width, length = case.sheet.width_mm, case.sheet.length_mm
    points = [(defect.x_mm, defect.y_mm), *defect.path_mm]
    innermost = max(_zone(point, case) for point in points)
    first: dict[int, tuple[float, Point]] = {}
    for start, end in rays(defect, width, length):
        reach = math.dist(start, end)
        parts = sorted({0.0, 1.0, *_crossings(start, end, case)})
        looks = [(part, part) for part in parts]
        looks += [(a, (a + b) / 2) for a, b in pairwise(parts)]
        for least, part in sorted(looks):
            point = (start[0] + part * (end[0] - start[0]), start[1] + part * (end[1] - start[1]))
            zone = _zone(point, case)
            if zone > innermost and (zone not in first or least * reach < first[zone][0]):
                first[zone] = (least * reach, point)
    return [(exact(further), point) for further, point in first.values()]


def _zone(point: Point, case: Case) -> int:
    return zone_at(exact(point[0]), exact(point[1]), case)


def _direction(defect: DefectToJudge, start: Point, middle: Point) -> Point:
    path = list(defect.path_mm)
    if len(path) > 1 and math.dist(path[0], start) < math.dist(path[-1], start):
        path.reverse()
    for back in [*reversed(path[:-1]), (defect.x_mm, defect.y_mm)]:
        if math.dist(back, start) > 1e-6:
            return (start[0] - back[0], start[1] - back[1])
    return (middle[0] - start[0], middle[1] - start[1])


def _edge(start: Point, direction: Point, width_mm: float, length_mm: float) -> Point:
    """Where the ray leaves the sheet; the start itself where it does so at once."""
    furthest = math.inf
    for place, step, side in zip(start, direction, (width_mm, length_mm), strict=True):
        if step:
            furthest = min(furthest, ((side if step > 0 else 0.0) - place) / step)
    furthest = 0.0 if math.isinf(furthest) else max(furthest, 0.0)
    return (
        min(max(start[0] + furthest * direction[0], 0.0), width_mm),
        min(max(start[1] + furthest * direction[1], 0.0), length_mm),
    )


def _crossings(start: Point, end: Point, case: Case) -> list[float]:
    """Parts of the way, 0 to 1, at which the ray crosses the limit of a zone or a middle line."""
    found = []
    sides = ((0, case.sheet.width_mm, 1), (1, case.sheet.length_mm, 2))
    for axis, side, band in sides:
        step = end[axis] - start[axis]
        if not step:
            continue
        limits = [side / 2]
        for reaches in case.bands:
            reach = float((reaches[1], reaches[2])[band - 1])
            limits += [reach, side - reach]
        found += [(limit - start[axis]) / step for limit in limits]
    return [part for part in found if 0 < part < 1]
