"""One defect with its sheet, its photo and the times of its glass."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from models.defect_detail import defect_detail
from models.errors import NoSuchRecord
from tests import factories


def test_a_defect_from_a_photo_knows_where_it_is_seen(session: Session) -> None:
    line = factories.make_line(session)
    customer = factories.make_customer(session, name="Morgenried Windows")
    pack = factories.make_pack(session, customer_id=customer.id, shipped_at=factories.START)
    sheet = factories.make_finished_sheet(session, line.id, 100.0, pack_id=pack.id)
    factories.make_verdict(session, sheet, "reject")
    photo = factories.make_photo(session, sheet)
    find = factories.make_find(session, photo, 3, path_px=[[1, 2], [30, 40]])
    ilse = factories.make_user(session, full_name="Ilse Varnhagen")
    made = factories.make_defect(
        session, sheet, 50.0, 60.0, find_id=find.id, recorded_by=ilse.id, note="wiped twice"
    )
    detail = defect_detail(session, made.id)
    assert (detail.label, detail.customer, detail.outcome) == (sheet.label, "Morgenried Windows", "reject")
    assert (detail.recorded_by, detail.note) == ("Ilse Varnhagen", "wiped twice")
    assert detail.photo is not None
    assert (detail.photo.photo_id, detail.photo.label) == (photo.id, "1-3")
    assert detail.photo.path_px == ((1.0, 2.0), (30.0, 40.0))


def test_a_defect_added_by_hand_has_no_photo_and_one_without_place_no_times(session: Session) -> None:
    line = factories.make_line(session)
    factories.make_layout(session, line.id, bath_outlet=100.0)
    factories.make_line_log(session, line.id, factories.START - timedelta(hours=20), 10.0)
    sheet = factories.make_finished_sheet(session, line.id, 100.0)
    placed = defect_detail(session, factories.make_defect(session, sheet, 1.0, 1.0, source="hand").id)
    lost = defect_detail(session, factories.make_defect(session, sheet, None, None).id)
    assert placed.photo is None
    assert {time.station for time in placed.times} == {"inspection", "bath_exit"}
    assert lost.times == ()


def test_a_photo_that_could_not_be_read_gives_no_place_in_it(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0)
    find = factories.make_find(
        session, factories.make_photo(session, sheet, width_px=None, height_px=None), 1
    )
    assert (
        defect_detail(session, factories.make_defect(session, sheet, 1.0, 1.0, find_id=find.id).id).photo
        is None
    )


def test_a_number_that_does_not_exist_is_named(session: Session) -> None:
    with pytest.raises(NoSuchRecord, match="defect 4711: there is no such defect"):
        defect_detail(session, 4711)
