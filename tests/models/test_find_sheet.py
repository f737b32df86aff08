"""Finding sheets by what a claim names."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from models.find_sheet import find_sheets
from tests import factories


@pytest.fixture
def plant(session: Session) -> dict[str, int]:
    line = factories.make_line(session)
    kestrel = factories.make_customer(session, name="Kestrelholm Facades")
    pack = factories.make_pack(
        session, label="P-2026-0100", customer_id=kestrel.id, grade_id="eschenfurt-window"
    )
    other = factories.make_pack(session, label="P-2026-0200")
    ids = {}
    for n in range(6):
        sheet = factories.make_finished_sheet(
            session,
            line.id,
            6.0 * n,
            label=f"E0012{n:03d}",
            pack_id=pack.id if n < 3 else other.id if n == 3 else None,
        )
        ids[sheet.label] = sheet.id
        if n == 1:
            factories.make_verdict(session, sheet, "downgrade", downgrade_to="eschenfurt-garden")
            factories.make_verdict(session, sheet, "reject", current=False)
            factories.make_defect(session, sheet, 10.0, 10.0)
    return ids


def labels(session: Session, text: str, **given: object) -> list[str]:
    return [sheet.label for sheet in find_sheets(session, text, **given).sheets]  # type: ignore[arg-type]


def test_an_empty_database_finds_nothing(session: Session) -> None:
    found = find_sheets(session, "anything")
    assert (found.sheets, found.near, found.more) == ((), (), None)


@pytest.mark.parametrize("text", ["E0012001", "e0012001", "  E0012001  "])
def test_a_whole_label_finds_its_sheet_alone(session: Session, plant: dict[str, int], text: str) -> None:
    found = find_sheets(session, text)
    assert found.exact
    (sheet,) = found.sheets
    assert (sheet.sheet_id, sheet.pack, sheet.customer) == (
        plant["E0012001"],
        "P-2026-0100",
        "Kestrelholm Facades",
    )
    assert (sheet.outcome, sheet.downgrade_to, sheet.defects) == ("downgrade", "eschenfurt-garden", 1)


def test_a_part_of_a_label_a_pack_or_a_customer_finds_their_sheets_newest_first(
    session: Session, plant: dict[str, int]
) -> None:
    assert labels(session, "0012") == ["E0012005", "E0012004", "E0012003", "E0012002", "E0012001", "E0012000"]
    assert labels(session, "2026-0200") == ["E0012003"]
    assert labels(session, "kestrel") == ["E0012002", "E0012001", "E0012000"]


def test_the_wildcards_of_the_database_are_plain_letters_here(
    session: Session, plant: dict[str, int]
) -> None:
    assert labels(session, "%") == []
    assert labels(session, "E0012_01") == []


def test_a_period_narrows_and_stands_alone(session: Session, plant: dict[str, int]) -> None:
    after = factories.START + timedelta(minutes=2)
    assert labels(session, "", cut_from=after) == ["E0012005", "E0012004"]
    assert labels(session, "kestrel", cut_from=after) == []
    assert labels(session, "", cut_to=factories.START + timedelta(seconds=1)) == ["E0012000"]


def test_a_page_goes_on_where_the_one_before_stopped(session: Session, plant: dict[str, int]) -> None:
    first = find_sheets(session, "0012", limit=4)
    assert first.more is not None
    second = find_sheets(session, "0012", limit=4, before_id=first.more)
    assert [s.label for s in first.sheets + second.sheets] == [f"E001200{n}" for n in (5, 4, 3, 2, 1, 0)]
    assert second.more is None


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("E0012O01", "E0012001"),
        ("EOOI2OOI", "E0012001"),
        ("Kestralholm Facade", "Kestrelholm Facades"),
        ("P-2026-0110", "P-2026-0100"),
    ],
)
def test_a_misread_name_brings_what_it_may_have_been(
    session: Session, plant: dict[str, int], text: str, near: str
) -> None:
    found = find_sheets(session, text)
    assert found.sheets == ()
    assert near in found.near
