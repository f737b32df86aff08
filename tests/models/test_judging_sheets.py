"""Judging and finishing a sheet: the live verdict, the one that is kept, and what holds it off."""

import threading

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from models import audit, inspections
from models.errors import NotAllowedNow
from models.grades import GradeBook, load_sets
from models.records import Defect, Sheet, Verdict
from models.store import PhotoStore
from tests.booth import PHOTO, Booth
from tests.factories import (
    find_dict,
    make_pack,
    make_sheet,
    make_shift,
)


@pytest.fixture(scope="module")
def book() -> GradeBook:
    return load_sets()


@pytest.fixture
def booth(session: Session, store: PhotoStore) -> Booth:
    return Booth(session, store)


def test_the_live_verdict_changes_with_each_word(session: Session, booth: Booth, book: GradeBook):
    booth.photo(find_dict(length_mm=5.0, length_sd_mm=0.1), find_dict(2, x_mm=1500, length_mm=0.6))
    assert inspections.judge_sheet(session, book, booth.sheet.id).decision.outcome in ("reject", "downgrade")
    inspections.dismiss_find(session, booth.finds()[0].find.id, booth.user)
    judged = inspections.judge_sheet(session, book, booth.sheet.id)
    assert judged.decision.outcome == "accept"
    assert judged.sheet.defects[0].ref == {"find": booth.finds()[1].find.id, "number": 2}
    assert session.scalar(select(func.count()).select_from(Verdict)) == 0


def test_without_photos_nothing_is_judged(session: Session, booth: Booth, book: GradeBook):
    judged = inspections.judge_sheet(session, book, booth.sheet.id)
    assert judged.decision.outcome == "not_judged"
    assert judged.coverage.missing[0].startswith("no photo of this sheet has a scale")


def test_a_find_without_scale_is_not_judged_away(session: Session, booth: Booth, book: GradeBook):
    booth.photo()
    unsized = find_dict(x_mm=None, y_mm=None, length_mm=None, width_mm=None)
    booth.photo(unsized, data=b"second", scale=None, smallest_sized_mm=None, covered_mm=None)
    assert inspections.judge_sheet(session, book, booth.sheet.id).decision.outcome == "not_judged"
    defect = inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    assert (defect.ribbon_m, defect.length_mm) == (None, None)
    assert inspections.judge_sheet(session, book, booth.sheet.id).decision.outcome == "not_judged"


def test_a_find_too_small_for_the_overview_needs_a_size(session: Session, booth: Booth, book: GradeBook):
    """In the fine photo "not sized" means below 0.3 mm; in a coarse one it may be up to 1.6 mm, which this
    grade allows once whatever the size up to that, or up to 3.5 mm, which it does not.
    """
    unsized = {"length_mm": None, "width_mm": None, "length_sd_mm": None}
    booth.photo(find_dict(**unsized))
    assert inspections.judge_sheet(session, book, booth.sheet.id).decision.outcome == "accept"
    booth.photo(find_dict(x_mm=2000.0, **unsized), data=b"overview", smallest_sized_mm=1.6)
    assert inspections.judge_sheet(session, book, booth.sheet.id).decision.outcome == "accept"
    booth.photo(find_dict(x_mm=2500.0, **unsized), data=b"from afar", smallest_sized_mm=3.5)
    judged = inspections.judge_sheet(session, book, booth.sheet.id)
    assert judged.decision.outcome == "not_judged"
    assert any("take a close-up" in reason.says for reason in judged.decision.verdicts[0].reasons)


def test_finishing_asks_for_a_word_on_every_find(session: Session, booth: Booth, book: GradeBook):
    booth.photo(find_dict(length_mm=0.6), find_dict(2, x_mm=900, not_glass="dust"))
    with pytest.raises(NotAllowedNow, match="1 find is not decided yet"):
        inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    verdict = inspections.finish_sheet(session, book, booth.sheet.id, booth.user, confirm_undecided=True)
    assert verdict.outcome == "accept"
    assert len(verdict.defects) == 1


def test_finishing_waits_for_photos(session: Session, booth: Booth, book: GradeBook):
    inspections.add_photo(session, booth.store, booth.sheet.id, PHOTO, "a.jpg", None, booth.user)
    with pytest.raises(NotAllowedNow, match=r"photo a\.jpg is still being looked at"):
        inspections.finish_sheet(session, book, booth.sheet.id, booth.user)


def test_a_stored_verdict_can_be_worked_out_again(session: Session, booth: Booth, book: GradeBook):
    shift = make_shift(session, booth.line.id)
    shift.end_at = shift.end_at.replace(year=2099)
    booth.photo(find_dict(length_mm=0.7))
    inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    verdict = inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    session.commit()
    session.expire_all()
    grade = book.grade(verdict.grade_id)
    assert (verdict.rule_set_version, verdict.rule_set_sha256) == (grade.version, grade.sha256)
    assert (booth.sheet.state, booth.sheet.shift_id, booth.sheet.inspected_by) == (
        "finished",
        shift.id,
        booth.user,
    )
    assert verdict.coverage["complete"] is True
    from models.grades import judge, sheet_from_dict

    again = {**verdict.sheet_as_judged, "defects": verdict.defects}
    result = judge(sheet_from_dict(again, where="stored verdict"), grade)
    assert result.outcome == verdict.outcome
    assert [reason.to_dict() for reason in result.reasons] == verdict.reasons


def test_a_finished_sheet_is_changed_only_after_it_is_opened_again(
    session: Session, booth: Booth, book: GradeBook
):
    booth.photo(find_dict())
    inspections.finish_sheet(session, book, booth.sheet.id, booth.user, confirm_undecided=True)
    find_id = booth.finds()[0].find.id
    with pytest.raises(NotAllowedNow, match="is finished; open it again before you change anything"):
        inspections.dismiss_find(session, find_id, booth.user)
    with pytest.raises(NotAllowedNow, match="say why"):
        inspections.reopen_sheet(session, booth.sheet.id, booth.user, "  ")
    inspections.reopen_sheet(session, booth.sheet.id, booth.user, "customer asked")
    inspections.dismiss_find(session, find_id, booth.user)
    inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    verdicts = session.scalars(select(Verdict).order_by(Verdict.id)).all()
    assert [(v.current, len(v.defects)) for v in verdicts] == [(False, 1), (True, 0)]
    assert verdicts[1].supersedes_id == verdicts[0].id


def test_judging_again_keeps_both_verdicts(session: Session, booth: Booth, book: GradeBook):
    with pytest.raises(NotAllowedNow, match="has no verdict yet"):
        inspections.judge_again(session, book, booth.sheet.id, booth.user)
    booth.photo()
    inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    old, new = inspections.judge_again(session, book, booth.sheet.id, booth.user)
    assert (old.current, new.current, new.supersedes_id) == (False, True, old.id)
    assert inspections.current_verdict(session, booth.sheet.id).id == new.id


def test_a_sheet_looked_over_by_eye_is_judged_again_with_what_was_seen_then(
    session: Session, booth: Booth, book: GradeBook
):
    booth.photo()
    verdict = inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    other = make_sheet(session, booth.sheet.line)
    by_eye = {"covered_fraction": None, "smallest_sized_mm": None, "missing": [], "by": "eye and magnifier"}
    session.add(
        Verdict(
            sheet_id=other.id, grade_id=verdict.grade_id, use=verdict.use, outcome="accept", close_call=False,
            rule_set_version="2020-01-01", rule_set_sha256="0" * 64, reasons=[], defects=[], coverage=by_eye,
            sheet_as_judged={"width_mm": 3210, "length_mm": 6000, "thickness_mm": 4.0, "use": verdict.use},
            decided_at=verdict.decided_at, current=True,
        )
    )  # fmt: skip
    session.flush()
    old, new = inspections.judge_again(session, book, other.id, booth.user)
    assert (old.outcome, new.outcome) == ("accept", "accept")
    assert new.coverage == by_eye
    assert new.rule_set_sha256 == book.grade(new.grade_id).sha256


def test_the_packs_order_goes_before_sheet_and_line(session: Session, booth: Booth, book: GradeBook):
    assert inspections.ordered_grade(session, booth.sheet) == ("eschenfurt-window", "stock")
    inspections.set_grade(session, book, booth.sheet.id, "eschenfurt-garden", booth.user)
    assert inspections.ordered_grade(session, booth.sheet) == ("eschenfurt-garden", "stock")
    pack = make_pack(session, grade_id="eschenfurt-mirror", use="cut_size")
    booth.sheet.pack_id = pack.id
    assert inspections.ordered_grade(session, booth.sheet) == ("eschenfurt-mirror", "cut_size")
    with pytest.raises(NotAllowedNow, match="is ordered in grade eschenfurt-mirror"):
        inspections.set_grade(session, book, booth.sheet.id, "eschenfurt-garden", booth.user)


def test_a_sheet_for_which_no_grade_is_named_is_a_sentence(session: Session, booth: Booth, book: GradeBook):
    booth.line.grade_id = None
    with pytest.raises(NotAllowedNow, match="no grade is ordered for it; choose one"):
        inspections.judge_sheet(session, book, booth.sheet.id)
    assert (
        inspections.judge_sheet(session, book, booth.sheet.id, "eschenfurt-garden").grade.id
        == "eschenfurt-garden"
    )


def test_answers_go_with_the_sheet(session: Session, booth: Booth):
    inspections.answer(session, booth.sheet.id, "edges polished", True, booth.user)
    inspections.answer(session, booth.sheet.id, "wiped", False, booth.user)
    inspections.answer(session, booth.sheet.id, "edges polished", None, booth.user)
    assert booth.sheet.answers == {"wiped": False}


def test_every_act_is_in_the_chain_and_the_chain_holds(session: Session, booth: Booth, book: GradeBook):
    booth.photo(find_dict(), find_dict(2, x_mm=900.0))
    first, second = (view.find.id for view in booth.finds())
    inspections.confirm_find(session, first, booth.user)
    inspections.dismiss_find(session, second, booth.user)
    inspections.finish_sheet(session, book, booth.sheet.id, booth.user)
    session.commit()
    assert booth.actions() == [
        "sheet.take", "photo.add", "photo.inspected", "find.confirm", "find.dismiss", "sheet.finish",
    ]  # fmt: skip
    assert list(audit.verify(session)) == []


def test_two_tablets_on_one_find_leave_one_defect(sessions: sessionmaker[Session], store: PhotoStore):
    with sessions() as session:
        booth = Booth(session, store)
        booth.photo(find_dict())
        session.commit()
        find_id, user, sheet_id = booth.finds()[0].find.id, booth.user, booth.sheet.id
    failures = []

    def confirm() -> None:
        try:
            with sessions.begin() as session:
                inspections.confirm_find(session, find_id, user)
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=confirm) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with sessions() as session:
        assert len(inspections.defects_of(session, sheet_id)) == 1
        assert session.scalar(select(func.count()).select_from(Defect)) == 1
        assert session.scalar(select(func.count()).select_from(Sheet)) == 1
