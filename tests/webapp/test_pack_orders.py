"""The pack page's forms: who may order and ship, what they say, what comes back with a sentence."""

from collections.abc import Callable

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from models.database import reading, writing
from models.records import AuditEntry, Pack, Sheet
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant

ORDER = {"customer": "Kestrelholm Facades", "grade": "eschenfurt-garden", "use": "cut_size"}


@pytest.fixture
def pack_id(plant: Plant, booth: Booth) -> int:
    """A pack of two sheets that a sheets file named: nothing is ordered, nobody has looked."""
    with writing(plant.sessions) as session:
        pack = factories.make_pack(session, label="P-TEST", grade_id=None)
        for sheet_id in booth.sheet_ids[:2]:
            session.get_one(Sheet, sheet_id).pack_id = pack.id
        return pack.id


@pytest.fixture
def desk(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """Somebody of the claims desk."""
    return signed_in("claims_desk")


def the_pack(plant: Plant, pack_id: int) -> tuple[Pack, str | None]:
    with reading(plant.sessions) as session:
        pack = session.get_one(Pack, pack_id)
        customer = None if pack.customer is None else pack.customer.name
        session.expunge(pack)
        return pack, customer


@pytest.mark.parametrize("role", ["quality_lead", "claims_desk", "administrator"])
def test_those_who_order_set_customer_grade_and_use(signed_in, plant, pack_id, role):
    client = signed_in(role)
    page = client.get(f"/grades/pack/{pack_id}")
    assert page.status_code == 200
    assert "No grade is ordered for this pack" in page.text
    assert '<details class="panel order no-print" open>' in page.text
    done = client.post(f"/grades/pack/{pack_id}/order", data=ORDER, follow_redirects=True)
    assert "Pack P-TEST is for Kestrelholm Facades, Eschenfurt garden glass, cut size." in done.text
    assert '<option value="Kestrelholm Facades"></option>' in done.text
    assert "None of its sheets has a verdict yet" in done.text
    pack, customer = the_pack(plant, pack_id)
    assert (customer, pack.grade_id, pack.use) == ("Kestrelholm Facades", "eschenfurt-garden", "cut_size")
    with reading(plant.sessions) as session:
        act = session.scalars(select(AuditEntry).where(AuditEntry.action == "pack.order")).one()
        assert (act.who, act.subject_id) == (f"Ruta {role}", pack_id)
        assert act.origin.startswith("browser ")
    assert "P-TEST" in client.get("/grades/packs?q=kestrel").text


def test_an_inspector_reads_the_order_and_writes_none(inspector, desk, plant, pack_id):
    desk.post(f"/grades/pack/{pack_id}/order", data=ORDER)
    page = inspector.get(f"/grades/pack/{pack_id}").text
    assert "<dd>Kestrelholm Facades</dd>" in page
    assert "Keep the order" not in page
    for act in ("order", "ship", "ship/back"):
        assert inspector.post(f"/grades/pack/{pack_id}/{act}", data=ORDER).status_code == 403
    assert the_pack(plant, pack_id)[0].shipped_at is None


def test_a_pack_leaves_on_the_plant_s_clock_and_is_taken_back_with_a_reason(desk, plant, pack_id, booth):
    sent = {"shipped_at": "2026-03-02T15:30", "destination": "Kestrelholm, gate 4"}
    page = desk.post(f"/grades/pack/{pack_id}/ship", data=sent, follow_redirects=True).text
    assert "Pack P-TEST is written down as shipped to Kestrelholm, gate 4." in page
    assert "shipped 2026-03-02 15:30 +01:00 to Kestrelholm, gate 4." in page
    assert the_pack(plant, pack_id)[0].shipped_at.isoformat() == "2026-03-02T14:30:00+00:00"
    again = desk.post(f"/grades/pack/{pack_id}/ship", data={**sent, "destination": "Ottervale"})
    assert again.status_code == 409
    assert "take the shipping back first" in again.text
    bare = desk.post(f"/grades/pack/{pack_id}/ship/back", data={"reason": " "})
    assert bare.status_code == 400
    assert "say why its shipping is taken back" in bare.text
    back = desk.post(f"/grades/pack/{pack_id}/ship/back", data={"reason": "came back"}, follow_redirects=True)
    assert "Pack P-TEST is in the yard again" in back.text
    history = desk.get(f"/sheets/{booth.sheet_ids[0]}").text
    assert "pack.ship_back" in history
    assert f'href="/grades/pack/{pack_id}"' in history


@pytest.mark.parametrize(
    ("act", "given", "status", "says"),
    [
        ("order", {**ORDER, "grade": "eschenfurt-gardn"}, 400, "the nearest are eschenfurt-garden"),
        ("order", {**ORDER, "use": "mirror"}, 400, "expected stock or cut_size"),
        ("order", {"customer": "Kestrelholm Facades"}, 400, "expected stock or cut_size"),
        ("order", {**ORDER, "customer": "K" * 201}, 400, "customer has 201 characters"),
        ("ship", {"destination": "Ottervale"}, 400, "expected when the pack left"),
        ("ship", {"shipped_at": "Monday"}, 400, "&#39;Monday&#39; is not a time"),
        ("ship", {"shipped_at": "2026-03-02T11:59"}, 400, "was cut (2026-03-02 12:00+01:00)"),
        ("ship", {"shipped_at": "2999-01-01T00:00"}, 400, "is still to come"),
        ("ship", {"shipped_at": "0001-01-01T00:00"}, 400, "is not a time"),
        ("ship/back", {"reason": "no"}, 409, "is in the yard"),
    ],
)
def test_what_cannot_be_comes_back_with_what_was_typed(desk, plant, pack_id, act, given, status, says):
    answer = desk.post(f"/grades/pack/{pack_id}/{act}", data=given)
    assert answer.status_code == status
    assert 'role="alert"' in answer.text
    assert says in answer.text
    typed = given.get("destination") or given.get("customer")
    assert typed is None or f'value="{typed}"' in answer.text
    pack, customer = the_pack(plant, pack_id)
    assert (customer, pack.grade_id, pack.shipped_at, pack.destination) == (None, None, None, None)


def test_a_pack_whose_grade_is_out_of_use_still_opens(desk, plant, pack_id):
    with writing(plant.sessions) as session:
        session.get_one(Pack, pack_id).grade_id = "gone-grade"
    page = desk.get(f"/grades/pack/{pack_id}")
    assert page.status_code == 200
    assert "gone-grade (not among the grades in use)" in page.text
    assert desk.post("/grades/pack/999/order", data=ORDER).status_code == 404
    assert desk.get("/grades/pack/999").status_code == 404
