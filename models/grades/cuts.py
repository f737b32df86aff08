"""Arithmetic of cuts: areas of pieces in microns, the nearest edges that free a piece of a fault."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from models.grades.constraints import Limit
from models.grades.piece import Rect

Near = Callable[[int], float]
"""How far a fault lies from the middle of a piece."""


@dataclass(slots=True)
class Broken:
    """Faults of which at least one must go, as the nearest cut on each side that lets one of them go."""

    cuts: tuple[int, int, int, int]
    worst: int


def nearest(edges: list[Rect]) -> Rect:
    """Of each side the cut that takes least."""
    return (
        min(edge[0] for edge in edges),
        min(edge[1] for edge in edges),
        max(edge[2] for edge in edges),
        max(edge[3] for edge in edges),
    )


def better(best: Broken | None, other: Broken) -> Broken:
    return other if best is None or other.worst < best.worst else best


def amount(limit: Limit, faults: Iterable[int]) -> Decimal:
    if limit.weights is None:
        return Decimal(sum(1 for _ in faults))
    return sum((limit.weights[i] for i in faults), Decimal(0))


def too_many(limit: Limit, faults: list[int], cap: Decimal | None, near: Near) -> list[int]:
    """The members nearest the middle that are together more than the cap; empty where the cap is kept."""
    if cap is None or amount(limit, faults) <= cap:
        return []
    if limit.weights is None:
        if cap < 1:
            return [min(faults, key=near)]
        return sorted(faults, key=near)[: int(cap) + 1]
    chosen, total = [], Decimal(0)
    for fault in sorted(faults, key=near):
        chosen.append(fault)
        total += limit.weights[fault]
        if total > cap:
            break
    return chosen


def area(rect: Rect) -> int:
    """Area in square microns; negative sides make it negative."""
    width, length = rect[2] - rect[0], rect[3] - rect[1]
    return -1 if width <= 0 or length <= 0 else width * length


def above(edge: Decimal, end_in: bool) -> int:
    """The least whole micron from which an edge brings the fault outward."""
    if end_in:
        return int(edge.to_integral_value(rounding=ROUND_CEILING))
    return int(edge.to_integral_value(rounding=ROUND_FLOOR)) + 1


def below(edge: Decimal, end_in: bool) -> int:
    if end_in:
        return int(edge.to_integral_value(rounding=ROUND_FLOOR))
    return int(edge.to_integral_value(rounding=ROUND_CEILING)) - 1
