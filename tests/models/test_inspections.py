"""A sheet's way through the booth: taking, photos, finds and the inspector's word."""

import threading

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from models import inspections, jobs
from models.errors import BadValue, NoSuchRecord, NoSuchSheet, NotAllowedNow
from models.inspections import DefectValues
from models.records import Defect, Find, FindDecision, Job, Photo
from models.store import PhotoStore
from tests.booth import PHOTO, Booth
from tests.factories import (
    find_dict,
    inspection_dict,
    make_line,
    make_sheet,
    make_user,
)


@pytest.fixture
def booth(session: Session, store: PhotoStore) -> Booth:
    return Booth(session, store)


# -- taking ---------------------------------------------------------------------------------------------


def test_sheets_come_in_the_order_of_the_ribbon(session: Session, booth: Booth):
    ahead = make_sheet(session, booth.line, ribbon_start_m=10.0)
    assert inspections.next_sheet(session, booth.line.id).id == ahead.id
    assert inspections.take_next(session, booth.line.id, booth.user).id == ahead.id
    other = make_user(session).id
    assert inspections.take_next(session, booth.line.id, other).id == booth.sheet.id
    assert inspections.take_next(session, booth.line.id, other).id == booth.sheet.id
    assert inspections.next_sheet(session, booth.line.id) is None


def test_two_inspectors_who_ask_at_once_get_two_sheets(sessions: sessionmaker[Session], store: PhotoStore):
    with sessions() as session:
        line = make_line(session)
        users = [make_user(session).id for _ in range(4)]
        for _ in range(4):
            make_sheet(session, line)
        session.commit()
    taken, failures = [], []

    def take(user: int) -> None:
        try:
            with sessions.begin() as session:
                taken.append(inspections.take_next(session, line.id, user).id)
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=take, args=(user,)) for user in users]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(set(taken)) == 4


@pytest.mark.parametrize("text", ["l1-4711", " L1-4711 ", "L1-4711"])
def test_a_label_is_found_as_typed_or_scanned(session: Session, booth: Booth, text):
    sheet = make_sheet(session, booth.line, label="L1-4711")
    assert inspections.sheet_by_label(session, text).id == sheet.id


@pytest.mark.parametrize("text", ["L1-9999", "", "   ", "'; DROP TABLE sheet; --", "\u0130", "x" * 5000])
def test_a_label_that_does_not_exist_is_a_sentence(session: Session, booth: Booth, text):
    with pytest.raises(NoSuchSheet, match=r"no sheet carries this label|no label given"):
        inspections.sheet_by_label(session, text)


def test_giving_back_taking_over_and_passing_by(session: Session, booth: Booth):
    inspections.take_sheet(session, booth.sheet.id, booth.user)
    inspections.take_sheet(session, booth.sheet.id, make_user(session).id)
    inspections.give_back(session, booth.sheet.id, booth.user)
    assert booth.sheet.state == "waiting"
    inspections.pass_by(session, booth.sheet.id, booth.user)
    assert booth.sheet.state == "passed_by"
    assert booth.actions() == ["sheet.take", "sheet.take_over", "sheet.give_back", "sheet.pass_by"]
    with pytest.raises(NotAllowedNow, match="only a waiting sheet can pass by"):
        inspections.pass_by(session, booth.sheet.id, booth.user)


# -- photos ---------------------------------------------------------------------------------------------


def test_a_photo_its_job_and_its_entry_come_together_or_not_at_all(session: Session, booth: Booth):
    inspections.add_photo(session, booth.store, booth.sheet.id, PHOTO, "C:\\dcim\\a.jpg", None, booth.user)
    session.rollback()
    assert session.scalar(select(func.count()).select_from(Photo)) == 0
    assert session.scalar(select(func.count()).select_from(Job)) == 0
    photo = inspections.add_photo(
        session, booth.store, booth.sheet.id, PHOTO, "C:\\dcim\\a.jpg", None, booth.user
    )
    session.commit()
    assert photo.name == "a.jpg"
    assert booth.store.read(photo.sha256) == PHOTO
    assert jobs.claim(session, "w1", [inspections.INSPECT_JOB]).photo_id == photo.id
    assert booth.actions() == ["sheet.take", "photo.add"]


def test_the_same_photo_twice_is_one(session: Session, booth: Booth):
    first = booth.photo()
    again = inspections.add_photo(
        session, booth.store, booth.sheet.id, PHOTO, "other-name.jpg", {"lighting": "dark_field"}, booth.user
    )
    assert again.id == first.id
    assert session.scalar(select(func.count()).select_from(Job)) == 1


def test_the_same_photo_on_two_sheets_is_two_photos_and_one_file(session: Session, booth: Booth):
    first = booth.photo()
    other = make_sheet(session, booth.line)
    second = inspections.add_photo(session, booth.store, other.id, PHOTO, "a.jpg", None, booth.user)
    assert first.id != second.id
    assert list(booth.store.hashes()) == [first.sha256]


def test_sent_again_with_another_setup_it_is_inspected_again(session: Session, booth: Booth):
    photo = booth.photo(find_dict())
    inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    again = inspections.add_photo(
        session, booth.store, booth.sheet.id, PHOTO, "a.jpg", {"lighting": "bright_field"}, booth.user
    )
    assert (again.id, again.state) == (photo.id, "waiting")
    inspections.record_inspection(
        session, photo.id, inspection_dict(find_dict(x_mm=500.4), find_dict(2, x_mm=900))
    )
    views = booth.finds()
    assert [view.decision for view in views] == ["confirmed", "undecided"]
    assert len(inspections.defects_of(session, booth.sheet.id)) == 1
    assert session.scalar(select(func.count()).select_from(Find)) == 3


@pytest.mark.parametrize("name", ["", "///", "\x00\x01", "é" * 500])
def test_odd_file_names_are_tamed(session: Session, booth: Booth, name):
    photo = inspections.add_photo(session, booth.store, booth.sheet.id, PHOTO, name, None, booth.user)
    assert 0 < len(photo.name) <= 200
    assert photo.name.isprintable()


def test_an_empty_file_is_refused_and_nothing_is_stored(session: Session, booth: Booth):
    with pytest.raises(BadValue, match=r"photo a.jpg: is empty \(0 bytes\); nothing was stored"):
        inspections.add_photo(session, booth.store, booth.sheet.id, b"", "a.jpg", None, booth.user)
    assert list(booth.store.hashes()) == []


def test_a_photo_that_cannot_be_inspected_says_why(session: Session, booth: Booth):
    photo = booth.photo()
    inspections.record_failure(session, photo.id, "photo.jpg: is out of focus")
    assert (photo.state, photo.message) == ("failed", "photo.jpg: is out of focus")
    with pytest.raises(NoSuchRecord, match="photo number 9999"):
        inspections.record_inspection(session, 9999, inspection_dict())


# -- finds and defects ----------------------------------------------------------------------------------


def test_confirming_puts_the_defect_on_the_ribbon(session: Session, booth: Booth):
    booth.photo(find_dict(x_mm=500.0, y_mm=400.0))
    defect = inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    assert defect.ribbon_m == pytest.approx(booth.sheet.ribbon_start_m + 0.4)
    assert defect.ribbon_x_mm == pytest.approx(150.0 + 500.0)
    assert (defect.kind, defect.length_mm, defect.source) == ("bubble", 0.9, "photo")
    assert (defect.number, defect.current, defect.recorded_by) == (1, True, booth.user)
    assert booth.finds()[0].defect.id == defect.id


def test_a_correction_adds_a_revision_and_overwrites_nothing(session: Session, booth: Booth):
    booth.photo(find_dict())
    find_id = booth.finds()[0].find.id
    first = inspections.confirm_find(session, find_id, booth.user)
    second = inspections.change_find(session, find_id, booth.user, kind="Stone", length_mm=1.4)
    third = inspections.change_defect(session, first.id, booth.user, note=" from the crown? ")
    assert [
        (d.kind, d.length_mm, d.current) for d in inspections.revisions_of(session, booth.sheet.id, 1)
    ] == [
        ("bubble", 0.9, False),
        ("stone", 1.4, False),
        ("stone", 1.4, True),
    ]
    assert (second.supersedes_id, third.supersedes_id) == (first.id, second.id)
    assert third.note == "from the crown?"
    assert first.length_sd_mm == 0.03
    assert second.length_sd_mm is None
    find = session.get_one(Find, find_id)
    assert (find.kind, find.length_mm) == ("bubble", 0.9)


def test_dismissing_withdraws_and_confirming_again_brings_it_back(session: Session, booth: Booth):
    booth.photo(find_dict())
    find_id = booth.finds()[0].find.id
    inspections.confirm_find(session, find_id, booth.user)
    inspections.dismiss_find(session, find_id, booth.user, "dust, wiped off")
    assert inspections.defects_of(session, booth.sheet.id) == []
    assert booth.finds()[0].decision == "dismissed"
    inspections.dismiss_find(session, find_id, booth.user)
    back = inspections.confirm_find(session, find_id, booth.user)
    assert (back.number, back.current) == (1, True)
    revisions = inspections.revisions_of(session, booth.sheet.id, 1)
    assert [(d.withdrawn, d.current) for d in revisions] == [(False, False), (True, False), (False, True)]
    words = session.scalars(select(FindDecision).order_by(FindDecision.id)).all()
    assert [(w.decision, w.current) for w in words] == [
        ("confirmed", False),
        ("dismissed", False),
        ("confirmed", True),
    ]


def test_a_spot_in_two_overlapping_photos_counts_once(session: Session, booth: Booth):
    booth.photo(find_dict())
    booth.photo(find_dict(x_mm=500.9, y_mm=400.6, length_mm=1.0), find_dict(2, x_mm=700), data=b"second")
    views = booth.finds()
    assert [view.undecided for view in views] == [True, False, True]
    assert views[1].same_as_id == views[0].find.id
    inspections.confirm_find(session, views[1].find.id, booth.user)
    inspections.confirm_find(session, views[0].find.id, booth.user)
    assert len(inspections.defects_of(session, booth.sheet.id)) == 1
    assert [view.decision for view in booth.finds()] == ["confirmed", "confirmed", "undecided"]
    inspections.dismiss_find(session, views[0].find.id, booth.user)
    assert inspections.defects_of(session, booth.sheet.id) == []


def test_dust_in_one_photo_does_not_hide_a_bubble_in_another(session: Session, booth: Booth):
    booth.photo(find_dict(not_glass="dust"))
    booth.photo(find_dict(), data=b"second")
    assert [view.undecided for view in booth.finds()] == [False, True]


def test_the_best_measurement_of_a_spot_is_taken(session: Session, booth: Booth):
    booth.photo(find_dict(length_mm=None, width_mm=None, length_sd_mm=None), smallest_sized_mm=1.6)
    booth.photo(find_dict(x_mm=500.2, length_mm=0.8, length_sd_mm=0.02), data=b"close-up")
    booth.photo(find_dict(x_mm=500.1, length_mm=1.0, length_sd_mm=0.2), data=b"not so close")
    first = booth.finds()[0]
    assert (first.undecided, first.best.length_mm) == (True, 0.8)
    assert inspections.confirm_find(session, first.find.id, booth.user).length_mm == 0.8


def test_a_defect_by_hand_can_be_changed_and_withdrawn(session: Session, booth: Booth):
    values = DefectValues(
        kind="scratch", x_mm=100.0, y_mm=1999.5, length_mm=40.0, detection_distance_mm=2000.0
    )
    defect = inspections.add_defect(session, booth.sheet.id, booth.user, values)
    changed = inspections.change_defect(session, defect.id, booth.user, length_mm=55.0)
    assert (changed.number, changed.source, changed.detection_distance_mm) == (1, "hand", 2000.0)
    gone = inspections.withdraw_defect(session, defect.id, booth.user, "was on the wrong sheet")
    assert (gone.withdrawn, gone.current) == (True, False)
    assert inspections.withdraw_defect(session, defect.id, booth.user).id == gone.id
    with pytest.raises(NotAllowedNow, match="defect 1 was withdrawn"):
        inspections.change_defect(session, defect.id, booth.user, length_mm=1.0)
    assert booth.actions()[1:] == ["defect.add", "defect.change", "defect.withdraw"]


def test_withdrawing_a_defect_of_a_find_dismisses_the_find(session: Session, booth: Booth):
    booth.photo(find_dict())
    defect = inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    inspections.withdraw_defect(session, defect.id, booth.user)
    assert booth.finds()[0].decision == "dismissed"


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"kind": "wart"}, "kind 'wart' is unknown"),
        ({"x_mm": 3011.0}, "x_mm is 3011; expected a place on the sheet, 0 to 3000 mm"),
        ({"y_mm": -11.0}, "y_mm is -11; expected a place on the sheet, 0 to 2000 mm"),
        ({"x_mm": float("nan")}, "x_mm is nan"),
        ({"x_mm": None}, "expected both x_mm and y_mm, or neither"),
        ({"length_mm": 0.0}, "length_mm is 0.0; expected a size above 0 mm"),
        ({"length_mm": float("inf")}, "length_mm is inf"),
        ({"width_mm": -1.0}, "width_mm is -1.0"),
    ],
)
def test_values_that_cannot_be_right_are_refused(session: Session, booth: Booth, values, message):
    given = {"kind": "bubble", "x_mm": 1.0, "y_mm": 1.0, "length_mm": 0.5} | values
    with pytest.raises(BadValue, match=message):
        inspections.add_defect(session, booth.sheet.id, booth.user, DefectValues(**given))
    assert session.scalar(select(func.count()).select_from(Defect)) == 0


def test_what_lies_a_little_over_the_edge_is_put_on_it(session: Session, booth: Booth):
    values = DefectValues(kind="bubble", x_mm=3004.0, y_mm=-3.0, length_mm=0.5)
    defect = inspections.add_defect(session, booth.sheet.id, booth.user, values)
    assert (defect.x_mm, defect.y_mm) == (3000.0, 0.0)


def test_only_what_a_defect_says_can_be_changed(session: Session, booth: Booth):
    booth.photo(find_dict())
    with pytest.raises(BadValue, match="'current' cannot be changed; expected one of angle_deg"):
        inspections.change_find(session, booth.finds()[0].find.id, booth.user, current=False)
