"""The list of sheets whose verdict would now differ, and judging again from it."""

import csv
import io
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from models import inspections
from models.database import reading, writing
from models.grade_books import save_plant_grade
from models.records import Sheet, Verdict
from models.sheet.looked import LookStatement
from tests import factories
from tests.models.test_changed_verdicts import RULES
from tests.webapp.conftest import Booth
from webapp.plant import Plant


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in quality lead."""
    return signed_in("quality_lead")


@pytest.fixture
def stricter(plant: Plant, booth: Booth) -> int:
    """A shipped sheet with a bubble of 1.5 mm: accepted, until the rules allow bubbles up to 1 mm only."""
    with writing(plant.sessions) as session:
        save_plant_grade(session, plant.book, RULES.format(version="1", size=2), None)
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        pack = factories.make_pack(
            session, label="=P-GONE", grade_id="own-changing", shipped_at=factories.NOON
        )
        sheet.pack_id = pack.id
        look = LookStatement(way="eye", smallest_mm=0.3)
        inspections.add_look(session, sheet.id, booth.inspector_id, look)
        values = inspections.DefectValues("bubble", 500.0, 500.0, 1.5, 0.5)
        inspections.add_defect(session, sheet.id, booth.inspector_id, values)
        inspections.finish_sheet(session, plant.book, sheet.id, booth.inspector_id)
        save_plant_grade(session, plant.book, RULES.format(version="2", size=1), None)
        return sheet.id


def outcomes(plant: Plant, sheet_id: int) -> list[str]:
    with reading(plant.sessions) as session:
        rows = select(Verdict.outcome).where(Verdict.sheet_id == sheet_id).order_by(Verdict.id)
        return list(session.scalars(rows))


def test_nothing_to_compare_and_nothing_different_are_told_apart(
    lead: FlaskClient, plant: Plant, booth: Booth, photographed: int
) -> None:
    assert 'href="/grades/changed"' in lead.get("/grades/").text
    page = lead.get("/grades/changed").text
    assert "No verdict was given in the last 30 days, so there is nothing to compare." in page
    with writing(plant.sessions) as session:
        inspections.finish_sheet(
            session, plant.book, booth.sheet_ids[0], booth.inspector_id, confirm_undecided=True
        )
    page = lead.get("/grades/changed?days=7").text
    assert "Looked through all 1 sheets with a verdict of the last 7 days." in page
    assert "Each verdict would come out the same today." in page


def test_a_sheet_that_would_differ_is_named_with_reason_and_place(
    lead: FlaskClient, booth: Booth, stricter: int, plant: Plant
) -> None:
    page = lead.get("/grades/changed").text
    for words in (
        booth.labels[0], "shipped", "=P-GONE", "accepted", "rejected", "Own changing grade", "1: ",
        "The new verdict counts from now on, though the sheet has left the plant.",
    ):  # fmt: skip
        assert words in page, words
    assert outcomes(plant, stricter) == ["accept"]


def test_the_list_goes_into_a_spreadsheet(lead: FlaskClient, booth: Booth, stricter: int) -> None:
    answer = lead.get("/grades/changed.csv?days=3")
    assert answer.mimetype == "text/csv"
    (row,) = csv.DictReader(io.StringIO(answer.data.decode("utf-8-sig")))
    assert (row["sheet_id"], row["place"]) == (booth.labels[0], "shipped")
    assert (row["verdict_before"], row["verdict_now"]) == (
        "accepted as Own changing grade",
        "rejected for Own changing grade",
    )
    assert row["first_reason"].startswith("1: ")
    assert row["pack_id"] == "'=P-GONE", "no spreadsheet may take a name for a formula"


def test_judging_again_from_the_list_leads_back_to_it(lead: FlaskClient, stricter: int, plant: Plant) -> None:
    done = lead.post(f"/grades/sheet/{stricter}/again", data={"back": "changed", "days": "7"})
    assert done.location == "/grades/changed?days=7"
    page = lead.get(done.location).text
    assert "accepted became rejected" in page
    assert "Each verdict would come out the same today." in page
    assert outcomes(plant, stricter) == ["accept", "reject"]


@pytest.mark.parametrize("days", ["0", "-1", "1.5", "many", "99999"])
def test_a_period_that_cannot_be_is_named(lead: FlaskClient, days: str) -> None:
    answer = lead.get("/grades/changed", query_string={"days": days})
    assert answer.status_code == 400
    assert "expected a whole number from 1 to 3660" in answer.text


def test_a_place_in_the_list_that_cannot_be_is_named(lead: FlaskClient) -> None:
    answer = lead.get("/grades/changed?at=elsewhere")
    assert answer.status_code == 400
    assert "begin the list anew" in answer.text


def test_only_leads_see_it(inspector: FlaskClient, signed_in: Callable[[str], FlaskClient]) -> None:
    for client in (inspector, signed_in("claims_desk")):
        assert client.get("/grades/changed").status_code == 403
        assert client.get("/grades/changed.csv").status_code == 403
    assert 'href="/grades/changed"' not in inspector.get("/grades/").text
