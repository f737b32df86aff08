"""What was looked at, and finds as the defects they show, in a sheet's history."""

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy.orm import Session

from models import inspections
from models.find_sheet import find_sheets
from models.history import sheet_history
from models.history_records import SheetHistory
from models.inspections import DefectValues
from models.records import Look
from models.sheet.look_words import look_words, parts_words
from models.sheet.looked import LookStatement
from models.sheet.looked_words import count_words, defects_words, none_words
from models.sheet.size_words import size_figures, size_words
from models.store import PhotoStore
from tests import factories
from tests.booth import Booth
from tests.factories import find_dict


@pytest.fixture
def booth(session: Session, store: PhotoStore) -> Booth:
    return Booth(session, store)


def told(booth: Booth) -> SheetHistory:
    return sheet_history(booth.session, booth.sheet.id)


def line(number: int, x0: float, x1: float) -> dict[str, Any]:
    """A scratch along the sheet's width at y = 400 mm."""
    return find_dict(
        number, kind="scratch", x_mm=(x0 + x1) / 2, length_mm=x1 - x0, width_mm=0.1, length_sd_mm=0.2,
        path_mm=[[x0, 400.0], [x1, 400.0]], path_px=[[x0 * 10, 4000.0], [x1 * 10, 4000.0]],
        kind_scores={"bubble": 0.01, "stone": 0.01, "scratch": 0.97, "not_glass": 0.01},
    )  # fmt: skip


def test_a_find_merged_from_another_photo_has_its_groups_decision(booth: Booth) -> None:
    booth.photo(find_dict(1), find_dict(2, x_mm=1500.0))
    booth.photo(find_dict(3, x_mm=500.2), data=b"second")
    first = booth.finds()[0].find.id
    inspections.confirm_find(booth.session, first, booth.user)
    history = told(booth)
    here, there = history.photos[0].finds[0], history.photos[1].finds[0]
    assert (here.label, here.also, there.label, there.also) == ("1-1", ("2-3",), "2-3", ("1-1",))
    assert there.decision is not None
    assert (there.decision.decision, there.decision.defect_number, there.decision.find) == (
        "confirmed",
        1,
        "1-1",
    )
    assert (here.name, there.name, history.photos[0].finds[1].name) == ("1", "1", "1-2")
    assert [defect.parts for defect in history.defects] == [("1-1", "2-3")]
    assert len(history.decisions) == 1


def test_a_joined_defect_shows_its_parts_and_keeps_all_acts(booth: Booth) -> None:
    """Two pieces are confirmed by themselves; a third photo shows that they are one line."""
    session = booth.session
    booth.photo(line(1, 500.0, 600.0))
    booth.photo(line(1, 700.0, 800.0), data=b"second")
    for view in booth.finds():
        inspections.confirm_find(session, view.find.id, booth.user)
    booth.photo(line(1, 500.0, 800.0), data=b"third")
    history = told(booth)
    assert [defect.asks for defect in history.defects] == ["defects 1 and 2 are parts of one"] * 2
    find = history.photos[2].finds[0]
    assert (find.asks, sorted(find.also)) == ("defects 1 and 2 are parts of one", ["1-1", "2-1"])
    assert len(find.decisions) == 2
    inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    history = told(booth)
    first, second = history.defects
    assert sorted(first.parts) == ["1-1", "2-1", "3-1"]
    assert first.current is not None
    assert first.current.length_mm == pytest.approx(300.0, abs=2.0)
    assert (second.current, second.last.withdrawn, second.last.reason) == (None, True, "part of defect 1")
    assert [(d.find, d.current) for d in history.photos[1].finds[0].decisions] == [
        ("1-1", False),
        ("2-1", False),
        ("1-1", True),
    ]
    assert history.photos[1].finds[0].name == "1"


def test_a_decision_about_an_earlier_inspection_stays_with_the_defect(booth: Booth) -> None:
    session = booth.session
    photo = booth.photo(find_dict(4))
    inspections.confirm_find(session, booth.finds()[0].find.id, booth.user)
    inspections.record_inspection(session, photo.id, factories.inspection_dict(find_dict(1)))
    (find,) = told(booth).photos[0].finds
    assert (find.label, find.also) == ("1-1", ("1-4 of an earlier inspection",))
    assert find.decision is not None
    assert (find.decision.find, find.name) == ("1-4 of an earlier inspection", "1")


def test_what_all_photos_show_together_stands_beside_what_one_flagged(booth: Booth) -> None:
    dusty = {"bubble": 0.3, "stone": 0.05, "scratch": 0.0, "not_glass": 0.65}
    booth.photo(find_dict(1, not_glass="dust", kind_scores=dusty))
    booth.photo(find_dict(1), data=b"second")
    find = told(booth).photos[0].finds[0]
    assert (find.not_glass, find.seen_not_glass, find.seen_kind) == ("dust", None, "bubble")


def test_looks_tell_part_way_light_distance_who_and_when(booth: Booth) -> None:
    at = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
    tile = (0.0, 0.0, 1000.0, 1000.0)
    by_eye = LookStatement(
        way="eye", parts_mm=(tile,), lighting="dark_field", distance_mm=1500.0, smallest_mm=0.5, looked_at=at,
        looked_by="Ilse Varnhagen",
    )  # fmt: skip
    inspections.add_look(booth.session, booth.sheet.id, booth.user, by_eye)
    booth.photo(covered_mm=[0.0, 0.0, 2000.0, 500.0])
    booth.photo(data=b"blind", scale=None, smallest_sized_mm=None, covered_mm=None)
    eye, photo, blind = told(booth).looks
    assert (eye.part, eye.how) == ("tile A1", "by eye, dark field, from 1.5 m, shows from 0.5 mm")
    assert (eye.by, eye.at, eye.note) == ("Ilse Varnhagen", at, "")
    assert (photo.part, photo.how) == (
        "0 to 2000 mm from the left side, 0 to 500 mm from the leading edge",
        "by photo 1, dark field, sizes from 0.30 mm",
    )
    assert (photo.by, photo.note, photo.statement) == ("Tomke Brandt", "", None)
    assert blind.part == "place not known"
    assert blind.note == "photo photo.jpg does not count: it has no scale"


def test_what_nobody_told_of_an_imported_look_is_not_known(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0, state="recorded")
    for looked in (True, False):
        session.add(
            Look(
                sheet_id=sheet.id, looked=looked, source="import", recorded_at=factories.START, current=looked
            )
        )
    session.flush()
    (look,) = sheet_history(session, sheet.id).looks
    assert look.how == "looked at; how, light, distance and smallest size not known"
    assert (look.part, look.by, look.at, look.note) == ("whole sheet", None, None, "by an imported file")
    assert look_words(LookStatement(looked=False), 3000.0, 2000.0) == "nobody looked, whole sheet"


def test_parts_go_by_their_tiles() -> None:
    tiles = {"A1": (0.0, 0.0, 1000.0, 1000.0), "B1": (1000.0, 0.0, 2000.0, 1000.0)}
    assert parts_words(None, 2000.0, 1000.0) == "whole sheet"
    assert parts_words([tiles["B1"]], 2000.0, 1000.0) == "tile B1"
    assert parts_words([*tiles.values()], 2000.0, 1000.0) == "whole sheet"
    assert parts_words([*tiles.values()], 3000.0, 1000.0) == "tiles A1, B1"
    assert parts_words([(4.0, -30.0, 1993.0, 1000.0)], 2000.0, 1000.0) == "whole sheet"


@pytest.mark.parametrize(
    ("fraction", "count", "words", "none"),
    [
        (None, "unknown", "not known whether looked at", "Nobody knows whether the sheet was looked at."),
        (0.0, "not looked at", "not looked at", "The sheet was not looked at."),
        (0.7, "0 on the 70 % looked at", "0 defects on the 70 % looked at", "on the 70 % looked at."),
        (1.0, "0", "0 defects", "The whole sheet was looked at."),
    ],
)
def test_none_found_is_said_only_of_glass_that_was_looked_at(
    fraction: float | None, count: str, words: str, none: str
) -> None:
    assert (count_words(0, fraction), defects_words(0, fraction)) == (count, words)
    assert none_words(fraction).endswith(none)
    assert defects_words(1, 1.0) == "1 defect"
    assert defects_words(3, None) == "3 defects"


def test_neighbours_and_search_say_it_too(session: Session) -> None:
    made_by = factories.make_line(session).id
    here = factories.make_finished_sheet(session, made_by, 6.0)
    factories.make_finished_sheet(session, made_by, 0.0, state="passed_by", looked_fraction=0.0, label="GONE")
    factories.make_finished_sheet(session, made_by, 12.0, state="recorded", looked_fraction=None, label="WHO")
    found = {n.label: (n.count, n.words) for n in sheet_history(session, here.id).neighbours}
    assert found["GONE"] == ("not looked at", "not looked at")
    assert found["WHO"] == ("unknown", "not known whether looked at")
    counts = {sheet.label: sheet.count for sheet in find_sheets(session, cut_from=factories.START).sheets}
    assert counts == {here.label: "0", "GONE": "not looked at", "WHO": "unknown"}


def test_an_open_end_is_kept_with_its_revision_and_said(booth: Booth) -> None:
    values = DefectValues(
        "scratch", 150.0, 400.0, 300.0, 0.1, length_sd_mm=0.4, path_mm=[[0, 400], [300, 400]],
        open_at_mm=[[300.0, 400.0]],
    )  # fmt: skip
    inspections.add_defect(booth.session, booth.sheet.id, booth.user, values)
    (defect,) = told(booth).defects
    assert defect.last.open_at_mm == ((300.0, 400.0),)
    r = defect.last
    assert size_figures(r.length_mm, r.length_sd_mm, r.width_mm, None, r.open_at_mm, r.path_mm) == (
        "at least 300.0 ± 0.4 × 0.10; its end lies outside the photos"
    )
    both = size_figures(300.0, None, None, None, [[0, 400], [300, 400]], r.path_mm)
    assert both == "at least 300.0; both its ends lie outside the photos"
    spot = size_figures(2.0, 0.1, None, 3.0, [[10, 10]], None)
    assert spot == "at least 2.00 ± 0.10, zone 3.00; it lies on the border of its photo and may be larger"
    assert (size_words(300.0, None, at_least=True), size_words(None, 0.1)) == (
        "at least 300.0 mm",
        "not sized",
    )


def test_a_close_call_says_of_which_size_it_is(session: Session) -> None:
    sheet = factories.make_finished_sheet(session, factories.make_line(session).id, 0.0)
    call = "defect 4 measures 2.98 ± 0.05 mm, the limit is 3 mm (E 2.1)"
    ladder = [
        {"grade": "eschenfurt-window", "title": "Window", "close_calls": [f"{call}: take a close-up"]},
        {"grade": "eschenfurt-garden", "title": "Garden", "close_calls": ["of another grade"]},
    ]
    factories.make_verdict(session, sheet, close_call=True, ladder=ladder)
    verdict = sheet_history(session, sheet.id).verdict
    assert verdict is not None
    assert verdict.close_calls == (call,)
    bare = factories.make_finished_sheet(session, sheet.line_id, 6.0)
    factories.make_verdict(session, bare, close_call=True)
    verdict = sheet_history(session, bare.id).verdict
    assert verdict is not None
    assert verdict.close_calls == (
        "a size lies within its uncertainty of a limit; which one was not kept with the verdict",
    )
