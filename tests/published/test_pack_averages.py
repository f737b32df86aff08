"""EN 572-2 stock sizes: averages over a lot together with a cap for each pane.

Categories, averages and caps are from memory; the arithmetic is re-computed here. Ten jumbo sheets of 6.00 x
3.21 m are 192.6 m2, 9.63 units of 20 m2.
"""

import pytest

from models.grades import DefectToJudge, SheetToJudge
from models.grades.pack import judge_pack
from tests.published.judging import BOOK, CHECKER

GRADE = BOOK.grade("en-572-2-2012").confirmed(CHECKER)


def lot(*counts: int, size: float) -> list[SheetToJudge]:
    """Ten jumbo sheets with so many round faults of `size` mm on the first ones."""
    full = [*counts, *(0 for _ in range(10 - len(counts)))]
    return [
        SheetToJudge(
            3210, 6000, 4,
            defects=tuple(DefectToJudge("bubble", 100 + 50 * i, 100, size, size) for i in range(count)),
        )
        for count in full
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("counts", "size", "outcome", "left"),
    [
        ((3, 3, 3, 3, 3, 3, 3, 3, 4, 0), 0.8, "accept", 0),  # 28 of category B, 2.91 for 20 m2 against 3
        ((3, 3, 3, 3, 3, 3, 3, 4, 4, 0), 0.8, "reject", -1),  # 29, 3.01
        ((1, 1, 1, 1, 1), 2.0, "accept", 0),  # 5 of category C, 0.52 against 0.6
        ((1, 1, 1, 1, 1, 1), 2.0, "reject", -1),  # 6, 0.62
        ((1,), 4.0, "reject", -1),  # one of category D, 0.10 against 0.05
        ((0,), 4.0, "accept", 0),
    ],
)
def test_averages_over_ten_jumbo_sheets(
    counts: tuple[int, ...], size: float, outcome: str, left: int
) -> None:
    pack = judge_pack(lot(*counts, size=size), GRADE)
    assert pack.area_m2 == pytest.approx(192.6)
    assert pack.outcome == outcome
    (average,) = [a for a in pack.averages if a.counted or (size == 4.0 and a.name == "category D")]
    assert average.left == left
    assert {v.outcome for v in pack.sheets} == {"accept"}


def test_the_average_may_hold_while_one_pane_exceeds_its_cap() -> None:
    pack = judge_pack(lot(6, 1, 1, 1, 1, size=0.8), GRADE)
    assert pack.sheets[0].outcome == "reject"
    assert all(a.outcome == "accept" for a in pack.averages)
    assert pack.outcome == "reject"
    assert pack.hold_back == (0,)


def test_the_sheet_to_hold_back_is_the_one_that_relieves_most() -> None:
    pack = judge_pack(lot(3, 3, 3, 3, 3, 3, 3, 2, 5, 4, size=0.8), GRADE)  # 32 against 28.89
    assert pack.hold_back is not None
    assert pack.hold_back[0] == 8
    rest = [s for i, s in enumerate(lot(3, 3, 3, 3, 3, 3, 3, 2, 5, 4, size=0.8)) if i not in pack.hold_back]
    assert judge_pack(rest, GRADE).outcome == "accept"


def test_a_pack_of_a_remembered_grade_is_not_judged_until_confirmed() -> None:
    pack = judge_pack(lot(1, size=0.8), BOOK.grade("en-572-2-2012"))
    assert pack.outcome == "not_judged"
    assert any("from memory" in note for note in pack.notes)


def test_an_empty_pack_passes() -> None:
    assert judge_pack([], GRADE).outcome == "accept"
