"""Episodes for the quality lead: list, the way back to the furnace, hold list, notices with a name."""

import csv
import io
import re
from collections.abc import Callable
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from flask.testing import FlaskClient

from models import audit
from models.database import reading, writing
from models.hold_list import hold_list
from models.records import EpisodeNotice, Sheet
from models.trace import Defects, Exposure, RollPlace, TraceInput, TraceResult
from models.trace.data import PlantEvent, Sheets
from models.trace.grid import Stretch
from models.trace.origin import Cause
from models.trace.repeats import Pitch
from models.trace.result import Curve, Episode
from models.trace.rolls import RollMatch
from models.tracing import Loaded, Traced
from tests import factories
from tests.webapp.conftest import Booth
from webapp.figures.episode_figure import LEFT, RIGHT, draw_episode, draw_pitch
from webapp.figures.marks import mark_for
from webapp.figures.sharpness_figure import draw_sharpness
from webapp.plant import Plant

START_S = factories.START.timestamp()
HOUR = 3600.0
EVENT = PlantEvent("E-7", START_S - 60 * HOUR, None, "melter", "Burner 4 exchanged")


def an_episode(**given: object) -> Episode:
    hours = np.arange(48.0)
    curve = Curve(
        start_s=START_S + hours * HOUR,
        width_s=HOUR,
        count=np.where((hours > 12) & (hours < 30), 6.0, 1.0),
        area_m2=np.where(hours == 20, 0.0, 400.0),
        background=np.full(48, 1.0),
        fitted=np.where((hours > 12) & (hours < 30), 6.0, 1.0),
    )
    values: dict[str, object] = {
        "kind": "stone",
        "x_lo_mm": 200.0,
        "x_hi_mm": 900.0,
        "whole_width": False,
        "seen_start_s": START_S + 12 * HOUR,
        "seen_end_s": START_S + 30 * HOUR,
        "from_m": 500_990.0,
        "to_m": 502_000.0,
        "count": 108,
        "expected": 18.0,
        "p_value": 1e-9,
        "section": "melter",
        "section_weights": {"melter": 0.9, "bath": 0.1},
        "origin_start_s": START_S - 62 * HOUR,
        "origin_end_s": START_S - 55 * HOUR,
        "onset_s": START_S - 60 * HOUR,
        "stop_s": START_S - 56 * HOUR,
        "causes": ((Cause("E-7", EVENT.start_s, None, "melter", event=EVENT), 0.7),),
        "none_weight": 0.3,
        "course": "burst",
        "pitch": None,
        "rolls": (),
        "curve": curve,
        "members": np.arange(3),
    }
    return Episode(**(values | given))  # type: ignore[arg-type]


METRES = np.array([1.0, 2.5, 4.0])


TOLD = Exposure(np.ones(3), 3, 0)


def traced(*episodes: Episode, metres: np.ndarray = METRES, exposure: Exposure = TOLD) -> Traced:
    none = np.zeros(metres.size, dtype=int)
    given = TraceInput(
        sheets=Sheets(*(np.empty(0) for _ in range(6))),
        defects=Defects(("stone",), none, metres, np.zeros(metres.size), none),
        line=None,
        layout=None,  # type: ignore[arg-type]
        vessels=None,
        events=(),
        tags=(),
        rolls=(),
    )
    result = TraceResult(episodes, (), (), None, (), 1000.0, 50, START_S, START_S + 48 * HOUR, exposure)
    return Traced(result, Loaded(given, np.empty(0), np.arange(metres.size) + 11), None, None)


@pytest.fixture
def lead(signed_in: Callable[[str], FlaskClient]) -> FlaskClient:
    """A signed-in quality lead."""
    return signed_in("quality_lead")


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> Episode:
    """One episode, as if the trace had just found it."""
    episode = an_episode()
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: traced(episode))
    return episode


def test_nothing_found_is_said_plainly(lead: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: traced())
    assert "No episode: nothing rises above the usual level" in lead.get("/trace/episodes").text


def test_the_pages_say_where_nobody_recorded_who_looked(
    lead: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = Exposure(np.ones(3), 3, 2, 0.664, 0.61, 0.67, 80.0)
    gaps = tuple(Stretch(float(n), n + 1.0, START_S, START_S + HOUR, 7 + n, 50.0) for n in range(22))
    shown = traced(an_episode(), exposure=part)
    shown = replace(shown, result=replace(shown.result, blind=gaps))
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: shown)
    says = (
        "For 2 of 3 sheets nobody recorded whether they were looked at; their share was estimated from the"
        " defects: 66 % (between 61 and 67 %)."
    )
    page = lead.get("/trace/episodes").text
    assert says in page
    assert page.count("taken as not looked at, left out") == 20
    assert "on 7 sheets" not in page
    assert "on 28 sheets" in page
    assert "And 2 shorter stretches of this kind" in page
    link = re.search(r'href="(/trace/episodes/\d+/[^"]+)"', page)
    assert link is not None
    assert says in lead.get(link[1]).text


def test_too_little_glass_for_a_trace_is_a_plain_sentence(
    lead: FlaskClient, plant: Plant, booth: Booth
) -> None:
    with writing(plant.sessions) as session:
        session.query(Sheet).delete()
    page = lead.get("/trace/episodes")
    assert page.status_code == 200
    assert "fewer than two sheets" in page.text


def test_the_list_names_count_chance_section_and_the_entry_that_fits(
    lead: FlaskClient, found: Episode
) -> None:
    page = lead.get("/trace/episodes").text
    for words in ("108", "where 18 are usual", "p below 0.000001", "the melter", "E-7: Burner 4 exchanged"):
        assert words in page
    assert "an association, never a proof of cause" in page


def test_an_entry_weaker_than_none_of_these_is_not_put_forward(
    lead: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    weak = an_episode(
        causes=((Cause("E-7", EVENT.start_s, None, "melter", event=EVENT), 0.2),), none_weight=0.8
    )
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: traced(weak))
    page = lead.get("/trace/episodes").text
    assert "Burner 4" not in page
    assert "none of these" in page


def test_an_episode_is_drawn_back_to_the_furnace(lead: FlaskClient, found: Episode, booth: Booth) -> None:
    page = lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200").text
    for words in ("made in the melter (90 %)", "none of these", "Burner 4 exchanged", "Who else has it"):
        assert words in page
    assert "an association in time, never a proof of cause" in page.lower()


def test_an_episode_that_grew_is_still_found_by_its_old_address(
    lead: FlaskClient, booth: Booth, monkeypatch: pytest.MonkeyPatch
) -> None:
    grown = an_episode(from_m=500_700.0, x_lo_mm=150.0)
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: traced(grown))
    assert lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200").status_code == 200
    gone = lead.get(f"/trace/episodes/{booth.line_id}/bubble-500990-200")
    assert gone.status_code == 404
    assert "may have sunk into the background" in gone.text


def test_a_roll_is_named_with_the_next_best_where_they_are_too_close(
    lead: FlaskClient, booth: Booth, monkeypatch: pytest.MonkeyPatch
) -> None:
    pitch = Pitch(678.2, 0.46, 1e-6, 0.99, 8, 8, 3.0)
    rolls = tuple(
        RollMatch(RollPlace(name, diameter, 60.0), weight, diameter * 3.14159, 0.05)
        for name, diameter, weight in (("lehr roll 3", 216.0, 0.6), ("lift-out roll 2", 215.8, 0.35))
    )
    repeat = an_episode(pitch=pitch, rolls=rolls)
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: traced(repeat))
    page = lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200").text
    assert "Repeats every 678.20 ± 0.5 mm" in page
    assert "lehr roll 3" in page
    assert "lift-out roll 2" in page
    assert "too close to be told apart" in page
    assert 'href="/trace/defect/12"' in page


def test_of_many_marks_some_are_drawn_up_to_the_last_turn(
    lead: FlaskClient, booth: Booth, monkeypatch: pytest.MonkeyPatch
) -> None:
    pitch_m, turns = 0.6782, np.arange(0, 2000, 2)
    repeat = an_episode(
        pitch=Pitch(1000 * pitch_m, 0.01, 1e-6, 0.99, turns.size, 2000, 3.0), members=np.arange(turns.size)
    )
    told = traced(repeat, metres=100.0 + turns * pitch_m)
    monkeypatch.setattr("webapp.trace.recent.latest_trace", lambda _session, _line: told)
    page = lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200").text
    drawn = [int(n) for n in re.findall(r"turn (\d+), ", page)]
    assert 200 < len(set(drawn)) <= 300
    assert min(drawn) == 0
    assert max(drawn) > 1980
    assert "One mark in 4 is drawn" in page


@pytest.fixture
def held(plant: Plant, booth: Booth) -> None:
    """Sheets round the episode: one shipped with a stone, one in the yard that nobody looked at, one of which
    nobody knows, one before the stretch.
    """
    with writing(plant.sessions) as session:
        customer = factories.make_customer(session, name="=Kestrelholm")
        shipped = factories.make_pack(
            session, label="P-SHIP", customer_id=customer.id, shipped_at=factories.START
        )
        yard = factories.make_pack(session, label="P-YARD")
        hit = factories.make_finished_sheet(
            session, booth.line_id, 501_500.0, pack_id=shipped.id, label="HIT"
        )
        factories.make_defect(session, hit, 300.0, 100.0, kind="stone")
        factories.make_defect(session, hit, 2500.0, 100.0, kind="stone")
        factories.make_finished_sheet(
            session, booth.line_id, 501_506.0, pack_id=yard.id, label="NEXT", state="passed_by"
        )
        factories.make_finished_sheet(
            session, booth.line_id, 501_512.0, label="WHO", state="recorded", looked_fraction=None
        )
        factories.make_finished_sheet(session, booth.line_id, 500_900.0, label="EARLIER")
        factories.make_finished_sheet(
            session, booth.line_id, 501_600.0, label="BESIDE", x_left_mm=2000.0, width_mm=1000.0
        )


def test_the_hold_list_has_every_sheet_of_the_stretch_and_band(
    plant: Plant, booth: Booth, held: None
) -> None:
    with reading(plant.sessions) as session:
        found = hold_list(session, booth.line_id, "stone", 501_400.0, 502_000.0, 200.0, 900.0)
    assert [(s.label, s.place, s.here_words, s.others_words) for s in found.sheets] == [
        ("HIT", "shipped", "1", "1"),
        ("NEXT", "yard", "not looked at", "not looked at"),
        ("WHO", "loose", "unknown", "unknown"),
    ]
    assert [(p.label, p.sheets, p.marked, p.not_looked, p.unknown) for p in found.packs()] == [
        ("P-SHIP", 1, 1, 0, 0),
        ("P-YARD", 1, 0, 1, 0),
        (None, 1, 0, 0, 1),
    ]
    assert (found.marked, found.not_looked, found.unknown) == (1, 1, 1)


def test_the_hold_list_prints_and_goes_into_a_spreadsheet(
    lead: FlaskClient, booth: Booth, held: None, found: Episode
) -> None:
    page = lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200/hold").text
    assert "P-SHIP" in page
    assert "HIT" in page
    assert "1 not looked at, 1 of which nobody knows whether they were" in page
    assert '<td class="number">not looked at</td>' in page
    answer = lead.get(f"/trace/episodes/{booth.line_id}/stone-500990-200/hold.csv")
    assert answer.mimetype == "text/csv"
    told = list(csv.DictReader(io.StringIO(answer.data.decode("utf-8-sig"))))
    hit = next(row for row in told if row["sheet_id"] == "HIT")
    assert (hit["pack_id"], hit["state"], hit["stone_in_band"]) == ("P-SHIP", "shipped", "1")
    counts = {
        row["sheet_id"]: (row["stone_in_band"], row["other_defects"], row["looked_fraction"]) for row in told
    }
    assert counts["NEXT"] == ("not looked at", "not looked at", "0.000")
    assert counts["WHO"] == ("unknown", "unknown", "unknown")
    assert counts["HIT"] == ("1", "1", "1.000")
    assert hit["customer"] == "'=Kestrelholm", "no spreadsheet may take a name for a formula"


@pytest.fixture
def notice_id(plant: Plant, booth: Booth) -> int:
    """A notice that nobody has seen."""
    with writing(plant.sessions) as session:
        row = EpisodeNotice(
            line_id=booth.line_id,
            kind="stone",
            x_lo_mm=200.0,
            x_hi_mm=900.0,
            from_m=500_990.0,
            to_m=502_000.0,
            seen_start=factories.START,
            seen_end=factories.START,
            p_value=1e-9,
            result={"count": 12, "expected": 2.5},
            noticed_at=factories.START,
            updated_at=factories.START,
        )
        session.add(row)
        session.flush()
        return row.id


def test_a_notice_is_acknowledged_once_by_name_with_a_note(
    lead: FlaskClient, plant: Plant, booth: Booth, notice_id: int, found: Episode
) -> None:
    assert "12 where 2.5 are usual" in lead.get("/trace/episodes").text
    form = {"note": "throat cooling checked", "line": str(booth.line_id), "back": "/trace/episodes"}
    assert lead.post(f"/trace/notices/{notice_id}/acknowledge", data=form).status_code == 303
    page = lead.get("/trace/episodes").text
    assert "Acknowledged by Ruta quality_lead" in page
    assert "throat cooling checked" in page
    again = lead.post(f"/trace/notices/{notice_id}/acknowledge", data=form, follow_redirects=True)
    assert "was acknowledged before" in again.text
    with reading(plant.sessions) as session:
        assert not list(audit.verify(session))


@pytest.mark.parametrize("role", ["inspector", "claims_desk"])
def test_other_roles_do_not_acknowledge(
    signed_in: Callable[[str], FlaskClient], notice_id: int, role: str
) -> None:
    assert signed_in(role).post(f"/trace/notices/{notice_id}/acknowledge").status_code == 403


def test_one_time_axis_serves_seen_and_made() -> None:
    figure = draw_episode(
        an_episode(),
        ZoneInfo("Europe/Berlin"),
        lambda begin, finish: f"/{begin:%H}-{finish:%H}",
        "the melter",
    )
    assert LEFT <= figure.made[0] < figure.made[1] < figure.seen[0] < figure.seen[1] <= RIGHT
    hours_per_unit = 18.0 / (figure.seen[1] - figure.seen[0])
    assert (figure.seen[0] - figure.made[0]) * hours_per_unit == pytest.approx(74.0)
    assert [bar.empty for bar in figure.bars].count(True) == 1


def test_marks_of_one_roll_fold_to_a_level_line() -> None:
    """Eight marks whose pitch is 678.214 mm by least squares of place on turn (worked by hand)."""
    metres = [1.20, 1.88, 2.56, 3.23, 3.91, 4.59, 5.27, 5.95]
    figure = draw_pitch([(metre, f"/{n}") for n, metre in enumerate(metres)], 678.214)
    assert figure is not None
    per_mm = (figure.bottom - figure.top) / 678.214
    assert all(abs(point.y - figure.mean_y) / per_mm < 8.0 for point in figure.points)
    assert [point.text.split(",")[0] for point in figure.points] == [f"turn {n}" for n in range(8)]
    assert [point.url for point in figure.points] == [f"/{n}" for n in range(8)]
    assert draw_pitch([(1.0, "/"), (2.0, "/")], 678.214) is None


def test_shifts_that_see_half_and_double_lie_as_far_from_the_mean() -> None:
    figure = draw_sharpness(
        [(START_S, 0.5, 0.1), (START_S + 8 * HOUR, 2.0, 0.1), (START_S + 16 * HOUR, 1.0, 0.1)],
        ZoneInfo("UTC"),
    )
    assert figure is not None
    half, double, same = figure.points
    assert half.y - figure.mean_y == pytest.approx(figure.mean_y - double.y)
    assert same.y == pytest.approx(figure.mean_y)
    assert "saw 0.50 times the mean (0.41 to 0.61)" in half.text
    assert draw_sharpness([(START_S, 1.0, 0.1)], ZoneInfo("UTC")) is None


def test_the_history_of_a_sheet_names_the_episodes_its_glass_lies_in(
    signed_in: Callable[[str], FlaskClient], plant: Plant, booth: Booth, notice_id: int
) -> None:
    with writing(plant.sessions) as session:
        inside = factories.make_finished_sheet(session, booth.line_id, 501_500.0).id
        beside = factories.make_finished_sheet(
            session, booth.line_id, 501_500.0, x_left_mm=2000.0, width_mm=1000.0
        ).id
        later = factories.make_finished_sheet(session, booth.line_id, 502_500.0).id
    desk = signed_in("claims_desk")
    assert "stones up 200 to 900 mm across the ribbon" in desk.get(f"/sheets/{inside}").text
    for sheet_id in (beside, later):
        assert "Episodes that this glass lies in" not in desk.get(f"/sheets/{sheet_id}").text


@pytest.mark.parametrize(
    ("kind", "several"),
    [("scratch", "scratches"), ("bubble", "bubbles"), ("roll mark", "roll marks"), ("dross", "drosses")],
)
def test_several_of_a_kind_are_spelled_right(kind: str, several: str) -> None:
    assert mark_for(kind).plural == several
