"""A scratch in one photo and the same in pieces of several photos get the same verdict, by every grade."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from models.grades import Grade, GradeBook, judge, load_sets
from models.sheet.from_results import SheetOfResults, sheet_of_results
from tests.models.sheet.shown import cut, find, line, result, scratch

SHEET = (2000.0, 3000.0)
BOOK: GradeBook = load_sets()
IDS = sorted(BOOK.ids())


def taken(*results: dict[str, Any], thickness_mm: float = 4.0) -> SheetOfResults:
    return sheet_of_results(results, sheet_mm=SHEET, thickness_mm=thickness_mm, needed_mm=None)


def outcome(grade: Grade, of: SheetOfResults) -> str:
    verdict = judge(of.sheet, grade, confirmed_by="test")
    return verdict.outcome


def shown_whole(*finds: dict[str, Any]) -> dict[str, Any]:
    return result((0, 0, *SHEET), list(finds), mm_per_px=0.05)


def parts(path: np.ndarray, photos: int, share: float, **more: Any) -> list[dict[str, Any]]:
    """Photos in strips along the sheet that share so much of each other, with the pieces that each shows."""
    low, high = path[:, 1].min() - 60, path[:, 1].max() + 60
    tall = (high - low) / (1 + (photos - 1) * (1 - share))
    out = []
    for n in range(photos):
        begin = 0.0 if n == 0 else low + n * tall * (1 - share)
        end = SHEET[1] if n == photos - 1 else low + n * tall * (1 - share) + tall
        box = (0.0, begin, SHEET[0], end)
        pieces = [scratch(k, piece, **more) for k, piece in enumerate(cut(path, box), 1)]
        out.append(result(box, pieces, mm_per_px=0.05))
    return out


@pytest.mark.parametrize(
    ("grade", "pieces"),
    [
        ("eschenfurt-garden", ((0, 300), (100, 400))),  # 400 as 300 + 300 that share 200
        ("eschenfurt-garden", ((0, 300), (290, 590))),
        ("eschenfurt-mirror", ((0, 25), (13, 40))),  # 40 as 25 + 27
    ],
)
def test_a_rejected_scratch_is_rejected_in_pieces(grade: str, pieces: tuple[tuple[int, int], ...]):
    """Reproduced from verdicts that were wrong: the whole is rejected, its pieces were accepted."""
    ends = pieces[0][0], pieces[-1][1]
    whole = taken(shown_whole(scratch(1, line(900, 1000 + ends[0], 900, 1000 + ends[1]))))
    border = [(pieces[0][1] + 1000 + 1, 0.0)], [(0.0, pieces[1][0] + 1000 - 1)]
    first = result((0, 0, 2000, border[0][0][0]), [scratch(1, line(900, 1000, 900, 1000 + pieces[0][1]))])
    second = result(
        (0, border[1][0][1], *SHEET),
        [scratch(1, line(900.3, 1000 + pieces[1][0], 900.3, 1000 + pieces[1][1]))],
    )
    assert outcome(BOOK.grade(grade), whole) == "reject"
    assert outcome(BOOK.grade(grade), taken(first, second)) == "reject"


def limits(grade: Grade, thickness_mm: float) -> list[float]:
    """Every length at which a rule of the grade changes its answer about a scratch."""
    from models.grades.case import make_case

    case = make_case(taken(shown_whole(scratch(1, line(900, 1000, 900, 1100)))).sheet, grade)
    found = [float(end) for rule in grade.rules for _, end in rule.ends(case.defects[0])]
    return sorted(found)


@settings(deadline=None, max_examples=120)
@given(
    grade_id=st.sampled_from(IDS),
    length=st.floats(20, 900),
    turn=st.floats(-0.6, 0.6),
    photos=st.integers(2, 3),
    share=st.sampled_from([0.0, 0.02, 0.1, 0.3, 0.5, 0.67, 0.9]),
    width=st.sampled_from([0.05, 0.15, 0.4]),
    thickness=st.sampled_from([3.0, 4.0, 6.0]),
)
def test_pieces_are_judged_as_the_whole(grade_id, length, turn, photos, share, width, thickness):
    """All grades, overlaps of 0 to 90 %, straight and bent, two and three photos."""
    grade = BOOK.grade(grade_id)
    t = np.linspace(0, 1, 2000)
    angle = math.pi / 2 + turn * (t - 0.5)
    path = np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]) * length / 2000, axis=0)
    path += np.array([1000.0, 1500.0]) - path.mean(axis=0)
    near = [limit for limit in limits(grade, thickness) if abs(limit - length) < 3.0]
    assume(not near)  # at a limit the places' uncertainty decides
    more = {"width_mm": width, "length_sd_mm": 0.2}
    whole = taken(shown_whole(scratch(1, path[::40], **more)), thickness_mm=thickness)
    pieces = taken(*parts(path, photos, share, **more), thickness_mm=thickness)
    assert outcome(grade, pieces) == outcome(grade, whole)


@settings(deadline=None, max_examples=60)
@given(grade_id=st.sampled_from(IDS), gap=st.floats(0.0, 1.2), length=st.floats(30, 600))
def test_a_gap_smaller_than_the_places_are_unsure_makes_no_two(grade_id, gap, length):
    grade = BOOK.grade(grade_id)
    assume(not [limit for limit in limits(grade, 4.0) if abs(limit - length) < 3.0])
    half = length / 2
    whole = taken(shown_whole(scratch(1, line(900, 1000, 900, 1000 + length))))
    a = result(
        (0, 0, 2000, 1000 + half - gap / 2),
        [scratch(1, line(900, 1000, 900, 1000 + half - gap / 2))],
        mm_per_px=0.05,
    )
    b = result(
        (0, 1000 + half + gap / 2, *SHEET),
        [scratch(1, line(900, 1000 + half + gap / 2, 900, 1000 + length))],
        mm_per_px=0.05,
    )
    assert outcome(grade, taken(a, b)) == outcome(grade, whole)


@pytest.mark.parametrize("grade_id", IDS)
def test_crossing_and_parallel_scratches_stay_two(grade_id: str):
    """Two of 60 mm, crossing or 3 mm apart, each cut by the border of two photos: two, as in one photo."""
    grade = BOOK.grade(grade_id)
    for other in (line(900, 1060, 960, 1000), line(933, 1000, 933, 1060)):
        paths = line(930, 1000, 930, 1060, 241), np.asarray(line(*other[0], *other[-1], 241))
        whole = taken(shown_whole(*(scratch(k, path) for k, path in enumerate(paths, 1))))
        boxes = (0.0, 0.0, 2000.0, 1040.0), (0.0, 1020.0, *SHEET)
        shown = [
            result(box, [scratch(k, cut(path, box)[0]) for k, path in enumerate(paths, 1)], mm_per_px=0.05)
            for box in boxes
        ]
        of = taken(*shown)
        assert sorted(round(seen.length_mm or 0) for seen in of.joined.defects) == sorted(
            round(float(np.hypot(*np.diff(path, axis=0).T).sum())) for path in paths
        )
        assert outcome(grade, of) == outcome(grade, whole)


@pytest.mark.parametrize("grade_id", IDS)
def test_one_or_two_is_not_judged_only_where_it_matters(grade_id: str):
    """Parallel pieces 3 mm apart in photos placed to 3 mm: the verdict is that of both readings, or none."""
    grade = BOOK.grade(grade_id)
    poor = {"mm_per_px": 1.0, "residual_mm": 1.0, "smallest_sized_mm": 0.05}
    a = result((0, 0, 2000, 1150), [scratch(1, line(900, 1000, 900, 1090))], **poor)
    b = result((0, 1040, *SHEET), [scratch(1, line(903, 1085, 903, 1190))], **poor)
    of = taken(a, b)
    assert len(of.joined.doubts) == 1
    one = taken(shown_whole(scratch(1, line(900, 1000, 903, 1190))))
    two = taken(shown_whole(scratch(1, line(900, 1000, 900, 1090)), scratch(2, line(903, 1085, 903, 1190))))
    both = {outcome(grade, one), outcome(grade, two)}
    assert outcome(grade, of) == (both.pop() if len(both) == 1 else "not_judged")


@settings(deadline=None, max_examples=80)
@given(grade_id=st.sampled_from(IDS), length=st.floats(5, 250))
@example(grade_id="eschenfurt-garden", length=200.0)
def test_an_open_end_is_judged_as_any_length_it_can_have(grade_id: str, length: float):
    """The scratch leaves its photo: rejected or accepted only if it is whatever its length."""
    grade = BOOK.grade(grade_id)
    open_end = taken(
        result((0, 0, 2000, 1500), [scratch(1, line(900, 1499.5 - length, 900, 1499.5))], mm_per_px=0.05),
        result((0, 1500, *SHEET), [], mm_per_px=0.05),
    )
    assert open_end.joined.defects[0].open_at_mm
    lengths = np.geomspace(length, 1500 + length, 60)
    possible = {
        outcome(
            grade, taken(shown_whole(scratch(1, line(900, 1499.5 - length, 900, 1499.5 - length + long))))
        )
        for long in lengths
    }
    said = outcome(grade, open_end)
    assert said == "not_judged" or possible == {said}
    if said == "not_judged" and possible != {"not_judged"}:
        reasons = judge(open_end.sheet, grade, confirmed_by="test").reasons
        assert any("its end lies outside the photos: photograph there" in reason.says for reason in reasons)


@pytest.mark.parametrize("grade_id", IDS)
def test_a_spot_on_the_border_of_two_photos_is_one_whole_spot(grade_id: str):
    grade = BOOK.grade(grade_id)
    whole = taken(shown_whole(find(1, 900, 1000, length_mm=1.4, width_mm=1.2)))
    half = find(1, 900, 999.6, length_mm=0.7, width_mm=0.7, flags=["touches_edge"])
    full = find(1, 900.1, 1000, length_mm=1.4, width_mm=1.2)
    a = result((0, 0, 2000, 1000), [half], mm_per_px=0.05)
    b = result((0, 900, *SHEET), [full], mm_per_px=0.05)
    assert outcome(grade, taken(a, b)) == outcome(grade, whole)
