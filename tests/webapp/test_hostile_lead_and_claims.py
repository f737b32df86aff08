"""Addresses that nobody types by accident: each gets a plain answer, never a fault of the program."""

from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from models.database import writing
from models.records import Sheet
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant

HUGE = "9" * 30


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient], plant: Plant, booth: Booth) -> FlaskClient:
    """A signed-in quality lead of a plant with one defect."""
    with writing(plant.sessions) as session:
        factories.make_defect(session, session.get_one(Sheet, booth.sheet_ids[0]), 100.0, 100.0)
    return signed_in("quality_lead")


@pytest.mark.parametrize(
    "query",
    [
        "kind=<script>alert(1)</script>",
        "m_lo=99999999999&period=metres",
        "m_lo=-99999999&m_hi=99999999999&period=metres",
        "m_lo=nan&period=metres",
        "from=0001-01-01T00:00&to=9999-12-31T23:59&period=between",
        "from=9999-12-31T23:59&period=between",
        "x_lo=-99999999&x_hi=99999999",
        "x_lo=5000&x_hi=5000",
        "size_lo=1e-300",
        f"defect={HUGE}",
        "defect=-1",
        f"line={HUGE}",
        "line=1%00",
        "crew=%00:%27",
        "source=photo%27--",
        "along=time&period=year&kind=" + "x" * 5000,
        "kind=" + "&kind=".join(f"k{n}" for n in range(300)),
    ],
)
def test_no_filter_breaks_the_ribbon_page(lead: FlaskClient, query: str) -> None:
    page = lead.get(f"/trace/ribbon?{query}")
    assert page.status_code in (200, 400, 404)
    assert "<script>alert" not in page.text


@pytest.mark.parametrize(
    "path",
    [
        f"/trace/defect/{HUGE}",
        f"/trace/defect/{HUGE}/panel",
        f"/trace/episodes/{HUGE}/x",
        "/trace/episodes/1/%00",
        "/trace/episodes/1/-",
        f"/sheets/{HUGE}",
        f"/sheets/{HUGE}/dossier.pdf",
        "/sheets/label/%00",
        "/sheets/label/" + "L" * 3000,
    ],
)
def test_no_number_or_name_breaks_a_page(lead: FlaskClient, path: str) -> None:
    assert lead.get(path).status_code == 404


@pytest.mark.parametrize(
    "query",
    [
        "q=%00",
        "q=" + "%25" * 200,
        f"q=a&before={HUGE}",
        "from=9999-12-31&to=9999-12-31",
        "from=0001-01-01",
        "q=\\",
    ],
)
def test_no_search_breaks_the_search_page(lead: FlaskClient, query: str) -> None:
    assert lead.get(f"/sheets/?{query}").status_code in (200, 400)


def test_a_notice_that_does_not_exist_is_not_acknowledged(lead: FlaskClient) -> None:
    assert lead.post(f"/trace/notices/{HUGE}/acknowledge").status_code == 404
    assert lead.post("/trace/notices/7/acknowledge").status_code == 404
