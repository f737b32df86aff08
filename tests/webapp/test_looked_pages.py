"""The lead's pages over glass that was looked at, in part, not, or of which nobody knows."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from models.database import writing
from models.records import Sheet
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant

PLANT_DAY = 14_400.0  # metres of ribbon at the factories' speed
Shifts = Callable[..., None]


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    return signed_in("quality_lead")


@pytest.fixture
def shifts(plant: Plant, booth: Booth) -> Shifts:
    """Makes shifts of eight hours, each with one sheet: its part looked at and its stones."""

    def make(*sheets: tuple[float | None, int]) -> None:
        with writing(plant.sessions) as session:
            session.query(Sheet).delete()
            factories.make_figures(session, booth.line_id)
            for n, (looked, stones) in enumerate(sheets):
                shift = factories.make_shift(
                    session, booth.line_id, factories.START + timedelta(hours=8 * n), crew="ABC"[n % 3]
                )
                sheet = factories.make_finished_sheet(
                    session, booth.line_id, n * PLANT_DAY / 3, shift_id=shift.id, looked_fraction=looked
                )
                for k in range(stones):
                    factories.make_defect(session, sheet, 1500.0 + k, 500.0, kind="stone")

    return make


def _unbroken(page: str) -> str:
    """The page's words, each run of blanks one blank, without its tags."""
    return " ".join(re.sub(r"<[^>]*>", " ", page).split())


def test_the_ribbon_says_what_its_rates_leave_out(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((1.0, 2), (0.25, 1), (0.0, 1), (None, 3))
    page = lead.get("/trace/ribbon").text
    words = _unbroken(page)
    assert (
        "7 defects in view, 3 of them on 2 sheets that were looked at (24 m², 31 % of the glass in view)"
        in words
    )
    assert (
        "1 sheet of which nobody knows whether it was looked at, 3 defects on it: not in the rates." in words
    )
    assert "1 sheet that was not looked at, 1 defect on it: not in the rates." in words
    assert "defects per 1000 m² looked at" in words


def test_a_shift_of_unknown_glass_reads_unknown_and_never_zero(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((1.0, 0), (None, 0), (0.0, 0))
    page = lead.get("/trace/ribbon").text
    rows = {
        name: _unbroken(row)
        for row in re.findall(r"<tr>.*?</tr>", page, re.S)
        for name in ("crew A", "crew B", "crew C")
        if name in row
    }
    assert re.search(r"crew A .* 1 19 0 0 \(", rows["crew A"])
    assert "unknown" in rows["crew B"]
    assert rows["crew B"].endswith("unknown 1 0")
    assert rows["crew C"].endswith("not looked at 0 1")
    for name in ("crew B", "crew C"):
        # besides the shift's time, no cell of it holds a number of defects
        assert not re.search(r"\b0 0 \(", rows[name])
    gap = re.search(r'fill="url\(#glass-unknown\)"[^>]*><title>early, crew B[^<]*', page)
    assert gap is not None
    assert gap.group().endswith("no defect recorded on it: not in the rates")


def test_every_pattern_that_is_drawn_is_on_the_page_and_in_a_legend(
    lead: FlaskClient, shifts: Shifts
) -> None:
    shifts((1.0, 2), (0.25, 1), (0.0, 1), (None, 3))
    for address in ("/trace/ribbon", "/trace/charts", "/trace/charts?chart=sums"):
        page = lead.get(address).text
        drawn = set(re.findall(r"url\(#(glass-\w+)\)", page))
        assert {"glass-unknown", "glass-not_looked"} <= drawn
        assert drawn <= set(re.findall(r'<pattern id="([^"]+)"', page))
        legends = _unbroken("".join(re.findall(r'<p class="glass-legend.*?</p>', page, re.S)))
        assert "not looked at" in legends
        assert "not known whether looked at" in legends
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_an_empty_picture_says_that_nobody_knows(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((None, 0), (None, 0))
    page = lead.get("/trace/ribbon").text
    assert "no defects in view: not known whether looked at" in page
    assert "2 sheets of which nobody knows whether they were looked at" in page


def test_the_rates_are_drawn_with_the_usual_rate_which_an_episode_does_not_lift(
    lead: FlaskClient, shifts: Shifts
) -> None:
    """Seven shifts of two stones and two of thirty on 19.26 m²: usually 104 per 1000 m², 427 on average."""
    shifts(*[(1.0, 30 if n in (4, 5) else 2) for n in range(9)])
    page = lead.get("/trace/ribbon?kind=stone").text
    assert re.search(r">usual rate</text><text[^>]*>104</text>", page)
    assert page.count('class="rate apart"') == 2
    foot = _unbroken(re.findall(r"<tbody>.*?</tbody>", page, re.S)[1])
    assert "All 9 173 74 427" in foot
    assert foot.endswith("Usual rate 104")


def test_charts_show_shifts_of_unknown_glass_as_unknown(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((1.0, 2), (1.0, 2), (None, 9), (1.0, 2), (0.0, 0), (0.5, 1))
    for address in ("/trace/charts", "/trace/charts?chart=sums"):
        page = lead.get(address).text
        assert "1 shift unknown; 1 shift not looked at" in page
        words = _unbroken(page)
        assert (
            "1 sheet of which nobody knows whether it was looked at, 9 defects on it: not in the rates."
            in words
        )
        assert "1 sheet that was not looked at: not in the rates." in words
    page = lead.get("/trace/charts").text
    assert "stone, middle third: 0 of 4 beyond the limits" in page
    # two stones on 7 m² of the third; where half was looked at one stone on 3.5 m²
    rates = re.findall(r'aria-label="early, crew [ABC], [^"]*: ([\d.]+) per 1000 m²"', page)
    assert rates.count("286") == 4
    assert set(rates) == {"286", "0"}


def test_no_line_runs_over_a_shift_of_unknown_glass(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((1.0, 2), (1.0, 2), (None, 9), (1.0, 2), (1.0, 3))
    for address in ("/trace/charts?kind=stone", "/trace/charts?kind=stone&chart=sums"):
        lines = re.findall(r'<path class="fitted" d="([^"]*)"', lead.get(address).text)
        # two shifts before it, two after it; the outer thirds have no usual rate to sum from
        assert lines[1].count("M") == lines[1].count("L") == 2


def test_charts_of_unknown_glass_alone_say_so(lead: FlaskClient, shifts: Shifts) -> None:
    shifts((None, 2), (None, 0))
    page = lead.get("/trace/charts").text
    assert "0 of 0 beyond the limits, the moving average at 0; 2 shifts unknown" in page
    assert 'class="usual"' not in page
    assert "2 sheets of which nobody knows whether they were looked at, 2 defects on them" in page


def test_fields_over_glass_that_nobody_looked_at_say_so(
    lead: FlaskClient, shifts: Shifts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.ribbon_map.POINT_LIMIT", 3)
    shifts((1.0, 2), (0.25, 1), (0.0, 1), (None, 3))
    page = lead.get("/trace/ribbon").text
    said = re.findall(r'aria-label="\d stone defects?, [^"]* mm across([^"]*)"', page)
    assert said == ["", ", 25 % looked at", ", not looked at", ", not known whether looked at"]
