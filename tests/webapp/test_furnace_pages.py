"""The furnace page: what the trace rests on, a tracer file from the browser, switching by name."""

import io
import json

import pytest
from sqlalchemy import func, select

from models.database import reading, writing
from models.records import AuditEntry, ImportRun, PlantFigures, TracerReading, TracerRun
from tests import factories
from webapp.figures.tracer_figure import nice_hours

T0 = "2026-02-01T06:00:00+01:00"
# Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 11 (from memory), minutes as hundreds of tonnes
LEVENSPIEL = (0, 3, 5, 5, 4, 2, 1, 0)


def tracer_file(readings=LEVENSPIEL, run="TR-1", section="melter", **more):
    columns = ["run_id", "section", "introduced", "tonnes", "tracer", *more]
    rows = [",".join(columns)]
    for n, c in enumerate(readings):
        whole = [section, T0] if n == 0 else ["", ""]
        rest = [str(value) if n == 0 else "" for value in more.values()]
        rows.append(",".join([run, *whole, str(500 * n), str(c), *rest]))
    return ("\n".join(rows) + "\n").encode()


def send(client, data, name="tracer.csv", **form):
    form = {"back": "/trace/furnace", **form, "file": (io.BytesIO(data), name)}
    return client.post("/trace/furnace/runs", data=form, follow_redirects=True)


@pytest.fixture
def lead(signed_in):
    return signed_in("quality_lead")


@pytest.fixture
def figures(plant, booth):
    with writing(plant.sessions) as session:
        factories.make_figures(session, booth.line_id, melter_mass_t=1700.0)


def test_without_figures_or_runs_the_page_says_how_to_bring_them_in(lead, booth):
    page = lead.get("/trace/furnace")
    assert page.status_code == 200
    assert "lehrbook import plant FILE" in page.text
    assert "No tracer run is in the books" in page.text


def test_a_file_from_the_browser_goes_into_use_and_shows_what_it_says(plant, lead, figures):
    page = send(lead, tracer_file(method="pulse", added_kg=10, unit="g/t", note="left dog house"))
    assert "8 rows of tracer for line" in page.text
    assert "tracer run TR-1" in page.text
    assert "used by the trace" in page.text
    assert "as measured" in page.text
    assert "1\u202f500" in page.text  # the mean
    assert "12 %" in page.text  # of 1700 t by the figures take no share
    with reading(plant.sessions) as session:
        assert session.scalars(select(TracerRun)).one().note == "left dog house"
        imported = session.scalars(select(ImportRun)).one()
        assert imported.user_id is not None
        entry = session.scalars(select(AuditEntry).where(AuditEntry.action == "import")).one()
        assert entry.origin.startswith("browser ")
    own = lead.get("/trace/furnace/runs/1").text
    assert "1\u202f500" in own
    assert "4.7 of the same mean and variance" in own
    assert "100 % of 10 kg" in own
    assert "left dog house" in own
    assert 'class="fitted"' in own
    assert own.count("<circle") == 8


def test_a_bad_file_is_refused_with_its_line_and_nothing_is_stored(plant, lead, booth):
    bad = tracer_file() + b"TR-1,,,4000,much\n"
    page = send(lead, bad)
    assert "tracer.csv, line 10: tracer is &#39;much&#39;; expected a number" in page.text
    assert "the box below the file lets the good rows in" in page.text
    with reading(plant.sessions) as session:
        assert session.scalar(select(func.count()).select_from(TracerReading)) == 0
    page = send(lead, bad, skip_bad="on")
    assert "1 refused" in page.text
    assert "refused: line 10" in page.text
    assert "8 added" in page.text
    assert "no file was chosen" in send(lead, b"", name="").text
    assert "cannot be read as CSV" in send(lead, b"\xff\xfe\x00").text


def test_a_lead_goes_back_to_the_figures_by_name(plant, lead, figures):
    send(lead, tracer_file())
    address = "/trace/furnace/runs/1"
    page = lead.post(f"{address}/use", data={"to": "without", "note": "pull was odd"}, follow_redirects=True)
    assert "does without run TR-1 from now on, by your name" in page.text
    assert "Use this run for the trace" in page.text
    assert "plant figures" in lead.get("/trace/furnace").text
    page = lead.post(f"{address}/use", data={"to": "use"}, follow_redirects=True)
    assert "the trace uses it for the melter" in page.text
    with reading(plant.sessions) as session:
        acts = session.scalars(select(AuditEntry).where(AuditEntry.action == "tracer_run.use")).all()
        assert [json.loads(act.details)["in_use"] for act in acts] == [False, True]
        assert json.loads(acts[0].details)["note"] == "pull was odd"
        assert session.scalar(select(func.count()).select_from(PlantFigures)) == 1


def test_a_step_is_drawn_as_its_share_of_new_glass(lead, booth):
    shares = (0.0, 0.02, 0.15, 0.38, 0.6, 0.77, 0.88, 0.94, 0.97, 0.985, 0.993, 1.0)
    send(lead, tracer_file(shares, method="step", final=1.0))
    page = lead.get("/trace/furnace/runs/1").text
    assert "% new glass" in page
    assert "How the new glass replaced the old" in page


@pytest.mark.parametrize("role", ["inspector", "claims_desk"])
def test_others_do_not_get_in(signed_in, role):
    client = signed_in(role)
    assert client.get("/trace/furnace").status_code == 403
    assert client.post("/trace/furnace/runs/1/use").status_code == 403
    assert client.post("/trace/furnace/runs").status_code == 403


def test_an_unknown_run_is_a_sentence(lead, booth):
    page = lead.get("/trace/furnace/runs/77")
    assert page.status_code == 404
    assert "there is no such run" in page.text


def test_hours_below_the_tonnes_are_round():
    assert nice_hours(70.0) == [0, 12, 24, 36, 48, 60]
    assert nice_hours(8.0) == [0, 1, 2, 3, 4, 5, 6, 7, 8]
    assert nice_hours(2000.0) == [0, 500, 1000, 1500, 2000]
