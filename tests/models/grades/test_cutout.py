"""The largest passing piece: checked against trying all pieces, and by judging the answer."""

from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, Grade, SheetToJudge, grades_from_text, judge, load_sets
from models.grades.case import make_case
from models.grades.constraints import constraints_of
from models.grades.cutout import CutOut, largest_piece
from models.grades.piece import MICRON, Extent, Rect, extent_of, piece_of

BOOK = load_sets()
WIDTH, LENGTH = 2000, 1500

kinds = st.sampled_from(["bubble", "stone", "scratch"])
sizes = st.sampled_from([0.2, 0.4, 0.6, 0.9, 1.0, 1.2, 1.6, 2.0, 2.5, 3.0, 3.2, 20.0, 80.0])
places = st.tuples(st.integers(0, WIDTH), st.integers(0, LENGTH))
faults = st.builds(
    lambda kind, place, size: DefectToJudge(
        kind, place[0], place[1], size, min(size, 0.1), detection_distance_mm=1500
    ),
    kinds, places, sizes,
)  # fmt: skip


def sheet_of(defects: list[DefectToJudge]) -> SheetToJudge:
    return SheetToJudge(WIDTH, LENGTH, 3, defects=tuple(defects))


def extents_of(sheet: SheetToJudge) -> list[Extent]:
    return [extent_of(d, sheet, Decimal(0)) for d in sheet.defects]


WHOLE: Rect = (0, 0, int(WIDTH * MICRON), int(LENGTH * MICRON))


def cut_through(extent: Extent, rect: Rect) -> bool:
    """Whether a cut runs through the fault, the sheet's own edges apart."""
    if not extent.touches(rect):
        return False
    box = (extent.x0, extent.y0, extent.x1, extent.y1)
    return any(
        rect[side] != WHOLE[side] and (box[side] < rect[side] if side < 2 else box[side] > rect[side])
        for side in range(4)
    )


def by_trying_all(sheet: SheetToJudge, grade: Grade, bands: tuple[int, ...] = ()) -> int:
    """Area in square microns of the largest piece among all whose edges lie at the sheet's edge, along a
    fault's
    box, or where a fault changes its zone."""
    extents = extents_of(sheet)
    bear = [extents[i] for i in constraints_of(make_case(sheet, grade)).concerned()]
    left, low, right, high = {WHOLE[0]}, {WHOLE[1]}, {WHOLE[2]}, {WHOLE[3]}
    for e in extents:
        left.add(e.x1)
        right.add(e.x0)
        low.add(e.y1)
        high.add(e.y0)
        for band in bands:
            left.add(int(e.x) - band + 1)
            low.add(int(e.y) - band + 1)
            right.add(int(e.x) + band - 1)
            high.add(int(e.y) + band - 1)
    pieces = [
        (x0, y0, x1, y1)
        for x0, y0, x1, y1 in product(left, low, right, high)
        if x0 >= 0 and y0 >= 0 and x1 <= WHOLE[2] and y1 <= WHOLE[3] and x1 - x0 >= 1e5 and y1 - y0 >= 1e5
    ]
    pieces.sort(key=lambda r: -(r[2] - r[0]) * (r[3] - r[1]))
    for rect in pieces:
        if any(cut_through(extent, rect) for extent in bear):
            continue
        if judge(piece_of(sheet, rect, extents)[0], grade).outcome == "accept":
            return (rect[2] - rect[0]) * (rect[3] - rect[1])
    return 0


def area_of(answer: CutOut | None) -> int:
    if answer is None:
        return 0
    sides = [
        int(Decimal(repr(b)) * 1000) - int(Decimal(repr(a)) * 1000)
        for a, b in ((answer.x0_mm, answer.x1_mm), (answer.y0_mm, answer.y1_mm))
    ]
    return sides[0] * sides[1]


@pytest.mark.parametrize(
    "grade",
    ["jis-r-3202-2011", "astm-c1036-q3", "eschenfurt-mirror", "gb-11614-1999-mirror", "gb-t-30984-1-2015"],
)
@settings(max_examples=12, deadline=None, derandomize=True)
@given(defects=st.lists(faults, min_size=1, max_size=5))
def test_no_piece_is_larger_than_the_answer(grade: str, defects: list[DefectToJudge]) -> None:
    sheet = sheet_of(defects)
    answer = largest_piece(sheet, BOOK.grade(grade))
    assert area_of(answer) == by_trying_all(sheet, BOOK.grade(grade))
    assert answer is None or answer.proved


@settings(max_examples=12, deadline=None, derandomize=True)
@given(defects=st.lists(faults, min_size=1, max_size=3))
def test_with_zones_in_mm_no_piece_is_larger_than_the_answer(defects: list[DefectToJudge]) -> None:
    sheet, grade = sheet_of(defects), BOOK.grade("igu-guideline-2019")
    answer = largest_piece(sheet, grade)
    assert area_of(answer) == by_trying_all(sheet, grade, (15_000, 65_000))


@settings(max_examples=15, deadline=None, derandomize=True)
@given(defects=st.lists(faults, min_size=1, max_size=6), seed=st.integers(0, 2**32 - 1))
def test_with_zones_in_parts_of_the_side_no_piece_tried_at_random_is_larger(
    defects: list[DefectToJudge], seed: int
) -> None:
    sheet, grade = sheet_of(defects), BOOK.grade("en-1096-1")
    best = area_of(largest_piece(sheet, grade))
    extents, rng = extents_of(sheet), np.random.default_rng(seed)
    bear = [extents[i] for i in constraints_of(make_case(sheet, grade)).concerned()]
    for _ in range(60):
        x = np.sort(rng.integers(0, WIDTH * 1000, 2))
        y = np.sort(rng.integers(0, LENGTH * 1000, 2))
        rect: Rect = (int(x[0]), int(y[0]), int(x[1]), int(y[1]))
        area = (rect[2] - rect[0]) * (rect[3] - rect[1])
        if any(cut_through(extent, rect) for extent in bear):
            continue
        if area > best and rect[2] - rect[0] >= 1e5 and rect[3] - rect[1] >= 1e5:
            assert judge(piece_of(sheet, rect, extents)[0], grade).outcome != "accept"


@pytest.mark.parametrize("grade", [name for name in BOOK.ids() if "572-8" not in name])
@settings(max_examples=8, deadline=None, derandomize=True)
@given(defects=st.lists(faults, max_size=25))
def test_the_answer_passes_when_it_is_judged_by_itself(grade: str, defects: list[DefectToJudge]) -> None:
    sheet, rules = sheet_of(defects), BOOK.grade(grade).confirmed("Ruta Saulyte")
    answer = largest_piece(sheet, rules)
    if answer is None:
        return
    rect = tuple(
        int(Decimal(repr(v)) * 1000) for v in (answer.x0_mm, answer.y0_mm, answer.x1_mm, answer.y1_mm)
    )
    piece, kept = piece_of(sheet, rect, extents_of(sheet))  # type: ignore[arg-type]
    assert kept == answer.kept
    assert sorted((*kept, *answer.left_out)) == list(range(len(defects)))
    assert judge(piece, rules).outcome == "accept"
    bear = constraints_of(make_case(sheet, rules)).concerned()
    assert not any(cut_through(extents_of(sheet)[i], rect) for i in bear)  # type: ignore[arg-type]
    assert piece.width_mm >= 100
    assert piece.length_mm >= 100


def test_a_sheet_that_passes_is_its_own_answer() -> None:
    answer = largest_piece(sheet_of([]), BOOK.grade("jis-r-3202-2011"))
    assert answer is not None
    assert (answer.width_mm, answer.length_mm, answer.part_of_sheet) == (WIDTH, LENGTH, 1.0)


def test_one_stone_is_left_beside_the_longer_half() -> None:
    answer = largest_piece(sheet_of([DefectToJudge("stone", 500, 750, 4)]), BOOK.grade("jis-r-3202-2011"))
    assert answer is not None
    assert (answer.x0_mm, answer.x1_mm, answer.y0_mm, answer.y1_mm) == (502, WIDTH, 0, LENGTH)
    assert answer.left_out == (0,)


def test_the_cut_keeps_its_distance_from_what_it_leaves_out() -> None:
    stone = sheet_of([DefectToJudge("stone", 500, 750, 4)])
    answer = largest_piece(stone, BOOK.grade("jis-r-3202-2011"), clearance_mm=10)
    assert answer is not None
    assert answer.x0_mm == 512


def test_a_smaller_piece_may_carry_fewer_faults() -> None:
    """2.2 for each m2: six bubbles need 2.73 m2, so one more bubble on 3 m2 costs a strip, not a seventh."""
    row = [DefectToJudge("bubble", 100 + 300 * i, 750, 0.6) for i in range(7)]
    answer = largest_piece(sheet_of(row), BOOK.grade("jis-r-3202-2011"))
    assert answer is not None
    assert len(answer.kept) == 6
    assert answer.area_m2 * 2.2 >= 6


def test_a_grade_that_may_not_decide_gives_no_answer() -> None:
    assert largest_piece(sheet_of([]), BOOK.grade("iso-12543-6")) is None


def test_without_any_good_piece_there_is_no_answer() -> None:
    everywhere = [
        DefectToJudge("stone", x, y, 5) for x in range(0, WIDTH + 1, 90) for y in range(0, LENGTH + 1, 90)
    ]
    assert largest_piece(sheet_of(everywhere), BOOK.grade("jis-r-3202-2011")) is None


def test_an_early_end_is_admitted() -> None:
    rng = np.random.default_rng(5)
    many = [DefectToJudge("stone", float(x), float(y), 4) for x, y in rng.integers(0, (2000, 1500), (150, 2))]
    found = largest_piece(sheet_of(many), BOOK.grade("jis-r-3202-2011"))
    cut_short = largest_piece(sheet_of(many), BOOK.grade("jis-r-3202-2011"), most_looked_at=30)
    assert found is not None
    assert found.proved
    assert cut_short is not None
    assert not cut_short.proved
    assert cut_short.area_m2 <= found.area_m2


LAXER_WHEN_SMALL = """
standard = "invented"
edition = "1"
version = "2026-11-25"
source = "made up for this test: a grade whose allowance shrinks as the pane grows"
[[grade]]
id = "odd"
title = "odd"
[[grade.rule]]
shape = "classes"
clause = "1"
kinds = ["bubble"]
classes = [{ by_area = [{ pane = "(0, 1]", count = 2 }, { pane = "(1, inf)", allow = "none" }] }]
"""


def test_a_grade_that_is_laxer_on_small_panes_gets_an_answer_without_proof() -> None:
    (odd,) = grades_from_text(LAXER_WHEN_SMALL, where="odd.toml")
    answer = largest_piece(sheet_of([DefectToJudge("bubble", 1000, 750, 1)]), odd)
    assert answer is not None
    assert answer.verdict.outcome == "accept"
    assert not answer.proved
