"""The quality lead's ribbon page: filters in the address, signs and links in the picture, who may see it."""

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from flask.testing import FlaskClient
from werkzeug.datastructures import MultiDict

from models.database import writing
from models.errors import BadValue
from models.records import Line, Sheet
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant
from webapp.trace.forms import read_form

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in quality lead."""
    return signed_in("quality_lead")


@pytest.fixture
def defect_id(plant: Plant, booth: Booth) -> int:
    """One stone on an inspected sheet, with a find in a photo."""
    with writing(plant.sessions) as session:
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        sheet.state, sheet.inspected_at, sheet.looked_fraction = "finished", sheet.cut_at, 1.0
        photo = factories.make_photo(session, sheet)
        find = factories.make_find(session, photo, 1, kind="stone")
        return factories.make_defect(
            session, sheet, 800.0, 900.0, kind="stone", length_mm=1.25, find_id=find.id, number=1
        ).id


def test_a_plant_without_lines_says_how_to_bring_one_in(
    plant: Plant, lead: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
        session.query(Line).delete()
    page = lead.get("/trace/ribbon")
    assert page.status_code == 200
    assert "lehrbook import plant" in page.text


def test_a_line_without_defects_shows_an_empty_map(lead: FlaskClient) -> None:
    page = lead.get("/trace/ribbon")
    assert page.status_code == 200
    assert "no defects in view: not looked at" in page.text
    assert "No sheet in view is known to have been looked at" in page.text


def test_a_defect_is_drawn_as_its_sign_and_leads_to_its_page(lead: FlaskClient, defect_id: int) -> None:
    page = lead.get("/trace/ribbon").text
    assert f'href="/trace/defect/{defect_id}"' in page
    assert "stone, 1.25 mm, sheet" in page
    assert 'class="mark diamond"' in page
    assert "the glass travels this way" in page
    assert "left edge" in page


def test_the_kinds_filter_works_by_address_alone(lead: FlaskClient, defect_id: int) -> None:
    assert f"/trace/defect/{defect_id}" not in lead.get("/trace/ribbon?kind=bubble").text
    assert f"/trace/defect/{defect_id}" in lead.get("/trace/ribbon?kind=bubble&kind=stone").text


def test_links_that_move_the_window_keep_the_filter(lead: FlaskClient, defect_id: int) -> None:
    page = lead.get("/trace/ribbon?kind=stone&source=photo&along=metres").text
    later = page.split("Earlier</a>")[0].rsplit('href="', 1)[1].split('"')[0]
    for part in ("kind=stone", "source=photo", "along=metres", "period=metres", "m_lo="):
        assert part in later


def test_a_chosen_defect_comes_with_the_address(lead: FlaskClient, defect_id: int) -> None:
    page = lead.get(f"/trace/ribbon?defect={defect_id}").text
    assert "Stone, 1.25 mm" in page
    assert "/view.jpg" in page


def test_the_page_and_the_piece_of_a_defect_tell_the_same(
    lead: FlaskClient, defect_id: int, booth: Booth
) -> None:
    page = lead.get(f"/trace/defect/{defect_id}").text
    piece = lead.get(f"/trace/defect/{defect_id}/panel").text
    for text in (page, piece):
        assert booth.labels[0] in text
        assert f"/sheets/{booth.sheet_ids[0]}" in text
    assert "<html" not in piece


def test_a_defect_that_does_not_exist_is_a_plain_sentence(lead: FlaskClient) -> None:
    page = lead.get("/trace/defect/4711")
    assert page.status_code == 404
    assert "defect 4711: there is no such defect" in page.text


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("m_lo=abc&period=metres", "from metre: &#39;abc&#39; is not a number"),
        ("from=yesterday&period=between", "from: &#39;yesterday&#39; is not a time"),
        ("period=never", "period: &#39;never&#39; is none of"),
        ("size_lo=3&size_hi=1", "size: from 3.0 to 1.0 is empty"),
    ],
)
def test_a_filter_that_cannot_be_read_is_named_and_the_newest_week_shown(
    lead: FlaskClient, defect_id: int, query: str, says: str
) -> None:
    page = lead.get(f"/trace/ribbon?{query}")
    assert page.status_code == 400
    assert says in page.text
    assert f"/trace/defect/{defect_id}" in page.text


def test_an_unknown_line_is_named_with_those_there_are(lead: FlaskClient) -> None:
    page = lead.get("/trace/ribbon?line=99")
    assert page.status_code == 404
    assert "there is no such line" in page.text


@pytest.mark.parametrize("role", ["inspector", "claims_desk"])
def test_other_roles_are_kept_out(signed_in: Callable[[str], FlaskClient], role: str) -> None:
    assert signed_in(role).get("/trace/ribbon").status_code == 403


def test_many_defects_are_drawn_as_fields_that_lead_closer(
    plant: Plant, booth: Booth, lead: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.ribbon_map.POINT_LIMIT", 10)
    with writing(plant.sessions) as session:
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        for n in range(11):
            factories.make_defect(session, sheet, 100.0 + 200 * n, 500.0)
    page = lead.get("/trace/ribbon?period=month").text
    assert 'class="spot field s' in page
    assert "period=metres" in page
    assert "11 bubble" not in page.split("under-pointer")[0].split("spots")[0]


def test_times_in_the_form_are_the_plant_s_own_clock() -> None:
    form = read_form(MultiDict({"from": "2026-03-02T06:00", "period": "between"}), BERLIN)
    assert form.begin == datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
    assert form.arguments(BERLIN)["from"] == "2026-03-02T06:00"


def test_a_form_comes_back_from_its_own_address() -> None:
    given = {
        "line": "3",
        "period": "metres",
        "m_lo": "10.5",
        "m_hi": "900",
        "x_lo": "100",
        "size_lo": "0,8",
        "crew": ":B",
        "source": "hand",
        "along": "metres",
    }
    form = read_form(MultiDict(given), BERLIN)
    again = read_form(MultiDict({k: str(v) for k, v in form.arguments(BERLIN).items() if v != []}), BERLIN)
    assert again == form
    assert form.size_lo == 0.8


def test_numbers_out_of_all_reason_are_refused() -> None:
    with pytest.raises(BadValue, match="to metre: 'inf' is not a number"):
        read_form(MultiDict({"m_hi": "inf"}), BERLIN)
