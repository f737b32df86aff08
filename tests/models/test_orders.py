"""Orders: customer, grade and use of a pack, its shipping, and what is refused."""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import audit, inspections, orders
from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord, NotAllowedNow
from models.grades import NoSuchGrade, load_sets
from models.history import sheet_history
from models.records import AuditEntry, Customer, Pack
from tests import factories
from tests.factories import NOON

BOOK = load_sets()
KESTREL = "Kestrelholm Facades"


@pytest.fixture
def pack(session: Session) -> Pack:
    """A pack of two sheets, nothing ordered yet."""
    line = factories.make_line(session)
    pack = factories.make_pack(session, label="P-17", grade_id=None)
    for minutes in (0, 30):
        cut_at = NOON + timedelta(minutes=minutes)
        factories.make_sheet(session, line, pack_id=pack.id, cut_at=cut_at, label=f"A{minutes}")
    return pack


@pytest.fixture
def lead(session: Session) -> int:
    return factories.make_user(session, full_name="Ilse Varnhagen", role="quality_lead").id


def order(session: Session, pack: Pack, user: int | None = None, **given: str | None) -> Pack:
    wanted = {"customer": KESTREL, "grade_id": "eschenfurt-mirror", "use": "cut_size"} | given
    return orders.set_order(session, BOOK, pack.id, user_id=user, **wanted)


def acts(session: Session) -> list[tuple[str, dict]]:
    rows = session.execute(select(AuditEntry.action, AuditEntry.details).order_by(AuditEntry.id))
    return [(action, json.loads(details)) for action, details in rows if action.startswith("pack.")]


def test_an_order_makes_its_customer_and_decides_the_grade_of_the_sheets(session, pack, lead):
    order(session, pack, lead)
    session.expire_all()
    assert orders.order_of(pack) == orders.Order(KESTREL, "eschenfurt-mirror", "cut_size")
    sheet = inspections.sheet_by_label(session, "A30")
    assert inspections.ordered_grade(session, sheet) == ("eschenfurt-mirror", "cut_size")
    assert inspections.judge_sheet(session, BOOK, sheet.id).grade.id == "eschenfurt-mirror"
    (act,) = acts(session)
    assert act[0] == "pack.order"
    assert act[1]["customer"] == {"from": None, "to": KESTREL}
    assert act[1]["use"] == {"from": "stock", "to": "cut_size"}
    assert list(audit.verify(session)) == []


def test_the_same_order_again_is_no_act_and_a_change_says_only_what_changed(session, pack, lead):
    order(session, pack, lead)
    order(session, pack, lead)
    assert len(acts(session)) == 1
    order(session, pack, lead, grade_id="eschenfurt-window")
    change = acts(session)[-1][1]
    assert change == {
        "pack": "P-17",
        "grade_id": {"from": "eschenfurt-mirror", "to": "eschenfurt-window"},
    }
    order(session, pack, lead, customer="", grade_id="", use="stock")
    assert orders.order_of(pack) == orders.Order(None, None, "stock")


@pytest.mark.parametrize("typed", ["kestrelholm FACADES", "  Kestrelholm   Facades "])
def test_a_customer_is_known_in_other_capitals_and_spacing(session, pack, typed):
    order(session, pack)
    other = factories.make_pack(session, grade_id=None)
    assert order(session, other, customer=typed).customer_id == pack.customer_id
    assert orders.customer_names(session) == [KESTREL]


def test_capitals_beyond_ascii_are_the_same_customer_too(session, pack):
    order(session, pack, customer="Glaserei Öhrmühle")
    other = factories.make_pack(session, grade_id=None)
    # written out as letter and mark, as some keyboards send it
    order(session, other, customer="GLASEREI O\u0308HRMU\u0308HLE")
    assert session.scalar(select(func.count(Customer.id))) == 1


def test_an_unknown_grade_names_the_nearest_and_writes_nothing(session, pack):
    with pytest.raises(NoSuchGrade, match=r"pack P-17: no grade is called 'eschenfurt-miror'; .*-mirror"):
        order(session, pack, grade_id="eschenfurt-miror")
    with pytest.raises(NoSuchGrade, match="expected an id from the list of grades"):
        order(session, pack, grade_id="???")
    assert order(session, pack, grade_id="Eschenfurt-Mirror").grade_id == "eschenfurt-mirror"
    assert session.scalar(select(func.count(Customer.id))) == 1
    assert len(acts(session)) == 1


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"use": "mirror"}, "use is 'mirror'; expected stock or cut_size"),
        ({"customer": "K" * 201}, "customer has 201 characters; expected at most 200"),
        ({"customer": "Kestrel\x07holm"}, "customer has signs that cannot be printed"),
    ],
)
def test_bad_words_in_an_order_are_refused(session, pack, given, says):
    with pytest.raises(BadValue, match=says):
        order(session, pack, **given)
    assert acts(session) == []


def test_a_pack_that_is_not_there(session):
    for act in (
        lambda: orders.set_order(session, BOOK, 99, customer=None, grade_id=None, use="stock", user_id=None),
        lambda: orders.ship_pack(session, 99, NOON, None, None),
        lambda: orders.take_back_shipping(session, 99, None, "why"),
    ):
        with pytest.raises(NoSuchRecord, match="pack number 99: there is no such pack"):
            act()


def test_a_pack_leaves_once_and_its_sheets_tell(session, pack, lead):
    left = datetime(2026, 3, 2, 15, 0, tzinfo=timezone(timedelta(hours=1)))
    orders.ship_pack(session, pack.id, left, "Tannbruch, hall 2", lead)
    orders.ship_pack(session, pack.id, left.astimezone(UTC), "Tannbruch, hall 2", lead)
    assert [name for name, _ in acts(session)] == ["pack.ship"]
    sheet = inspections.sheet_by_label(session, "A0")
    history = sheet_history(session, sheet.id)
    assert (history.sheet.shipped_at, history.sheet.destination) == (left, "Tannbruch, hall 2")
    assert [(act.action, act.who) for act in history.acts] == [("pack.ship", "Ilse Varnhagen")]
    with pytest.raises(
        NotAllowedNow, match=r"was shipped 2026-03-02 15:00\+01:00 to Tannbruch, hall 2; take"
    ):
        orders.ship_pack(session, pack.id, left + timedelta(days=1), "Tannbruch, hall 2", lead)
    with pytest.raises(NotAllowedNow, match="take the shipping back first"):
        orders.ship_pack(session, pack.id, left, "Ottervale", lead)


def test_a_destination_may_be_filled_in_later(session, pack):
    orders.ship_pack(session, pack.id, NOON + timedelta(hours=1), "  ", None)
    assert pack.destination is None
    orders.ship_pack(session, pack.id, NOON + timedelta(hours=1), "Ottervale", None)
    orders.ship_pack(session, pack.id, NOON + timedelta(hours=1), None, None)
    assert pack.destination == "Ottervale"
    assert len(acts(session)) == 2


def test_impossible_shipping_times_are_refused(session, pack):
    with pytest.raises(BadValue, match=r"lies before its sheet A30 was cut \(2026-03-02 12:30\+01:00\)"):
        orders.ship_pack(session, pack.id, NOON + timedelta(minutes=29), None, None)
    with pytest.raises(BadValue, match="is still to come"):
        orders.ship_pack(session, pack.id, utc_now() + timedelta(days=2), None, None)
    with pytest.raises(BadValue, match=r"shipping time: .* has no offset"):
        orders.ship_pack(session, pack.id, datetime(2026, 3, 3), None, None)
    orders.ship_pack(session, pack.id, NOON + timedelta(minutes=30), None, None)


def test_what_left_keeps_its_order_until_the_shipping_is_taken_back(session, pack, lead):
    orders.ship_pack(session, pack.id, NOON + timedelta(hours=3), "Ottervale", lead)
    order(session, pack, lead)  # nothing was known: it may be filled in
    for change in ({"customer": "Ottervale Mirrors"}, {"grade_id": "eschenfurt-garden"}, {"use": "stock"}):
        with pytest.raises(NotAllowedNow, match="take the shipping back first"):
            order(session, pack, lead, **change)
    with pytest.raises(BadValue, match="say why"):
        orders.take_back_shipping(session, pack.id, lead, "  ")
    orders.take_back_shipping(session, pack.id, lead, "came back: wrong pack loaded")
    assert (pack.shipped_at, pack.destination) == (None, None)
    name, told = acts(session)[-1]
    assert name == "pack.ship_back"
    assert (told["destination"], told["reason"]) == ("Ottervale", "came back: wrong pack loaded")
    with pytest.raises(NotAllowedNow, match="is in the yard"):
        orders.take_back_shipping(session, pack.id, lead, "again")
    order(session, pack, lead, customer="Ottervale Mirrors")
    assert list(audit.verify(session)) == []


def test_verdicts_by_another_grade_are_counted(session, pack, lead):
    sheet = inspections.sheet_by_label(session, "A0")
    inspections.take_sheet(session, sheet.id, lead)
    inspections.set_grade(session, BOOK, sheet.id, "eschenfurt-garden", lead)
    inspections.finish_sheet(session, BOOK, sheet.id, lead)
    assert orders.judged_otherwise(session, pack) == 0
    order(session, pack, lead)
    assert orders.judged_otherwise(session, pack) == 1


def test_two_people_who_type_a_new_customer_at_once_make_one(sessions):
    with sessions.begin() as session:
        numbers = [factories.make_pack(session, grade_id=None).id for _ in range(6)]

    def act(number: int, name: str) -> None:
        with sessions.begin() as session:
            orders.set_order(session, BOOK, number, customer=name, grade_id=None, use="stock", user_id=None)

    names = [KESTREL, KESTREL.upper(), KESTREL.lower()] * 2
    with ThreadPoolExecutor(len(numbers)) as people:
        list(people.map(act, numbers, names))  # raises what one of them raised
    with sessions() as session:
        assert session.scalar(select(func.count(Customer.id))) == 1
        assert session.scalar(select(func.count(Pack.id)).where(Pack.customer_id.is_not(None))) == 6
        assert list(audit.verify(session)) == []
