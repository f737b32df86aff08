"""Control charts for the quality lead: what lies beyond its limits, and any number of defects."""

import re
from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest
from flask.testing import FlaskClient

from models.database import writing
from models.rates import rate
from models.records import Sheet
from models.ribbon_glass import Apart
from models.shift_rates import ShiftRate, ShiftRates
from models.trace.sums import CountSums, count_cusum
from tests import factories
from tests.webapp.conftest import Booth
from webapp.plant import Plant
from webapp.trace import chart_pages


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in quality lead."""
    return signed_in("quality_lead")


def test_charts_of_a_line_without_inspected_glass_say_so(lead: FlaskClient) -> None:
    assert "nothing to chart" in lead.get("/trace/charts").text


def test_a_shift_far_above_the_usual_lies_beyond_its_limit_on_its_third_alone(
    lead: FlaskClient, plant: Plant, booth: Booth
) -> None:
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
        for n in range(12):
            begin = factories.START + timedelta(hours=8 * n)
            shift = factories.make_shift(session, booth.line_id, begin)
            sheet = factories.make_finished_sheet(
                session, booth.line_id, 4800.0 * n, shift_id=shift.id, length_mm=6000.0
            )
            for k in range(30 if n == 6 else 4):
                factories.make_defect(session, sheet, 100.0 + k, 500.0, kind="stone")
            factories.make_defect(session, sheet, 3000.0, 500.0, kind="stone")
    page = lead.get("/trace/charts?period=month").text
    assert "stone, left third: 1 of 12 beyond the limits" in page
    assert "stone, right third: 0 of 12 beyond the limits" in page
    assert "NIST/SEMATECH e-Handbook 6.3.3.1" in page
    assert "Dispersion test over the period: p below 0.001." in page
    sums = lead.get("/trace/charts?period=month&chart=sums").text
    assert "stone, left third: passes its limit of" in sums
    assert "defects once; first rising from the shift early, crew A, Wed 04 Mar 06:00" in sums
    assert "stone, right third: stays below its limit of" in sums
    assert "about once in 370 shifts" in sums
    assert "the limits leave that out" not in lead.get("/trace/charts?limits=plain&chart=sums").text


def test_a_shift_that_hardly_looked_is_not_charted(lead: FlaskClient, plant: Plant, booth: Booth) -> None:
    """One defect on one small pane is a huge rate that says nothing."""
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
        for n in range(12):
            begin = factories.START + timedelta(hours=8 * n)
            shift = factories.make_shift(session, booth.line_id, begin)
            length = 200.0 if n == 11 else 6000.0
            sheet = factories.make_finished_sheet(
                session, booth.line_id, 4800.0 * n, shift_id=shift.id, length_mm=length
            )
            factories.make_defect(session, sheet, 100.0, 100.0, kind="stone")
    page = lead.get("/trace/charts?period=month").text
    assert "stone, left third: 0 of 11 beyond the limits" in page


@pytest.mark.parametrize("per_shift", [0, 1, 10_000, 1_000_000])
def test_charts_of_any_number_of_defects_are_drawn(
    lead: FlaskClient, plant: Plant, booth: Booth, monkeypatch: pytest.MonkeyPatch, per_shift: int
) -> None:
    """Millions of defects are not stored for this; their counts take the place of the database's."""
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
        factories.make_finished_sheet(session, booth.line_id, 4800.0)
    rng = np.random.default_rng(4)

    def counted(session: object, wanted: object, kinds: tuple[str, ...], *_: object) -> ShiftRates:
        begins = [factories.START + timedelta(hours=8 * n) for n in range(12)]
        shifts = tuple(
            ShiftRate(
                "early", "A", begin, begin + timedelta(hours=8), 100, 2000.0,
                tuple(rate(int(n), 2000.0) for n in rng.poisson(per_shift, len(kinds))), Apart(),
            )
            for begin in begins
        )  # fmt: skip
        none = tuple(rate(0, 0.0) for _ in kinds)
        return ShiftRates(kinds, "shift", shifts, none, tuple(None for _ in kinds), Apart(), assumed=False)

    monkeypatch.setattr(chart_pages, "shift_rates", counted)
    for limits in ("widened", "plain"):
        page = lead.get(f"/trace/charts?period=month&limits={limits}")
        assert page.status_code == 200
        assert re.search(r"stone, left third: \d+ of [1-9]\d* beyond the limits", page.text)
        page = lead.get(f"/trace/charts?period=month&chart=sums&limits={limits}")
        assert page.status_code == 200
        said = "stays below its limit of" if per_shift else "no usual rate to compare with"
        assert f"stone, left third: {said}" in page.text
        assert "limit of 0 defects" not in page.text


def test_sums_are_reckoned_only_where_they_are_asked_for(
    lead: FlaskClient, plant: Plant, booth: Booth, monkeypatch: pytest.MonkeyPatch
) -> None:
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
        sheet = factories.make_finished_sheet(session, booth.line_id, 4800.0)
        factories.make_defect(session, sheet, 100.0, 500.0, kind="stone")
    asked: list[float] = []

    def noted(*args: object, usual: float, **rest: object) -> CountSums:
        asked.append(usual)
        return count_cusum(*args, usual=usual, **rest)  # type: ignore[arg-type]

    monkeypatch.setattr(chart_pages, "count_cusum", noted)
    assert "beyond the limits" in lead.get("/trace/charts?period=month").text
    assert asked == []
    assert "limit of" in lead.get("/trace/charts?period=month&chart=sums").text
    assert asked
