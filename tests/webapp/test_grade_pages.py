"""The pages on grades: list, one grade, confirming, a sheet's verdict, packs, writing a plant grade."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from models import inspections
from models.clock import utc_now
from models.database import reading, writing
from models.grade_trial import grades_judged, try_grade
from models.records import Pack, PlantGrade, Sheet
from tests.webapp.conftest import Booth
from webapp.grades.answers import START
from webapp.grades.drafts import EXAMPLE
from webapp.plant import Plant

OWN = EXAMPLE.format(today="2026-11-25", standard="plant grades")


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in quality lead."""
    return signed_in("quality_lead")


@pytest.fixture
def judged(plant: Plant, booth: Booth, photographed: int) -> int:
    """The first sheet, ordered in mirror quality, with a bubble and a stone that the grade does not allow."""
    with writing(plant.sessions) as session:
        inspections.set_grade(
            session, plant.book, booth.sheet_ids[0], "eschenfurt-mirror", booth.inspector_id
        )
    return booth.sheet_ids[0]


@pytest.fixture
def finished(plant: Plant, booth: Booth, judged: int) -> int:
    """The same sheet with its verdict given."""
    with writing(plant.sessions) as session:
        inspections.finish_sheet(session, plant.book, judged, booth.inspector_id, confirm_undecided=True)
    return judged


def test_the_list_shows_viewing_conditions_and_what_may_not_decide(inspector: FlaskClient) -> None:
    page = inspector.get("/grades/").text
    assert "JIS R 3202:2011" in page
    assert "point faults from about 0.5 m" in page
    assert "from memory, not confirmed: decides nothing" in page
    assert "Write a plant grade" not in page


def test_a_grade_s_page_has_each_rule_with_clause_and_source(inspector: FlaskClient) -> None:
    page = inspector.get("/grades/grade/igu-guideline-2019").text
    assert "table 1, zone M" in page
    assert "5 and 2 for each further m² above 3 m²" in page
    assert "German processors&#39; group" in page
    assert "a single pane takes counts times 0.75" in page
    assert "licensed practice" in page


def test_a_grade_that_is_not_there_is_a_clear_404(inspector: FlaskClient) -> None:
    answer = inspector.get("/grades/grade/nothing")
    assert answer.status_code == 404
    assert "no grade is called" in answer.text


def test_a_remembered_table_is_confirmed_once_by_name(lead: FlaskClient, inspector: FlaskClient) -> None:
    address = "/grades/grade/iso-12543-6"
    assert "Until somebody of this plant" in lead.get(address).text
    assert inspector.post(f"{address}/confirm", data={"note": "no"}).status_code == 403
    answer = lead.post(
        f"{address}/confirm", data={"note": "our copy, all classes agree"}, follow_redirects=True
    )
    assert "Confirmed for this plant by Ruta quality_lead" in answer.text
    assert "our copy, all classes agree" in answer.text
    assert lead.post(f"{address}/confirm", data={"note": "again"}).status_code == 409
    assert "from memory, confirmed by Ruta quality_lead" in lead.get("/grades/").text


def test_a_sheet_s_verdict_is_drawn_with_the_largest_piece(inspector: FlaskClient, judged: int) -> None:
    page = inspector.get(f"/grades/sheet/{judged}")
    assert page.status_code == 200
    assert 'class="piece"' in page.text
    assert "What would make it pass" in page.text
    assert "meets the grade" in page.text
    assert "As the grade sizes it" in page.text


def test_another_grade_may_be_looked_at(inspector: FlaskClient, judged: int) -> None:
    page = inspector.get(f"/grades/sheet/{judged}?grade=astm-c1036-q3").text
    assert "By ASTM C1036 glazing select (Q3), inch limits" in page
    assert "mean of length and width" in page
    assert inspector.get(f"/grades/sheet/{judged}?grade=nothing").status_code == 404
    assert inspector.get("/grades/sheet/999999").status_code == 404


def test_a_given_verdict_stands_beside_today_s(lead: FlaskClient, finished: int) -> None:
    page = lead.get(f"/grades/sheet/{finished}").text
    assert "The verdict that was given, and today" in page
    assert "the same" in page
    assert "Judge again" not in page


def test_judging_again_is_an_act_that_says_what_became_of_it(lead: FlaskClient, finished: int) -> None:
    answer = lead.post(f"/grades/sheet/{finished}/again", follow_redirects=True)
    assert "Judged again by rule set" in answer.text


def test_a_pack_is_judged_with_its_averages(
    plant: Plant, booth: Booth, finished: int, inspector: FlaskClient
) -> None:
    with writing(plant.sessions) as session:
        pack = Pack(label="P-TEST", grade_id="eschenfurt-garden", use="stock", created_at=utc_now())
        session.add(pack)
        session.flush()
        for sheet_id in booth.sheet_ids[:2]:
            session.get_one(Sheet, sheet_id).pack_id = pack.id
        pack_id = pack.id
    assert "P-TEST" in inspector.get("/grades/packs?q=p-te").text
    assert "No pack has" in inspector.get("/grades/packs?q=zzz").text
    page = inspector.get(f"/grades/pack/{pack_id}").text
    assert "1 sheets judged" in page or "1 sheet judged" in page
    assert f"Nobody inspected 1 of its 2 sheets ({booth.labels[1]})." in page
    assert "1 sheet without a verdict is not in the figures." in page
    other = inspector.get(f"/grades/pack/{pack_id}?grade=en-572-2-2012").text
    assert "category B" in other
    assert "nobody at the plant has confirmed" in other
    assert inspector.get("/grades/pack/999999").status_code == 404


def test_the_example_to_begin_with_is_a_sound_grade(lead: FlaskClient) -> None:
    page = lead.get("/grades/write")
    assert "its classes have no gaps and no overlaps" in page.text
    assert lead.get("/grades/write?from=eschenfurt-mirror").text.count("eschenfurt-mirror") > 0


def test_the_check_names_gaps_and_what_cannot_be_read(lead: FlaskClient) -> None:
    gap = lead.post("/grades/check", data={"text": OWN.replace('"[1.0, 2.0)"', '"(1.0, 2.0)"')})
    assert "Points: size exactly 1 mm is in no class" in gap.text
    bad = lead.post("/grades/check", data={"text": OWN.replace("per_m2", "per_yard")})
    assert "Not a grade yet" in bad.text
    assert "classes[1]" in bad.text


def test_a_plant_grade_is_kept_shown_and_retired(plant: Plant, lead: FlaskClient) -> None:
    answer = lead.post("/grades/write", data={"text": OWN, "act": "keep"}, follow_redirects=True)
    assert "Version 2026-11-25 of own-grade is kept" in answer.text
    assert "Own grade" in lead.get("/grades/").text
    again = lead.post("/grades/write", data={"text": OWN, "act": "keep"})
    assert again.status_code == 400
    assert "version 2026-11-25 is kept already" in again.text
    assert "own-grade" in lead.get("/grades/write?from=own-grade").text
    gone = lead.post("/grades/grade/own-grade/retire", follow_redirects=True)
    assert "out of use" in gone.text
    with reading(plant.sessions) as session:
        assert session.query(PlantGrade).count() == 1


def test_what_cannot_be_kept_comes_back_with_the_text(lead: FlaskClient) -> None:
    bad = OWN.replace('id = "own-grade"', 'id = "Own"')
    answer = lead.post("/grades/write", data={"text": bad, "act": "keep"})
    assert answer.status_code == 400
    assert "grade[0].id: expected small letters" in answer.text
    assert "id = &#34;Own&#34;" in answer.text
    taken = OWN.replace('id = "own-grade"', 'id = "jis-r-3202-2011"')
    assert "belongs to the program" in lead.post("/grades/write", data={"text": taken, "act": "keep"}).text


def test_the_questions_make_a_grade_without_gaps(lead: FlaskClient) -> None:
    assert "A plant grade by questions" in lead.get("/grades/compose").text
    answers = {**START, "version": "2026-11-25", "t0_end_1": "yes", "space_from": "1,5", "space_apart": "300"}
    page = lead.post("/grades/compose", data=answers)
    assert page.status_code == 200
    assert "its classes have no gaps and no overlaps" in page.text
    assert "size = &#34;[0.5, 1]&#34;" in page.text
    assert "size = &#34;(1, 2)&#34;" in page.text
    assert "apart_mm = 300" in page.text


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"title": " "}, "title: nothing stands there"),
        ({"look_from": "far"}, "look from: &#39;far&#39; is no number"),
        ({"crowd_circle": ""}, "crowding: a number is missing"),
        ({"crowd_most": "2.5"}, "crowd most: 2.5 is no whole number"),
        ({"t0_up_to_1": "0.4"}, "bubbles, class 2: expected a size above 0.5 mm"),
        ({"t1_number_1": ""}, "other points, class 2: expected a number above 0"),
        ({"rounding": "sideways"}, "rounding: &#39;sideways&#39; is none of"),
    ],
)
def test_an_answer_that_cannot_be_used_comes_back_with_the_rest(
    lead: FlaskClient, change: dict[str, str], message: str
) -> None:
    page = lead.post("/grades/compose", data={**START, "version": "2026-11-25", "source": "kept", **change})
    assert page.status_code == 400
    assert message in page.text
    assert 'value="kept"' in page.text


def test_only_leads_write(inspector: FlaskClient) -> None:
    assert inspector.get("/grades/write").status_code == 403
    assert inspector.post("/grades/check", data={"text": ""}).status_code == 403


def test_a_grade_is_tried_on_the_sheets_of_the_last_days(lead: FlaskClient, finished: int) -> None:
    lax = OWN.replace('size = "[2.0, inf)", allow = "none"', 'size = "[2.0, inf)", allow = "unlimited"')
    lax = lax.replace('{ allow = "none" }', '{ allow = "unlimited" }')
    answer = lead.post("/grades/write", data={"text": lax, "act": "try", "instead_of": "eschenfurt-mirror"})
    assert answer.status_code == 200
    assert "The yield would go from 0.0 % to" in answer.text
    none = lead.post("/grades/write", data={"text": lax, "act": "try", "instead_of": "eschenfurt-garden"})
    assert "No sheet was judged in these days" in none.text


def test_a_trial_stores_nothing_and_counts_what_would_change(plant: Plant, finished: int) -> None:
    since = utc_now() - timedelta(days=30)
    with reading(plant.sessions) as session:
        assert grades_judged(session, since=since) == (("eschenfurt-mirror", 1),)
        trial = try_grade(session, plant.book.grade("eschenfurt-mirror"), since=since)
        assert (trial.sheets, trial.changed, trial.accepted_before) == (1, 0, 0)
        assert trial.yield_before == trial.yield_after == 0.0
        assert try_grade(session, plant.book.grade("eschenfurt-mirror"), since=utc_now()).sheets == 0
