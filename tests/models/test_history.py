"""A sheet's history: everything on record, in order, with who and when."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from models import audit
from models.errors import NoSuchSheet
from models.history import sheet_history, sheet_id_of
from tests import factories


def test_a_sheet_that_does_not_exist_is_named(session: Session) -> None:
    with pytest.raises(NoSuchSheet, match="sheet number 99"):
        sheet_history(session, 99)
    with pytest.raises(NoSuchSheet, match="'E0000042': no sheet carries this label"):
        sheet_id_of(session, " E0000042 ")


def test_a_label_is_found_in_either_letter_case(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0, label="EABC")
    assert sheet_id_of(session, " eabc") == sheet_id_of(session, "EABC") == sheet.id


def test_a_bare_sheet_has_an_empty_history(session: Session) -> None:
    sheet = factories.make_finished_sheet(
        session, factories.make_line(session).id, 0.0, state="waiting", inspected_at=None
    )
    found = sheet_history(session, sheet.id)
    assert (found.photos, found.defects, found.verdicts, found.neighbours) == ((), (), (), ())
    assert (found.times, found.claims, found.acts) == ((), (), ())
    assert found.verdict is None
    assert (found.sheet.pack, found.sheet.customer, found.sheet.inspected_by) == (None, None, None)


def test_finds_carry_every_decision_and_defects_every_revision(session: Session) -> None:
    ilse = factories.make_user(session, full_name="Ilse Varnhagen")
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0, inspected_by=ilse.id)
    photo = factories.make_photo(session, sheet, added_by=ilse.id, run=2)
    factories.make_find(session, photo, 1, run=1)
    find = factories.make_find(session, photo, 1)
    dust = factories.make_find(session, photo, 2, not_glass="dust")
    old = factories.make_defect(
        session, sheet, 201.0, 300.0, number=1, find_id=find.id, current=False, recorded_by=ilse.id
    )
    new = factories.make_defect(
        session,
        sheet,
        201.0,
        300.0,
        number=1,
        find_id=find.id,
        kind="stone",
        supersedes_id=old.id,
        note="opaque core",
    )
    first = factories.make_decision(
        session, find, "confirmed", defect_id=old.id, current=False, decided_by=ilse.id
    )
    factories.make_decision(
        session, find, "changed", defect_id=new.id, supersedes_id=first.id, reason="stone"
    )
    factories.make_decision(session, dust, "dismissed", reason="wiped off")

    found = sheet_history(session, sheet.id)
    assert found.sheet.inspected_by == "Ilse Varnhagen"
    (seen,) = found.photos
    assert (seen.earlier_runs, seen.added_by, [f.number for f in seen.finds]) == (1, "Ilse Varnhagen", [1, 2])
    assert [d.decision for d in seen.finds[0].decisions] == ["confirmed", "changed"]
    decision = seen.finds[0].decision
    assert decision is not None
    assert (decision.decision, decision.defect_number, decision.reason) == ("changed", 1, "stone")
    (defect,) = found.defects
    assert [r.kind for r in defect.revisions] == ["bubble", "stone"]
    assert defect.revisions[0].recorded_by == "Ilse Varnhagen"
    assert [(number, r.kind) for number, r in found.counted] == [(1, "stone")]


def test_a_withdrawn_defect_stays_in_the_history_and_counts_no_more(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0)
    old = factories.make_defect(session, sheet, 1.0, 1.0, number=1, current=False)
    factories.make_defect(
        session, sheet, 1.0, 1.0, number=1, supersedes_id=old.id, withdrawn=True, current=False
    )
    (defect,) = sheet_history(session, sheet.id).defects
    assert defect.current is None
    assert defect.last.withdrawn


def test_the_verdict_that_holds_is_told_from_the_earlier_one(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0)
    factories.make_verdict(session, sheet, "accept", current=False)
    factories.make_verdict(
        session, sheet, "downgrade", downgrade_to="eschenfurt-garden", rule_set_version="2026-02"
    )
    found = sheet_history(session, sheet.id)
    assert [v.outcome for v in found.verdicts] == ["accept", "downgrade"]
    assert found.verdict is not None
    assert (found.verdict.outcome, found.verdict.rule_set_version) == ("downgrade", "2026-02")
    assert found.verdict.reasons[0]["clause"] == "3.1"


def test_neighbours_are_those_before_after_and_beside_with_where_they_went(session: Session) -> None:
    line = factories.make_line(session)
    factories.make_finished_sheet(session, factories.make_line(session).id, 24.0)
    customer = factories.make_customer(session, name="Ottervale Mirrors")
    shipped = factories.START + timedelta(days=3)
    pack = factories.make_pack(session, customer_id=customer.id, shipped_at=shipped, destination="Ottervale")
    half = {"width_mm": 1600.0}
    left = {n: factories.make_finished_sheet(session, line.id, 6.0 * n, **half) for n in range(10)}
    right = factories.make_finished_sheet(session, line.id, 30.0, x_left_mm=1745.0, pack_id=pack.id, **half)
    factories.make_verdict(session, right, "accept")
    factories.make_defect(session, right, 5.0, 5.0)

    found = sheet_history(session, left[5].id).neighbours
    assert [(n.label, n.relation) for n in found] == [
        *((left[n].label, "before") for n in (2, 3, 4)),
        (right.label, "beside"),
        *((left[n].label, "after") for n in (6, 7, 8)),
    ]
    beside = found[3]
    assert (beside.customer, beside.shipped_at, beside.destination) == (
        "Ottervale Mirrors",
        shipped,
        "Ottervale",
    )
    assert (beside.outcome, beside.defects, beside.gap_m) == ("accept", 1, 0.0)


def test_a_gap_in_the_ribbon_is_measured(session: Session) -> None:
    line = factories.make_line(session)
    sheet = factories.make_finished_sheet(session, line.id, 0.0)
    factories.make_finished_sheet(session, line.id, 18.0)
    (after,) = sheet_history(session, sheet.id).neighbours
    assert (after.relation, after.gap_m) == ("after", pytest.approx(12.0))


def test_glass_times_follow_the_line_log_through_a_change_of_speed(session: Session) -> None:
    """100 m at 10 m/min for 5 min, then 20 m/min: 7.5 min, neither 5 nor 10 (worked by hand)."""
    line = factories.make_line(session)
    factories.make_layout(session, line.id, cutter=0.0, bath_outlet=100.0)
    seen = factories.START + timedelta(hours=20)
    factories.make_line_log(session, line.id, seen - timedelta(hours=19), 10.0)
    factories.make_line_log(session, line.id, seen - timedelta(minutes=2.5), 20.0)
    sheet = factories.make_finished_sheet(session, line.id, 1000.0, length_mm=0.0, cut_at=seen)
    times = {t.station: t.at for t in sheet_history(session, sheet.id).times}
    assert times["cutting"] == seen
    assert (seen - times["bath_exit"]).total_seconds() == pytest.approx(450.0)
    assert "bath_entry" not in times


def test_the_cutting_stamp_is_that_of_the_leading_edge_at_the_cutter(session: Session) -> None:
    """Cutter 20 m downstream at 10 m/min: seen 2 min before it is cut, out of the bath 10 min earlier."""
    line = factories.make_line(session)
    factories.make_layout(session, line.id, cutter=-20.0, inspection=0.0, bath_outlet=100.0)
    factories.make_line_log(session, line.id, factories.START, 10.0)
    cut = factories.START + timedelta(hours=20)
    sheet = factories.make_finished_sheet(session, line.id, 1000.0, length_mm=0.0, cut_at=cut)
    before = {t.station: (cut - t.at).total_seconds() for t in sheet_history(session, sheet.id).times}
    assert before == pytest.approx({"cutting": 0.0, "inspection": 120.0, "bath_exit": 720.0})


def test_claims_on_the_sheet_and_on_its_pack_are_both_shown(session: Session) -> None:
    pack = factories.make_pack(session)
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0, pack_id=pack.id)
    factories.make_claim(session, sheet_id=sheet.id)
    factories.make_claim(session, pack_id=pack.id, state="answered", answer="Within the grade.")
    factories.make_claim(session)
    found = sheet_history(session, sheet.id).claims
    assert [(c.about, c.answer) for c in found] == [("this sheet", None), ("its pack", "Within the grade.")]


def test_the_acts_about_a_sheet_come_from_the_chain(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0)
    ilse = factories.make_user(session, full_name="Ilse Varnhagen")
    audit.append(
        session, "photo.add", "photo", 1, user_id=ilse.id, sheet_id=sheet.id, details={"name": "a.jpg"}
    )
    audit.append(session, "user.add", "user", 1, user_id=None)
    session.flush()
    (act,) = sheet_history(session, sheet.id).acts
    assert (act.action, act.who, act.details) == ("photo.add", "Ilse Varnhagen", {"name": "a.jpg"})
