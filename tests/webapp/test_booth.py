"""The inspector's way: next sheet, label, photos, decisions that change the verdict, finishing."""

import re

import pytest
from sqlalchemy import func, select

from models import inspections
from models.database import reading
from models.records import Defect, EpisodeNotice, Job, Photo, Sheet, Verdict
from tests import factories

JSON = {"Accept": "application/json"}


def _act(client, path, **form):
    answer = client.post(path, data=form, headers=JSON)
    return answer


def _outcome(panel):
    return re.search(r"<strong>([^<]+)</strong>", panel).group(1)


def _find_ids(plant, photo_id):
    with reading(plant.sessions) as session:
        photo = session.get_one(Photo, photo_id)
        return [view.find.id for view in inspections.finds_of(session, photo.sheet_id)]


def test_the_start_page_names_the_line_and_what_waits(inspector, booth):
    page = inspector.get("/inspect/").text
    assert f"3 sheets wait; next is {booth.labels[0]}." in page


def test_the_next_sheet_is_the_first_on_the_ribbon_and_is_taken(inspector, booth, plant):
    answer = inspector.post(f"/inspect/lines/{booth.line_id}/next")
    assert answer.headers["Location"] == f"/inspect/sheets/{booth.sheet_ids[0]}"
    with reading(plant.sessions) as session:
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        assert (sheet.state, sheet.taken_by) == ("in_work", booth.inspector_id)


def test_two_inspectors_get_two_sheets(signed_in, booth):
    one, other = signed_in("inspector"), signed_in("quality_lead")
    first = one.post(f"/inspect/lines/{booth.line_id}/next").headers["Location"]
    second = other.post(f"/inspect/lines/{booth.line_id}/next").headers["Location"]
    assert first != second


@pytest.mark.parametrize("spelling", [str, str.lower, lambda text: f"  {text} "])
def test_a_label_opens_its_sheet(inspector, booth, spelling):
    answer = inspector.post("/inspect/label", data={"label": spelling(booth.labels[1])})
    assert answer.headers["Location"] == f"/inspect/sheets/{booth.sheet_ids[1]}"


@pytest.mark.parametrize("label", ["L1-9999999", "", "<script>", "x" * 5000])
def test_a_label_that_does_not_exist_gets_a_sentence_on_the_same_page(inspector, booth, label):
    page = inspector.post("/inspect/label", data={"label": label, "back": "/inspect/"}, follow_redirects=True)
    assert page.status_code == 200
    assert "label" in re.search(r'<p class="note problem"[^>]*>([^<]+)<', page.text).group(1)
    assert "<script>" not in page.text.split("<main")[1].split("</main>")[0]


def test_the_page_shows_finds_and_sets_dust_apart(inspector, booth, photographed):
    page = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "bubble 4.00 ± 0.03 mm" in page
    assert "stone 2.00 ± 0.03 mm" in page
    assert "Set apart as not glass: 1" in page


def test_dismissing_what_decided_changes_the_verdict_at_once(inspector, booth, photographed, plant):
    sheet = f"/inspect/sheets/{booth.sheet_ids[0]}"
    before = inspector.get(f"{sheet}/state").json
    assert _outcome(before["panel"]) != "Accept"
    bubble, stone, _ = _find_ids(plant, photographed)
    _act(inspector, f"/inspect/finds/{stone}/dismiss", reason="nothing there")
    after = _act(inspector, f"/inspect/finds/{bubble}/dismiss", reason="drip").json
    assert after["said"] == "Dismissed: drip."
    assert _outcome(after["panel"]) == "Accept"


def test_a_change_of_size_changes_the_verdict_and_keeps_what_was_measured(
    inspector, booth, photographed, plant
):
    bubble, stone, _ = _find_ids(plant, photographed)
    _act(inspector, f"/inspect/finds/{stone}/dismiss")
    answer = _act(inspector, f"/inspect/finds/{bubble}/change", length_mm="0,4").json
    assert answer["said"] == "Stored: bubble 0.40 mm."
    assert "As measured: bubble 4.00 ± 0.03 mm." in answer["panel"]
    assert _outcome(answer["panel"]) == "Accept"


def test_undo_makes_a_find_wait_again(inspector, photographed, plant):
    bubble = _find_ids(plant, photographed)[0]
    _act(inspector, f"/inspect/finds/{bubble}/confirm")
    answer = _act(inspector, f"/inspect/finds/{bubble}/take-back").json
    mark = next(m for m in answer["photos"][0]["marks"] if m["id"] == f"f{bubble}")
    assert mark["state"] == "open"
    with reading(plant.sessions) as session:
        assert session.scalar(select(func.count()).select_from(Defect).where(Defect.current)) == 0


def test_a_find_confirmed_after_an_undone_change_stands_as_measured(inspector, photographed, plant):
    bubble = _find_ids(plant, photographed)[0]
    _act(inspector, f"/inspect/finds/{bubble}/change", length_mm="0.4", kind="stone")
    _act(inspector, f"/inspect/finds/{bubble}/take-back")
    answer = _act(inspector, f"/inspect/finds/{bubble}/confirm").json
    assert answer["said"] == "Confirmed: bubble 4.00 ± 0.03 mm."


@pytest.mark.parametrize(
    ("form", "sentence"),
    [
        ({"length_mm": "wide"}, "length: 'wide' is no number; expected millimetres such as 0.85"),
        ({"length_mm": "-1"}, "expected a size above 0 mm"),
        ({"length_mm": "nan"}, "is no number"),
        ({"kind": "dragon"}, "kind 'dragon' is unknown"),
        ({}, "nothing to change was given"),
    ],
)
def test_a_change_that_cannot_be_right_is_refused_and_nothing_is_stored(
    inspector, photographed, plant, form, sentence
):
    bubble = _find_ids(plant, photographed)[0]
    answer = _act(inspector, f"/inspect/finds/{bubble}/change", **form)
    assert answer.status_code in (400, 409)
    assert sentence in answer.json["error"]["message"]
    with reading(plant.sessions) as session:
        assert session.scalar(select(func.count()).select_from(Defect)) == 0


def test_a_missed_defect_is_typed_and_counts(inspector, booth):
    answer = _act(
        inspector,
        f"/inspect/sheets/{booth.sheet_ids[0]}/defects",
        kind="stone",
        x_mm="100",
        y_mm="200,5",
        length_mm="1.2",
    ).json
    assert answer["said"] == "Added: stone 1.20 mm."
    assert "added by hand" in answer["panel"]


def test_a_missed_defect_placed_by_two_touches_is_measured_by_the_photos_frame(
    inspector, booth, photographed, plant
):
    """A square-on camera at 0.1 mm per pixel: 30 px across and 40 px down is 5 mm, by Pythagoras."""
    frame = {
        "homography": [0.1, 0, 20.0, 0, 0.1, 30.0, 0, 0, 1],
        "centre_px": [0, 0],
        "norm_px": 1,
        "k1": 0,
        "k2": 0,
    }
    with plant.sessions.begin() as session:
        photo = session.get_one(Photo, photographed)
        photo.result = {**photo.result, "frame": frame}
    answer = _act(
        inspector,
        f"/inspect/sheets/{booth.sheet_ids[0]}/defects",
        kind="scratch",
        photo_id=str(photographed),
        taps="100,100 130,140",
    ).json
    assert answer["said"] == "Added: scratch 5.00 mm."
    with reading(plant.sessions) as session:
        defect = session.scalars(select(Defect).where(Defect.source == "hand")).one()
        assert (defect.x_mm, defect.y_mm) == pytest.approx((31.5, 42.0))
        mark_id = f"d{defect.id}"
    mark = next(m for m in answer["photos"][0]["marks"] if m["id"] == mark_id)
    assert (mark["x"], mark["y"]) == pytest.approx((115.0, 120.0))


@pytest.mark.parametrize("taps", ["1,2", "1,2 3", "a,b c,d", "1,2 3,4 5,6", "inf,1 2,3"])
def test_touches_that_are_not_two_places_are_refused(inspector, booth, photographed, taps):
    answer = _act(
        inspector,
        f"/inspect/sheets/{booth.sheet_ids[0]}/defects",
        kind="stone",
        photo_id=str(photographed),
        taps=taps,
    )
    assert answer.status_code == 400
    assert "expected two touches" in answer.json["error"]["message"]


def test_touches_on_another_sheets_photo_are_refused(inspector, booth, photographed):
    answer = _act(
        inspector,
        f"/inspect/sheets/{booth.sheet_ids[1]}/defects",
        kind="stone",
        photo_id=str(photographed),
        taps="1,2 3,4",
    )
    assert "belongs to another sheet" in answer.json["error"]["message"]


def test_finishing_asks_for_a_word_about_every_find_first(inspector, booth, photographed):
    answer = _act(inspector, f"/inspect/sheets/{booth.sheet_ids[0]}/finish")
    assert answer.status_code == 409
    assert "2 finds are not decided yet" in answer.json["error"]["message"]


def test_finishing_stores_the_verdict_and_goes_to_the_next_sheet(inspector, booth, photographed, plant):
    sheet = f"/inspect/sheets/{booth.sheet_ids[0]}"
    assert _act(inspector, f"{sheet}/confirm-rest").json["said"] == "Confirmed: 2 finds."
    answer = _act(inspector, f"{sheet}/finish")
    assert answer.json["go"] == f"/inspect/sheets/{booth.sheet_ids[1]}"
    with reading(plant.sessions) as session:
        verdict = session.scalars(select(Verdict)).one()
        assert verdict.sheet_id == booth.sheet_ids[0]
        assert len(verdict.defects) == 2
        assert verdict.reasons
    assert "is stored" in inspector.get(answer.json["go"]).text


def test_a_finished_sheet_offers_nothing_that_it_would_refuse(inspector, booth, photographed):
    sheet = f"/inspect/sheets/{booth.sheet_ids[0]}"
    offers = re.compile(r'<(?:details id="missed"|button[^>]* data-tool="missed")[^>]*>')
    assert not [offer for offer in offers.findall(inspector.get(sheet).text) if offer.endswith(" hidden>")]
    _act(inspector, f"{sheet}/confirm-rest")
    _act(inspector, f"{sheet}/finish")
    finished = offers.findall(inspector.get(sheet).text)
    assert len(finished) == 2
    assert all(offer.endswith(" hidden>") for offer in finished)


def test_a_finished_sheet_is_changed_only_after_it_was_opened_again(inspector, booth, photographed, plant):
    sheet = f"/inspect/sheets/{booth.sheet_ids[0]}"
    _act(inspector, f"{sheet}/confirm-rest")
    _act(inspector, f"{sheet}/finish")
    bubble = _find_ids(plant, photographed)[0]
    refused = _act(inspector, f"/inspect/finds/{bubble}/dismiss")
    assert refused.status_code == 409
    assert "open it again" in refused.json["error"]["message"]
    _act(inspector, f"{sheet}/reopen", reason="stone looked like dirt")
    assert _act(inspector, f"/inspect/finds/{bubble}/dismiss").status_code == 200


def test_without_scripts_the_forms_come_back_to_the_page(inspector, booth, photographed, plant):
    bubble = _find_ids(plant, photographed)[0]
    answer = inspector.post(f"/inspect/finds/{bubble}/confirm")
    assert answer.status_code == 303
    assert answer.headers["Location"] == f"/inspect/sheets/{booth.sheet_ids[0]}?find=f{bubble}"
    page = inspector.get(answer.headers["Location"]).text
    assert "Confirmed: bubble 4.00 ± 0.03 mm." in page


def test_a_sheet_without_a_grade_offers_the_grades(inspector, booth, plant):
    with plant.sessions.begin() as session:
        session.get_one(Sheet, booth.sheet_ids[0]).line.grade_id = None
    page = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "No grade chosen" in page
    answer = _act(inspector, f"/inspect/sheets/{booth.sheet_ids[0]}/grade", grade_id="eschenfurt-mirror").json
    assert _outcome(answer["panel"]) == "Not judged"


def test_coverage_names_the_tiles_that_are_missing(inspector, booth):
    page = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "Not judged" in page
    assert "Plan of the sheet" in page
    assert ">B2</text>" in page


def test_progress_tells_how_far_a_photo_is(inspector, booth, plant, photo_bytes):
    with plant.sessions.begin() as session:
        photo = inspections.add_photo(
            session, plant.store, booth.sheet_ids[0], photo_bytes, "one.jpg", None, booth.inspector_id
        )
        job = session.scalars(select(Job).where(Job.photo_id == photo.id)).one()
    told = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}/progress").json
    assert told["photos"] == [{"id": photo.id, "state": "waiting", "says": "waits"}]
    with plant.sessions.begin() as session:
        running = session.get_one(Job, job.id)
        running.state, running.progress, running.message = "running", 0.4, "measuring"
    told = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}/progress").json
    assert told["photos"][0]["says"] == "measuring 40 %"


def test_a_sheet_put_aside_does_not_hold_up_the_next_one(inspector, booth):
    first = inspector.post(f"/inspect/lines/{booth.line_id}/next").headers["Location"]
    second = inspector.post(f"/inspect/lines/{booth.line_id}/next").headers["Location"]
    assert (first, second) == tuple(f"/inspect/sheets/{sheet_id}" for sheet_id in booth.sheet_ids[:2])
    page = inspector.get("/inspect/").text
    assert f"Go on with {booth.labels[0]}" in page
    assert f"Go on with {booth.labels[1]}" in page


def test_a_colleagues_sheet_says_whose_it_is(inspector, signed_in, booth):
    inspector.post(f"/inspect/lines/{booth.line_id}/next")
    page = signed_in("quality_lead").get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "Ruta inspector has this sheet in work since" in page


def test_an_episode_that_goes_on_is_told_on_the_line_and_on_the_sheets_it_runs_over(inspector, booth, plant):
    """On a sheet whose left edge lies 150 mm into the ribbon, 350 to 550 mm of the ribbon is 200 to 400."""
    with plant.sessions.begin() as session:
        for kind, low, high in (("stone", 350.0, 550.0), ("scratch", 3300.0, 3400.0)):
            session.add(
                EpisodeNotice(
                    line_id=booth.line_id, kind=kind, x_lo_mm=low, x_hi_mm=high, from_m=900.0, to_m=1000.0,
                    seen_start=factories.NOON, seen_end=factories.NOON, p_value=1e-5, result={"count": 9},
                    noticed_at=factories.NOON, updated_at=factories.NOON,
                )
            )  # fmt: skip
    line = inspector.get("/inspect/").text
    assert "Stones up since 2026-03-02 12:00 +01:00, x 350 to 550 mm across the ribbon." in line
    assert "Scratches up since" in line
    sheet = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "Stones up since 2026-03-02 12:00 +01:00: look on the left third, x 200 to 400 mm." in sheet
    assert "Scratches up" not in sheet, "that band runs beside this sheet"


def test_the_panel_says_how_the_grade_wants_the_glass_looked_at(inspector, booth):
    page = inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    assert "Look: from 1 m" in page
    assert "matt black" in page


def test_a_sheet_given_back_waits_again(inspector, booth, plant):
    inspector.post(f"/inspect/lines/{booth.line_id}/next")
    page = inspector.post(f"/inspect/sheets/{booth.sheet_ids[0]}/give-back", follow_redirects=True).text
    assert f"{booth.labels[0]} waits again" in page
    with reading(plant.sessions) as session:
        assert session.get_one(Sheet, booth.sheet_ids[0]).state == "waiting"
