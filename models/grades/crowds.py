"""The largest group of faults of which every two lie close together (not: within one circle).

Of points in the plane this can be found exactly: take the two members that lie farthest apart, at distance
r. All others lie within r of both; the line through the two parts them into two sides, and two points of one
side are never more than r apart. So only pairs across the line can be too far apart, and leaving out as few
points as possible is a matching in a two-sided graph (B. N. Clark, C. J. Colbourn, D. S. Johnson, "Unit disk
graphs", Discrete Mathematics 86, 1990).
"""

from __future__ import annotations

from decimal import Decimal

from models.grades.case import Sized
from models.grades.neighbours import close_pairs


def largest_crowd(faults: list[Sized], within: Decimal, *, exactly_in: bool) -> list[int]:
    """Places of the largest group with every two less than `within` mm apart (or exactly that, if
    exactly_in).
    """
    if not faults:
        return []
    near = close_pairs(faults, within, exactly_allowed=not exactly_in)
    neighbours: list[set[int]] = [set() for _ in faults]
    for i, j in near:
        neighbours[i].add(j)
        neighbours[j].add(i)
    best = [0]
    ranked = sorted(near, key=lambda pair: -len(neighbours[pair[0]] & neighbours[pair[1]]))
    for i, j in ranked:
        shared = neighbours[i] & neighbours[j]
        if len(shared) + 2 <= len(best):
            break
        group = _with_farthest(faults, i, j, shared)
        if len(group) > len(best):
            best = group
    return sorted(best)


def _with_farthest(faults: list[Sized], i: int, j: int, shared: set[int]) -> list[int]:
    """The largest group in which i and j lie farthest apart."""
    r = _square(faults[i], faults[j])
    lens = [k for k in shared if _square(faults[i], faults[k]) <= r and _square(faults[j], faults[k]) <= r]
    left = [k for k in lens if _side(faults[i], faults[j], faults[k]) >= 0]
    right = [k for k in lens if _side(faults[i], faults[j], faults[k]) < 0]
    apart = {a: [b for b in right if _square(faults[a], faults[b]) > r] for a in left}
    partner: dict[int, int] = {}
    for a in left:
        _augment(a, apart, partner, set())
    # Koenig: leave out a smallest set of points that touches every pair too far apart
    reached_left = {a for a in left if a not in set(partner.values())}
    reached_right: set[int] = set()
    waiting = list(reached_left)
    while waiting:
        for b in apart[waiting.pop()]:
            if b not in reached_right:
                reached_right.add(b)
                if b in partner and partner[b] not in reached_left:
                    reached_left.add(partner[b])
                    waiting.append(partner[b])
    return [i, j, *(a for a in left if a in reached_left), *(b for b in right if b not in reached_right)]


def _augment(a: int, apart: dict[int, list[int]], partner: dict[int, int], tried: set[int]) -> bool:
    for b in apart[a]:
        if b in tried:
            continue
        tried.add(b)
        if b not in partner or _augment(partner[b], apart, partner, tried):
            partner[b] = a
            return True
    return False


def _square(a: Sized, b: Sized) -> Decimal:
    dx, dy = a.x - b.x, a.y - b.y
    return dx * dx + dy * dy


def _side(a: Sized, b: Sized, c: Sized) -> Decimal:
    return (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
