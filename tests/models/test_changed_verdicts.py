"""Sheets whose verdict would now differ: as judging again says it, shipped ones first, in bounded parts."""

from datetime import timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from models import inspections
from models.changed_verdicts import all_changes, changes_page
from models.clock import utc_now
from models.errors import BadValue
from models.grade_books import retire_plant_grade, save_plant_grade
from models.grades import load_sets
from models.inspections import DefectValues
from models.records import Defect, Sheet, Verdict
from models.sheet.looked import LookStatement
from models.store import PhotoStore
from tests import factories
from tests.booth import Booth
from tests.factories import find_dict

BOOK = load_sets()
LONG_AGO = factories.START - timedelta(days=3650)
#: bubbles from `size` on are not allowed
RULES = """
standard = "own"
edition = "1"
version = "{version}"
source = "test"

[area]
decimals = 2
rounding = "half_even"

[[grade]]
id = "own-changing"
title = "Own changing grade"

[[grade.rule]]
name = "bubbles"
shape = "classes"
clause = "1"
kinds = ["bubble"]
product = "floor"
classes = [{{ size = "[0, {size})", allow = "not counted" }}, {{ size = "[{size}, inf)", allow = "none" }}]
"""


@pytest.fixture
def booth(session: Session, store: PhotoStore) -> Booth:
    save_plant_grade(session, BOOK, RULES.format(version="1", size=2), None)
    booth = Booth(session, store)
    booth.line.grade_id = "own-changing"
    return booth


def finished(booth: Booth, length_mm: float | None = None, *, photo: bool = False) -> Sheet:
    """A sheet with a verdict: looked over by eye or photographed, with a bubble of this size."""
    session = booth.session
    booth.sheet = factories.make_sheet(session, booth.line)
    if photo:
        finds = [] if length_mm is None else [find_dict(length_mm=length_mm, width_mm=0.5)]
        booth.photo(*finds, data=booth.sheet.label.encode())
    else:
        look = LookStatement(way="eye", smallest_mm=0.3)
        inspections.add_look(session, booth.sheet.id, booth.user, look)
        if length_mm is not None:
            values = DefectValues("bubble", 500.0, 500.0, length_mm, 0.5)
            inspections.add_defect(session, booth.sheet.id, booth.user, values)
    inspections.finish_sheet(session, BOOK, booth.sheet.id, booth.user, confirm_undecided=True)
    return booth.sheet


def stricter(session: Session) -> None:
    save_plant_grade(session, BOOK, RULES.format(version="2", size=1), None)


def test_the_same_rules_change_nothing(session: Session, booth: Booth) -> None:
    for length in (None, 1.5, 3.0):
        finished(booth, length)
        finished(booth, length, photo=True)
    assert list(all_changes(session, BOOK, since=LONG_AGO)) == []
    page = changes_page(session, BOOK, since=LONG_AGO)
    assert (page.changed, page.sheets, page.all_sheets, page.go_on) == ((), 6, 6, None)


def test_a_stricter_rule_names_the_sheets_that_fail_now_with_the_reason(
    session: Session, booth: Booth
) -> None:
    finished(booth)
    by_eye = finished(booth, 1.5)
    by_photo = finished(booth, 1.5, photo=True)
    finished(booth, 3.0)
    stricter(session)
    changed = list(all_changes(session, BOOK, since=LONG_AGO))
    assert [one.sheet_id for one in changed] == [by_photo.id, by_eye.id]
    first = changed[0]
    assert (first.before, first.after, first.place) == ("accept", "reject", "loose")
    assert (first.before_grade, first.after_grade) == ("Own changing grade",) * 2
    assert first.reason.startswith("1: ")
    assert session.scalars(select(Verdict.id).where(Verdict.rule_set_version == "2")).all() == []


def test_judging_again_gives_what_the_list_says_and_takes_the_sheet_off(
    session: Session, booth: Booth
) -> None:
    sheets = [finished(booth, 1.5, photo=photo) for photo in (True, False)]
    unseen = factories.make_finished_sheet(session, booth.line.id, 90.0, state="recorded")
    factories.make_defect(session, unseen, 100.0, 100.0, length_mm=1.5, number=1)
    factories.make_verdict(
        session, unseen, grade_id="own-changing", decided_at=utc_now(),
        coverage={"covered_fraction": None, "smallest_sized_mm": None, "missing": [], "by": "eye"},
        sheet_as_judged={"width_mm": 3210, "length_mm": 6000, "thickness_mm": 4.0, "use": "stock"},
    )  # fmt: skip
    stricter(session)
    said = {one.sheet_id: one.after for one in all_changes(session, BOOK, since=LONG_AGO)}
    assert set(said) == {unseen.id, *(sheet.id for sheet in sheets)}
    for sheet_id, outcome in said.items():
        _, new = inspections.judge_again(session, BOOK, sheet_id, booth.user)
        assert new.outcome == outcome
    assert list(all_changes(session, BOOK, since=LONG_AGO)) == []


def test_records_that_changed_count_as_they_stand(session: Session, booth: Booth) -> None:
    sheet = finished(booth, 3.0)
    assert inspections.current_verdict(session, sheet.id).outcome == "reject"
    for defect in session.scalars(select(Defect).where(Defect.sheet_id == sheet.id)):
        defect.current = False
    (changed,) = all_changes(session, BOOK, since=LONG_AGO)
    assert (changed.before, changed.after, changed.reason) == ("reject", "accept", "every rule is met")


def test_shipped_ones_come_first_then_the_yard_then_loose(session: Session, booth: Booth) -> None:
    loose, yard, shipped = (finished(booth, 1.5) for _ in range(3))
    customer = factories.make_customer(session, name="Kestrelholm Facades")
    order = {"grade_id": "own-changing", "customer_id": customer.id}
    yard.pack_id = factories.make_pack(session, label="P-YARD", **order).id
    gone = factories.make_pack(session, label="P-GONE", shipped_at=factories.START, **order)
    shipped.pack_id = gone.id
    stricter(session)
    changed = list(all_changes(session, BOOK, since=LONG_AGO))
    assert [(one.sheet_id, one.place, one.pack) for one in changed] == [
        (shipped.id, "shipped", "P-GONE"),
        (yard.id, "yard", "P-YARD"),
        (loose.id, "loose", None),
    ]
    assert (changed[0].customer, changed[0].shipped_at) == ("Kestrelholm Facades", factories.START)


def test_parts_follow_each_other_without_gap_or_repeat(session: Session, booth: Booth) -> None:
    sheets = [finished(booth, 1.5) for _ in range(5)]
    sheets[0].pack_id = factories.make_pack(session, grade_id="own-changing", shipped_at=factories.START).id
    stricter(session)
    found, at, counts = [], "", []
    while True:
        page = changes_page(session, BOOK, since=LONG_AGO, go_on=at, most_changed=2)
        found += [one.sheet_id for one in page.changed]
        counts.append(page.sheets)
        if page.go_on is None:
            break
        at = page.go_on
    assert found == [one.sheet_id for one in all_changes(session, BOOK, since=LONG_AGO)]
    assert (len(found), counts) == (5, [2, 4, 5])
    slow = changes_page(session, BOOK, since=LONG_AGO, most_s=0.0)
    assert (len(slow.changed), slow.sheets) == (1, 1)
    assert slow.go_on is not None
    with pytest.raises(BadValue, match="'x-1' is none"):
        changes_page(session, BOOK, since=LONG_AGO, go_on="x-1")
    with pytest.raises(BadValue, match="begin the list anew"):
        changes_page(session, BOOK, since=LONG_AGO, go_on="3-1-1")


def test_a_sheet_downgraded_and_packed_for_that_grade_is_the_same(session: Session, booth: Booth) -> None:
    sheet = factories.make_finished_sheet(session, booth.line.id, 60.0, state="recorded")
    pack = factories.make_pack(session, grade_id="eschenfurt-garden")
    sheet.pack_id = pack.id
    whole = {"covered_fraction": None, "smallest_sized_mm": None, "missing": []}
    factories.make_verdict(
        session, sheet, "downgrade", downgrade_to="eschenfurt-garden", decided_at=utc_now(), coverage=whole
    )
    assert list(all_changes(session, BOOK, since=LONG_AGO)) == []
    pack.grade_id = "eschenfurt-window"
    (changed,) = all_changes(session, BOOK, since=LONG_AGO)
    assert (changed.before_downgrade, changed.after, changed.after_grade) == (
        BOOK.grade("eschenfurt-garden").title,
        "accept",
        BOOK.grade("eschenfurt-window").title,
    )


def test_what_can_no_longer_be_judged_is_listed_with_why(session: Session, booth: Booth) -> None:
    sheet = finished(booth)
    retire_plant_grade(session, "own-changing", None)
    (changed,) = all_changes(session, BOOK, since=LONG_AGO)
    assert (changed.sheet_id, changed.after, changed.after_grade) == (sheet.id, None, None)
    assert changed.reason.startswith("no grade is called 'own-changing'")
    assert changed.before_grade == "Own changing grade"


def test_sheets_in_work_and_older_verdicts_are_left_out(session: Session, booth: Booth) -> None:
    sheet = finished(booth, 1.5)
    stricter(session)
    assert list(all_changes(session, BOOK, since=utc_now() + timedelta(seconds=1))) == []
    inspections.reopen_sheet(session, sheet.id, booth.user, "once more")
    assert list(all_changes(session, BOOK, since=LONG_AGO)) == []
    assert changes_page(session, BOOK, since=LONG_AGO).all_sheets == 0
