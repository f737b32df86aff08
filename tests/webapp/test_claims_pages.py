"""The claims desk's pages: finding a sheet, and its whole history on one page."""

from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from models import inspections
from models.database import writing
from models.records import Sheet, User
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant


@pytest.fixture
def desk(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in person of the claims desk."""
    return signed_in("claims_desk")


def test_the_empty_search_page_explains_itself(desk: FlaskClient) -> None:
    page = desk.get("/sheets/")
    assert page.status_code == 200
    assert "A whole label opens its sheet at once" in page.text


def test_a_whole_label_goes_straight_to_its_sheet(desk: FlaskClient, booth: Booth) -> None:
    answer = desk.get("/sheets/", query_string={"q": booth.labels[1].lower()})
    assert answer.status_code == 302
    assert answer.location == f"/sheets/{booth.sheet_ids[1]}"


def test_a_part_of_a_label_brings_a_list(desk: FlaskClient, booth: Booth) -> None:
    page = desk.get("/sheets/", query_string={"q": booth.labels[0][:4]}).text
    assert all(label in page for label in booth.labels)


def test_nothing_found_says_so_and_offers_what_is_near(desk: FlaskClient, booth: Booth) -> None:
    misread = booth.labels[0].replace("0", "O")
    page = desk.get("/sheets/", query_string={"q": misread})
    assert page.status_code == 200
    assert f"No sheet, pack or customer has “{misread}” in its name" in page.text
    assert booth.labels[0] in page.text


def test_what_was_typed_comes_back_as_text_never_as_markup(desk: FlaskClient) -> None:
    page = desk.get("/sheets/", query_string={"q": "<script>alert(1)</script>"}).text
    assert "<script>alert" not in page


def test_a_day_that_cannot_be_read_is_named(desk: FlaskClient) -> None:
    page = desk.get("/sheets/?from=soon")
    assert page.status_code == 400
    assert "day &#39;soon&#39; cannot be read" in page.text


def test_the_history_of_an_untouched_sheet_is_whole_and_plain(desk: FlaskClient, booth: Booth) -> None:
    page = desk.get(f"/sheets/{booth.sheet_ids[0]}")
    assert page.status_code == 200
    for words in (
        "no verdict yet",
        "The sheet was not looked at yet.",
        "None is on record. The sheet was not looked at.",
        "No photo of this sheet",
        "not packed",
    ):
        assert words in page.text


def test_the_history_tells_photos_decisions_verdict_and_neighbours(
    desk: FlaskClient, plant: Plant, booth: Booth, photographed: int
) -> None:
    with writing(plant.sessions) as session:
        finds = inspections.finds_of(session, booth.sheet_ids[0])
        inspections.confirm_find(session, finds[0].find.id, booth.inspector_id)
        inspections.confirm_find(session, finds[1].find.id, booth.inspector_id)
        inspections.dismiss_find(session, finds[2].find.id, booth.inspector_id, reason="wiped off")
        inspections.set_grade(
            session, plant.book, booth.sheet_ids[0], "eschenfurt-window", booth.inspector_id
        )
        inspections.finish_sheet(session, plant.book, booth.sheet_ids[0], booth.inspector_id)
    page = desk.get(f"/sheets/{booth.sheet_ids[0]}").text
    assert "rejected" in page or "downgraded" in page
    assert "Rules in force then: Eschenfurt window" in page
    assert f"/photos/{photographed}/view.jpg" in page
    assert "wiped off" in page
    assert "Ruta inspector" in page
    assert "find.dismiss" in page
    assert all(label in page for label in booth.labels[1:])


def test_a_sheet_number_that_does_not_exist_is_a_plain_sentence(desk: FlaskClient) -> None:
    page = desk.get("/sheets/4711")
    assert page.status_code == 404
    assert "there is no such sheet in the books" in page.text


def test_scanners_reach_a_sheet_by_its_label(desk: FlaskClient, booth: Booth) -> None:
    assert desk.get(f"/sheets/label/{booth.labels[2]}").location == f"/sheets/{booth.sheet_ids[2]}"
    missing = desk.get("/sheets/label/NOSUCH")
    assert missing.status_code == 404
    assert "no sheet carries this label" in missing.text


def test_claims_and_shipping_are_on_the_page(desk: FlaskClient, plant: Plant, booth: Booth) -> None:
    with writing(plant.sessions) as session:
        customer = factories.make_customer(session, name="Tannbruch Glazing")
        pack = factories.make_pack(
            session, customer_id=customer.id, shipped_at=factories.START, destination="Tannbruch"
        )
        session.get_one(Sheet, booth.sheet_ids[0]).pack_id = pack.id
        factories.make_claim(session, pack_id=pack.id, says="A white speck & a line")
    page = desk.get(f"/sheets/{booth.sheet_ids[0]}").text
    for words in ("Tannbruch Glazing", "A white speck &amp; a line", "about its pack", "2026-03-02 06:00"):
        assert words in page


def test_an_inspector_sees_the_history_without_the_dossier(inspector: FlaskClient, booth: Booth) -> None:
    page = inspector.get(f"/sheets/{booth.sheet_ids[0]}")
    assert page.status_code == 200
    assert "Dossier PDF" not in page.text
    assert inspector.get(f"/sheets/{booth.sheet_ids[0]}/dossier.pdf").status_code == 403


def test_nobody_reads_a_history_without_signing_in(client: FlaskClient, booth: Booth, plant: Plant) -> None:
    assert client.get(f"/sheets/{booth.sheet_ids[0]}").status_code == 302
    with writing(plant.sessions) as session:
        assert session.query(User).count() == 4
