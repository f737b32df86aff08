"""A size that is not known is judged in every way that it can be: checked against trying very many sizes."""

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, Grade, SheetToJudge, judge, load_sets
from models.grades.kinds import is_line

BOOK = load_sets()
GRADES = [BOOK.grade(name).confirmed("Ilse Varnhagen") for name in BOOK.ids()]
WIDTH, LENGTH, THICKNESS = 1500, 1000, 5
DIAGONAL = math.hypot(WIDTH, LENGTH)
SIDE = 0.0001

point_kinds = st.sampled_from(
    ["bubble", "long bubble", "stone", "knot", "pinhole", "residue", "coating spot"]
)
line_kinds = st.sampled_from(["scratch", "hairline scratch", "rub", "ream"])
kinds = st.one_of(point_kinds, line_kinds, st.sampled_from(["chip", "crack", "stain"]))
# close together, so that crowds and distances come into it
places = st.tuples(
    st.sampled_from([2, 30, 500, 540, 580, 640, 800]), st.sampled_from([3, 400, 420, 460, 700])
)
sizes = st.sampled_from([0.2, 0.3, 0.45, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 5.0, 14.0, 30.0, 75.0])
widths = st.none() | st.sampled_from([0.05, 0.1, 0.4])
distances = st.sampled_from([500.0, 1500.0, 2500.0])

measured = st.builds(
    lambda kind, place, size, width, seen: DefectToJudge(
        kind, *place, size, width, detection_distance_mm=seen, depth_mm=0.5
    ),
    kinds, places, sizes, widths, distances,
)  # fmt: skip
too_small = st.builds(
    lambda kind, place, most, width, halo, seen: DefectToJudge(
        kind, *place, None, width, halo, detection_distance_mm=seen, depth_mm=0.5, length_at_most_mm=most
    ),
    kinds, places, st.sampled_from([0.1, 0.35, 0.5, 0.62, 0.95, 1.6, 2.3]), widths,
    st.none() | st.sampled_from([0.4, 3.5]), distances,
)  # fmt: skip
running_out = st.builds(
    lambda kind, place, size, seen: DefectToJudge(
        kind, *place, size, 0.05, detection_distance_mm=seen, depth_mm=0.5,
        path_mm=(place, (place[0] - 1, place[1])), open_at_mm=(place,),
    ),
    line_kinds, places, sizes, distances,
)  # fmt: skip
unknown = st.one_of(too_small, running_out)


def numbers_in(thing: object) -> Iterator[float]:
    """Every number that stands anywhere in a grade's rules."""
    if isinstance(thing, Decimal):
        yield float(thing)
    elif isinstance(thing, tuple | frozenset):
        for one in thing:
            yield from numbers_in(one)
    elif is_dataclass(thing):
        for part in fields(thing):
            yield from numbers_in(getattr(thing, part.name))


def lengths(grade: Grade, sheet: SheetToJudge, fault: DefectToJudge) -> list[float]:
    """Very many lengths: every number of the grade, brought back through sizing, and close by; and both ends.

    Of lines that sum up, what is left of each number beside the known lengths.
    """
    known = [d.length_mm for d in sheet.defects if d.length_mm is not None and is_line(d.kind)]
    sums = {sum(known), sum(known) - (fault.length_mm or 0), 0.0, *known}
    marks = {n for n in numbers_in(grade.rules)} | {n * THICKNESS for n in numbers_in(grade.rules)}
    marks |= {n - s for n in marks for s in sums}
    for mark in list(marks):
        marks |= {mark / 3, 2 * mark - (fault.width_mm or 0)}
    marks |= {m for m in (fault.width_mm, fault.halo_mm) if m is not None}
    if fault.length_mm is None:
        least, most = SIDE, (fault.length_at_most_mm or 0.0) - SIDE
    else:
        least, most = fault.length_mm, fault.length_mm + DIAGONAL
    near = {mark + step for mark in marks for step in (-SIDE, 0, SIDE)}
    return sorted({round(n, 6) for n in near if least < n < most} | {least, most})


def grown(sheet: SheetToJudge, fault: DefectToJudge, length: float) -> DefectToJudge:
    """The fault with this length; one that runs out goes straight on, here to the right, to the sheet's edge."""
    if fault.length_mm is None:
        return replace(fault, length_mm=length, length_at_most_mm=None)
    x, y = fault.open_at_mm[0]
    end = min(x + length - fault.length_mm, sheet.width_mm)
    steps = [(x + (end - x) * i / 40, y) for i in range(41)]
    return replace(fault, length_mm=length, path_mm=(*fault.path_mm, *steps), open_at_mm=())


def by_trying(grade: Grade, sheet: SheetToJudge) -> str:
    """The outcome common to all worlds tried, the least and the most first; not judged where they differ."""
    unsure = [i for i, d in enumerate(sheet.defects) if d.length_mm is None or d.open_at_mm]
    grids = [lengths(grade, sheet, sheet.defects[i]) for i in unsure]
    ends = [tuple(grid[0] for grid in grids), tuple(grid[-1] for grid in grids)]
    outcomes = set()
    for world in [*ends, *product(*grids)]:
        defects = list(sheet.defects)
        for i, length in zip(unsure, world, strict=True):
            defects[i] = grown(sheet, defects[i], length)
        outcomes.add(judge(replace(sheet, defects=tuple(defects)), grade).outcome)
        if len(outcomes) > 1:
            return "not_judged"
    return outcomes.pop()


def sheet_of(grade: Grade, defects: list[DefectToJudge], yes: bool | None = None) -> SheetToJudge:
    answers = {} if yes is None else {rule.origin.name: yes for rule in grade.rules}
    return SheetToJudge(WIDTH, LENGTH, THICKNESS, grade.uses[0], tuple(defects), answers=answers)


grades = st.sampled_from(GRADES)
answers = st.sampled_from([None, True, False])


@settings(max_examples=400, deadline=None, derandomize=True)
@given(grades, unknown, st.lists(measured, max_size=6), answers)
def test_one_unknown_size_is_judged_as_all_sizes_are(
    grade: Grade, fault: DefectToJudge, known: list[DefectToJudge], yes: bool | None
) -> None:
    sheet = sheet_of(grade, [*known, fault], yes)
    assert judge(sheet, grade).outcome == by_trying(grade, sheet)
