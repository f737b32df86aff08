"""A size that is not known is judged in every way that it can be: checked against trying very many sizes."""

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, Grade, Reading, SheetToJudge, judge, load_sets
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
    marks = set(numbers_in(grade.rules)) | {n * THICKNESS for n in numbers_in(grade.rules)}
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
    """The fault with this length; one that runs out goes straight on to the right, to the sheet's edge."""
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


@settings(max_examples=80, deadline=None, derandomize=True)
@given(grades, unknown, st.lists(measured, max_size=6), answers)
def test_one_unknown_size_is_judged_as_all_sizes_are(
    grade: Grade, fault: DefectToJudge, known: list[DefectToJudge], yes: bool | None
) -> None:
    sheet = sheet_of(grade, [*known, fault], yes)
    assert judge(sheet, grade).outcome == by_trying(grade, sheet)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(grades, st.data(), answers)
def test_up_to_three_unknown_sizes_are_judged_as_all_their_worlds_are(
    grade: Grade, data: st.DataObject, yes: bool | None
) -> None:
    # of one kind, so that they come into one class, or share one
    kind = data.draw(point_kinds)
    several = data.draw(st.lists(too_small, min_size=2, max_size=3))
    known = data.draw(st.lists(measured, max_size=3))
    few = [
        replace(d, kind=kind, halo_mm=None, length_at_most_mm=min(d.length_at_most_mm or 1, 1))
        for d in several
    ]
    sheet = sheet_of(grade, [*[replace(d, kind=kind) for d in known], *few], yes)
    worlds = math.prod(len(lengths(grade, sheet, d)) for d in few)
    if worlds <= 1500:
        assert judge(sheet, grade).outcome == by_trying(grade, sheet)
    else:
        assert_no_world_differs(grade, sheet, data)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(grades, st.lists(unknown, min_size=4, max_size=14), st.lists(measured, max_size=4), st.data(), answers)
def test_what_is_accepted_or_rejected_with_many_unknown_sizes_is_so_in_each_world_tried(
    grade: Grade, many: list[DefectToJudge], known: list[DefectToJudge], data: st.DataObject, yes: bool | None
) -> None:
    assert_no_world_differs(grade, sheet_of(grade, [*known, *many], yes), data)


def assert_no_world_differs(grade: Grade, sheet: SheetToJudge, data: st.DataObject) -> None:
    said = judge(sheet, grade).outcome
    if said == "not_judged":
        return
    unsure = [i for i, d in enumerate(sheet.defects) if d.length_mm is None or d.open_at_mm]
    grids = [lengths(grade, sheet, sheet.defects[i]) for i in unsure]
    rng = data.draw(st.randoms(use_true_random=False))
    for _ in range(25):
        level = rng.random()
        worlds = ([rng.choice(grid) for grid in grids], [grid[int(level * len(grid))] for grid in grids])
        for world in worlds:
            defects = list(sheet.defects)
            for i, length in zip(unsure, world, strict=True):
                defects[i] = grown(sheet, defects[i], length)
            assert judge(replace(sheet, defects=tuple(defects)), grade).outcome == said


@settings(max_examples=80, deadline=None, derandomize=True)
@given(grades, st.lists(too_small, min_size=1, max_size=6), st.lists(measured, max_size=4))
def test_a_close_up_that_sizes_from_where_it_is_asked_settles_it(
    grade: Grade, small: list[DefectToJudge], known: list[DefectToJudge]
) -> None:
    sheet = sheet_of(grade, [*known, *small])
    asked = [r.says for r in judge(sheet, grade).reasons if "take a close-up that sizes from" in r.says]
    if not asked:
        return
    finest = min(float(says.split("take a close-up that sizes from ")[1].split()[0]) for says in asked)
    closer = [replace(d, length_at_most_mm=min(finest, d.length_at_most_mm or finest)) for d in small]
    again = judge(replace(sheet, defects=(*known, *closer)), grade)
    assert not [r.says for r in again.reasons if "take a close-up that sizes from" in r.says]


@settings(max_examples=100, deadline=None, derandomize=True)
@given(grades, st.lists(unknown, min_size=1, max_size=5), st.lists(measured, max_size=5))
def test_reasons_bear_out_the_verdict_and_name_defects_that_exist(
    grade: Grade, unsure: list[DefectToJudge], known: list[DefectToJudge]
) -> None:
    sheet = sheet_of(grade, [*known, *unsure])
    verdict = judge(sheet, grade)
    outcomes = {reason.outcome for reason in verdict.reasons}
    assert (verdict.outcome == "reject") == ("reject" in outcomes)
    assert (verdict.outcome == "accept") == (not outcomes & {"reject", "not_judged"})
    assert all(0 <= i < len(sheet.defects) for reason in verdict.reasons for i in reason.finds)
    mentioned = {i for reason in verdict.reasons for i in reason.finds}
    if not any(zone.ignored for zone in grade.zones) and mentioned != set(range(len(sheet.defects))):
        # a rejected table may leave others of its lines unnamed, an accepted sheet may not
        assert verdict.outcome == "reject"
    assert [measured for measured, _ in verdict.sizes] == [d.length_mm for d in sheet.defects]


border_spots = st.builds(
    lambda kind, place, size: DefectToJudge(kind, *place, size, depth_mm=0.5, open_at_mm=(place,)),
    st.one_of(point_kinds, st.just("stain")), places, sizes,
)  # fmt: skip


@settings(max_examples=40, deadline=None, derandomize=True)
@given(grades, border_spots, st.lists(measured, max_size=5), answers)
def test_a_spot_on_the_border_of_its_photo_is_judged_as_all_larger_ones_are(
    grade: Grade, spot: DefectToJudge, known: list[DefectToJudge], yes: bool | None
) -> None:
    sheet = sheet_of(grade, [*known, spot], yes)
    grid = lengths(grade, sheet, spot)
    outcomes = {
        judge(replace(sheet, defects=(*known, replace(spot, length_mm=size, open_at_mm=()))), grade).outcome
        for size in grid
    }
    assert judge(sheet, grade).outcome == (outcomes.pop() if len(outcomes) == 1 else "not_judged")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    grades, st.lists(measured, max_size=5), st.lists(st.lists(measured, max_size=5), min_size=1, max_size=3)
)
def test_readings_give_the_answer_that_all_of_them_give(
    grade: Grade, first: list[DefectToJudge], others: list[list[DefectToJudge]]
) -> None:
    sheet = sheet_of(grade, first)
    readings = tuple(Reading(tuple(other), "two scratches may be one", ()) for other in others)
    outcomes = {judge(sheet_of(grade, one), grade).outcome for one in [first, *others]}
    verdict = judge(replace(sheet, readings=readings), grade)
    if len(outcomes) == 1:
        assert verdict == judge(sheet, grade)
    else:
        assert verdict.outcome == verdict.would_say == "not_judged"
        assert any("two scratches may be one" in r.says for r in verdict.reasons)
        assert not any(r.outcome == "reject" for r in verdict.reasons)
