"""How a pack stands: averages over its sheets, and what of it nobody looked at."""

from typing import Any

import pytest
from sqlalchemy.orm import Session

from models.errors import NoSuchRecord
from models.grade_books import save_plant_grade
from models.grades import load_sets
from models.packs import pack_standing
from models.records import Pack, Sheet
from tests import factories

BOOK = load_sets()
#: two bubbles of 1 mm and more in 100 m² of a pack, each sheet of 6 m x 3.21 m by itself may have ten
RULES = """
standard = "own"
edition = "1"
version = "1"
source = "test"

[area]
decimals = 2
rounding = "half_even"

[[grade]]
id = "own-pack"
title = "Own pack grade"

[[grade.rule]]
name = "bubbles"
shape = "classes"
clause = "1"
kinds = ["bubble"]
product = "floor"
classes = [{ size = "[0, 1)", allow = "not counted" }, { size = "[1, inf)", count = 10 }]

[[grade.pack_average]]
name = "bubbles on average"
clause = "E 2.5"
kinds = ["bubble"]
size = "[1, inf)"
most = 2
per_m2 = 100
"""


def kept(count: int) -> dict[str, Any]:
    """A verdict's view of a sheet with so many bubbles of 2 mm."""
    bubble = {"kind": "bubble", "length_mm": 2.0, "width_mm": 2.0}
    return {
        "sheet_as_judged": {"width_mm": 3210.0, "length_mm": 6000.0, "thickness_mm": 4.0, "use": "stock"},
        "defects": [{**bubble, "x_mm": 100.0 + 300 * n, "y_mm": 100.0} for n in range(count)],
        "grade_id": "own-pack",
    }


@pytest.fixture
def pack(session: Session) -> Pack:
    """Five sheets of 19.26 m²: two with a verdict, one passed by, one imported, one looked at elsewhere."""
    save_plant_grade(session, BOOK, RULES, None)
    line = factories.make_line(session)
    made = factories.make_pack(session, label="P-FIVE", grade_id="own-pack")
    given = (
        ("S1", {}), ("S2", {}), ("S3", {"state": "passed_by", "looked_fraction": 0.0}),
        ("S4", {"state": "recorded", "looked_fraction": None}),
        ("S5", {"state": "recorded", "looked_fraction": 1.0}),
    )  # fmt: skip
    sheets = [
        factories.make_finished_sheet(session, line.id, 6.0 * n, label=label, pack_id=made.id, **values)
        for n, (label, values) in enumerate(given)
    ]
    factories.make_verdict(session, sheets[0], **kept(2))
    factories.make_verdict(session, sheets[1], **kept(0))
    factories.make_defect(session, sheets[4], 500.0, 500.0, length_mm=3.0)
    return made


def test_averages_are_over_the_sheets_that_were_looked_at(session: Session, pack: Pack) -> None:
    """3 bubbles on 3 x 19.26 m²; 2 for each 100 m² allow 1.1556 (worked by hand)."""
    standing = pack_standing(session, BOOK, pack.id)
    assert [sheet.label for sheet in standing.judged] == ["S1", "S2", "S5"]
    (average,) = standing.averages
    assert (average.counted, average.by_sheet) == (3, (2, 0, 1))
    assert average.allowed == pytest.approx(1.1556)
    assert (average.outcome, standing.outcome) == ("reject", "reject")
    assert standing.outcome_words() == "going by 3 of its 5 sheets, the pack breaks Own pack grade"
    (words,) = standing.average_words()
    assert words.startswith("E 2.5: bubbles on average: 3 on 3 sheets")
    assert "1.156 allowed, 2 too many" in words


def test_not_looked_at_and_not_known_are_told_apart(session: Session, pack: Pack) -> None:
    standing = pack_standing(session, BOOK, pack.id)
    assert (standing.not_looked, standing.unknown) == (("S3",), ("S4",))
    assert standing.looked_words() == (
        "nobody inspected 1 of its 5 sheets (S3)",
        "nobody knows of 1 of its 5 sheets (S4) whether it was looked at",
        "2 sheets without a verdict are not in the figures",
    )


def test_a_sheet_in_work_counts_as_it_stands_and_is_not_called_uninspected(
    session: Session, pack: Pack
) -> None:
    sheet = session.query(Sheet).filter_by(label="S3").one()
    sheet.state = "in_work"
    factories.make_defect(session, sheet, 700.0, 700.0, length_mm=3.0)
    standing = pack_standing(session, BOOK, pack.id)
    assert standing.averages[0].by_sheet == (2, 0, 1, 1)
    assert standing.not_looked == ()


def test_without_a_grade_or_a_judged_sheet_there_is_no_outcome(session: Session) -> None:
    line = factories.make_line(session)
    bare = factories.make_pack(session, grade_id=None)
    sheet = factories.make_finished_sheet(session, line.id, 0.0, state="passed_by", pack_id=bare.id)
    standing = pack_standing(session, BOOK, bare.id)
    assert (standing.grade, standing.outcome, standing.averages) == (None, None, ())
    assert standing.outcome_words() == "the pack is not judged: no grade is ordered for it"
    bare.grade_id = "gone"
    assert "out of use" in pack_standing(session, BOOK, bare.id).outcome_words()
    bare.grade_id = "eschenfurt-window"
    standing = pack_standing(session, BOOK, bare.id)
    assert (
        standing.outcome_words()
        == "the pack is not judged: none of its sheets has a verdict yet or is in work"
    )
    assert standing.looked_words() == (f"nobody inspected 1 of its 1 sheet ({sheet.label})",)


def test_a_pack_that_does_not_exist_is_named(session: Session) -> None:
    with pytest.raises(NoSuchRecord, match="pack number 99"):
        pack_standing(session, BOOK, 99)


def test_sheets_that_fail_by_themselves_are_named(session: Session, pack: Pack) -> None:
    """Eleven bubbles on one sheet, of which each may have ten."""
    sheet = session.query(Sheet).filter_by(label="S5").one()
    for n in range(10):
        factories.make_defect(session, sheet, 600.0 + 20 * n, 900.0, length_mm=3.0)
    standing = pack_standing(session, BOOK, pack.id)
    assert standing.sheet_words() == ("1 of its 5 sheets (S5) does not meet the grade by itself",)
    assert standing.hold_back == ("S5", "S1")
    assert standing.sentences()[-3:] == standing.looked_words()
