"""Faults too small to be sized, and lines that run out of the photos, before the tables of the standards.

The tables are those of `test_tables` and `test_worked_cases`: ISO 12543-6, GB 11614-2009 and EN 1096-1 from
memory, the guideline of 2019 as printed. What follows from them for a fault of which only a bound of the size
is known is worked out by hand beside each case.
"""

from dataclasses import replace

import pytest

from models.grades import DefectToJudge, Reason, SheetToJudge, Verdict, judge
from tests.published.judging import BOOK, CHECKER, deciding


def spots(
    count: int, x: float, y: float, *, kind: str = "bubble", most: float | None = None
) -> list[DefectToJudge]:
    """So many spots without a size, 6 mm apart in a square heap from (x, y) on."""
    return [
        DefectToJudge(kind, x + 6 * (i % 6), y + 6 * (i // 6), None, length_at_most_mm=most)
        for i in range(count)
    ]


def said(grade: str, *defects: DefectToJudge, smallest: float | None = None, **more: object) -> Verdict:
    sheet = SheetToJudge(2000, 1500, 4, defects=defects, smallest_sized_mm=smallest)
    rules = replace(BOOK.grade(grade), smallest_class_mm=None)
    return judge(replace(sheet, **more), rules, confirmed_by=CHECKER)  # type: ignore[arg-type]


def asks(reasons: list[Reason]) -> list[str]:
    return [r.says for r in reasons]


def test_three_spots_below_half_a_millimetre_are_three_spots_up_to_one() -> None:
    """Guideline of 2019, zone E: of spots up to 1 mm at most two in a circle of 200 mm."""
    at_the_edge = spots(3, 800, 30)
    verdict = said("igu-guideline-2019", *at_the_edge, smallest=0.5)
    assert verdict.outcome == "reject"
    (reason,) = deciding(verdict)
    assert reason.says.startswith(
        "point (not residue) up to 1 mm in zone E: 3 in a circle of 200 mm, at most 2"
    )
    assert reason.says.endswith("so with defects 1, 2 and 3, whatever their size up to 0.5 mm")
    assert said("igu-guideline-2019", *at_the_edge[:2], smallest=0.5).outcome == "accept"


def test_a_heap_of_thirty_raises_the_question_whether_they_are_a_cluster() -> None:
    """EN 1096-1, main area: clusters of small spots, none; a person says what is one."""
    heap = spots(30, 900, 700, kind="pinhole")
    verdict = said("en-1096-1", *heap, smallest=0.5)
    assert verdict.outcome == "not_judged"
    assert [r.open_question for r in deciding(verdict)] == ["clusters"]
    assert said("en-1096-1", *heap, smallest=0.5, answers={"clusters": True}).outcome == "reject"
    assert said("en-1096-1", *heap, smallest=0.5, answers={"clusters": False}).outcome == "accept"


@pytest.mark.parametrize(
    ("count", "at_most", "outcome"),
    [
        (3, 0.62, "accept"),  # three from over 0.5 mm are no cluster
        (4, 0.5, "accept"),  # below 0.5 mm they are not counted
        (4, 0.62, "not_judged"),  # a cluster of four if each is over 0.5 mm, none if one is not
        (30, 0.62, "not_judged"),
        (30, 0.4, "accept"),
    ],
)
def test_spots_of_a_laminate_are_a_cluster_from_over_half_a_millimetre(
    count: int, at_most: float, outcome: str
) -> None:
    """ISO 12543-6, two panes: four or more spots over 0.5 to 1 mm within 200 mm of each other."""
    verdict = said("iso-12543-6", *spots(count, 900, 700, most=at_most))
    assert verdict.outcome == outcome
    if outcome == "not_judged":
        (reason,) = deciding(verdict)
        assert (
            "too small to size in their photo (at most 0.62 mm); the answer changes at 0.5 mm" in reason.says
        )
        assert "take a close-up that sizes from 0.5 mm" in reason.says
        assert reason.finds == tuple(range(count))
    if at_most == 0.62:
        known = [replace(d, length_mm=0.51) for d in spots(count, 900, 700)]
        assert said("iso-12543-6", *known).outcome == ("accept" if count == 3 else "reject")


@pytest.mark.parametrize(
    ("grade", "floor"),
    [("gb-11614-2009-superior", 0.1), ("gb-11614-2009-first", 0.2), ("gb-11614-2009-qualified", 0.3)],
)
def test_spots_above_the_floor_of_the_circle_of_100_mm_count_there(grade: str, floor: float) -> None:
    """GB 11614-2009: at most three point defects above the grade's floor in a circle of 100 mm."""
    four = spots(4, 900, 700)
    assert said(grade, *four, smallest=floor).outcome == "accept"
    assert said(grade, *four[:3], smallest=min(floor + 0.05, 0.3)).outcome == "accept"
    verdict = said(grade, *four, smallest=floor + 0.05)
    assert verdict.outcome == "not_judged"
    assert any(f"the answer changes at {floor:g} mm: take a close-up that sizes from {floor:g} mm" in says
               for says in asks(deciding(verdict)))  # fmt: skip
    known = [replace(d, length_mm=floor) for d in four[:3]]
    assert said(grade, *known, *four[3:], smallest=floor).outcome == "accept"
    assert said(grade, *known, *four[3:], smallest=floor + 0.05).outcome == "not_judged"
    sure = [replace(d, length_mm=floor) for d in four]
    assert said(grade, *sure, *spots(1, 920, 720), smallest=floor + 0.05).outcome == "reject"


@pytest.mark.parametrize(
    ("length", "outcome"),
    [(10.0, "not_judged"), (15.0, "not_judged"), (15.1, "reject"), (40.0, "reject")],
)
def test_a_scratch_that_runs_out_of_the_photo_may_be_longer(length: float, outcome: str) -> None:
    """Guideline of 2019, zone M: no scratch longer than 15 mm, 45 mm together."""
    course = ((900.0, 700.0), (900.0 + length, 700.0))
    scratch = DefectToJudge("scratch", 900, 700, length, 0.1, path_mm=course, open_at_mm=(course[1],))
    verdict = said("igu-guideline-2019", scratch)
    assert verdict.outcome == outcome
    if outcome == "not_judged":
        (reason,) = deciding(verdict)
        assert "defect 1: its end lies outside the photos: photograph there" in reason.says
        assert "the answer changes at a length of 15 mm" in reason.says
        assert reason.marks == ({"open_end": [900.0 + length, 700.0]},)
    closed = said("igu-guideline-2019", replace(scratch, open_at_mm=()))
    assert closed.outcome == ("reject" if length > 15 else "accept")


def test_a_scratch_of_the_edge_zone_may_run_on_into_the_main_zone() -> None:
    """Guideline of 2019: 30 mm in zone E, 15 mm in zone M; zone E reaches from 15 to 65 mm from the edge.

    20 mm at the edge are allowed there; where the scratch runs on inwards, over 15 mm in the main zone are
    not.
    """
    course = ((990.0, 25.0), (1010.0, 25.0))
    along = DefectToJudge("scratch", 1000, 25, 20.0, 0.1, path_mm=course)
    assert said("igu-guideline-2019", along).outcome == "accept"
    inwards = DefectToJudge(
        "scratch", 900, 25, 20.0, 0.1, path_mm=((900, 20), (900, 40)), open_at_mm=((900, 40),)
    )
    assert said("igu-guideline-2019", replace(inwards, open_at_mm=())).outcome == "accept"
    assert said("igu-guideline-2019", inwards).outcome == "not_judged"


def test_a_line_that_may_have_any_length_above_what_is_seen_is_accepted_where_lines_are_not_limited() -> None:
    """ASTM C1036 Q3: faint linear blemishes are allowed in any number and length (as read)."""
    faint = DefectToJudge("scratch", 900, 700, 40.0, 0.1, detection_distance_mm=100, open_at_mm=((940, 700),))
    verdict = said("astm-c1036-q3", faint)
    assert verdict.outcome == "accept"
    (reason,) = [r for r in verdict.reasons if r.finds]
    assert reason.says.endswith("so with defect 1, however far it goes on outside the photos")


def test_a_spot_on_the_border_of_its_photo_may_be_larger() -> None:
    """JIS R 3202: no bubble of 3 mm or more, of 0.5 to 1 mm 2.2 for each m2."""
    spot = DefectToJudge("bubble", 900, 700, 0.7, 0.7, open_at_mm=((900, 700),))
    verdict = said("jis-r-3202-2011", spot)
    assert verdict.outcome == "not_judged"
    (reason,) = deciding(verdict)
    assert "it lies on the border of its photo and may be larger: photograph there" in reason.says
    assert reason.marks == ({"open_end": [900, 700]},)
    assert said("jis-r-3202-2011", replace(spot, length_mm=30.0)).outcome == "reject"
