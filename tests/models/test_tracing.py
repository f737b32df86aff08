"""Traces from the books: files in, episodes out; the last trace is kept and brought up to date."""

import json
import subprocess
import sys

import numpy as np
import pytest
from sqlalchemy import select

from models import tracing
from models.errors import BadValue
from models.imports import import_file
from models.records import Defect, Line
from models.tracer_runs import set_in_use
from tests.factories import make_user
from tests.simulator.defects import simulate
from tests.simulator.files import write_files
from tests.simulator.line import HOUR, build_line

SHAPES = ("bath_burst", "street", "repeat")
COMMAND = "import sys; from webapp.cli import main; sys.exit(main())"


@pytest.fixture(scope="module")
def plant_files(tmp_path_factory):
    rng = np.random.default_rng(17)
    line = build_line(rng, 9)
    made = simulate(rng, line, per_m2=0.05, episodes=3, shapes=SHAPES, drift=0.15)
    return write_files(tmp_path_factory.mktemp("plant"), line, made, rng), line, made


@pytest.fixture
def filled(sessions, plant_files):
    for kind, path in plant_files[0].items():
        import_file(sessions, kind, path, time_zone="Europe/Berlin")
    return sessions


def test_the_books_give_the_episodes_that_were_put_in(filled, plant_files):
    _, line, made = plant_files
    with filled() as session:
        traced = tracing.trace_line(session, tracing.the_line(session, None).id)
    found = traced.result.episodes
    for truth in made.truths:
        near = [
            e for e in found
            if e.kind == truth.kind and e.x_lo_mm < truth.x_hi_mm and e.x_hi_mm > truth.x_lo_mm
            and abs(e.seen_start_s - truth.seen_start) < 4 * HOUR
        ]  # fmt: skip
        assert near, truth
    assert len(found) == len(made.truths)
    ids = traced.loaded.defect_ids[found[0].members]
    with filled() as session:
        kinds = set(session.scalars(select(Defect.kind).where(Defect.id.in_(ids.tolist()[:500]))))
    assert kinds == {found[0].kind}
    step = traced.result.clock_steps
    assert [round(s.step_s / 60) for s in step] == [round(line.clock_steps[0][2] / 60)]


def test_what_was_looked_at_is_told_by_the_file_or_estimated(filled, plant_files, tmp_path):
    """First nobody knows; then a later file says it of the same sheets, and the trace takes it from there."""
    _, line, made = plant_files
    with filled() as session:
        line_id = tracing.the_line(session, None).id
        before = tracing.latest_trace(session, line_id)
    assert np.isnan(before.loaded.given.sheets.looked).all()
    said = before.result.as_json(tracing.plant_clock("UTC"))
    assert said["looked_at_source"] == "estimated"
    assert said["looked_at"]["sheets_told"] == 0
    assert said["looked_at"]["estimated_share"] == pytest.approx(line.inspected.mean(), abs=0.02)
    later = write_files(tmp_path, line, made, np.random.default_rng(0), looked=True)
    assert import_file(filled, "sheets", later["sheets"]).changed == line.inspected.size
    with filled() as session:
        after = tracing.latest_trace(session, line_id)
    assert (after.loaded.given.sheets.looked == line.inspected).all()
    told = after.result.as_json(tracing.plant_clock("UTC"))
    assert told["looked_at_source"] == "told"
    assert "note" not in told["looked_at"]


def test_a_stretch_and_a_kind_can_be_asked_for(filled, plant_files):
    from datetime import UTC, datetime

    truth = max(plant_files[2].truths, key=lambda t: t.seen_start)
    start = datetime.fromtimestamp(truth.seen_start - HOUR, UTC)
    with filled() as session:
        line_id = tracing.the_line(session, None).id
        traced = tracing.trace_line(session, line_id, start)
        shown = [traced.result.episodes[n] for n in tracing.shown_episodes(traced, truth.kind)]
    assert shown
    assert all(e.kind == truth.kind and e.seen_end_s >= start.timestamp() for e in shown)


def test_the_last_trace_follows_the_tracer_run_in_use(filled, plant_files, tmp_path):
    path = tmp_path / "tracer.csv"
    readings = (0, 0, 2, 9, 12, 9, 6, 3.5, 2, 1, 0.5, 0)
    rows = [f"T1,,,{250 * n},{c}" for n, c in enumerate(readings)]
    rows[0] = "T1,melter+refiner,2026-02-01T06:00:00Z,0,0"
    path.write_text("run_id,section,introduced,tonnes,tracer\n" + "\n".join(rows) + "\n", encoding="utf-8")
    with filled() as session:
        line_id = tracing.the_line(session, None).id
        plain = tracing.latest_trace(session, line_id)
        assert plain.loaded.tracer_runs == {}
    import_file(filled, "tracer", path)
    with filled.begin() as session:
        traced = tracing.latest_trace(session, line_id)
        assert traced.loaded.tracer_runs == {"melter": "T1"}
        curves = traced.loaded.given.vessels.melter_and_refiner_tracer
        assert np.mean([c.mean_t() for c in curves]) == pytest.approx(1192, rel=0.01)
        set_in_use(session, 1, False, make_user(session).id)
        again = tracing.latest_trace(session, line_id)
        assert again.loaded.tracer_runs == {}
        assert again.loaded.given.vessels == plain.loaded.given.vessels


def test_the_last_trace_is_kept_until_something_changes(filled):
    with filled() as session:
        line_id = tracing.the_line(session, None).id
        first = tracing.latest_trace(session, line_id)
        assert tracing.latest_trace(session, line_id) is first
    episode = first.result.episodes[0]
    with filled.begin() as session:
        row = session.get(Defect, int(first.loaded.defect_ids[episode.members[0]]))
        row.current = False
        session.add(
            Defect(
                line_id=line_id, sheet_id=row.sheet_id, number=9999, source="import", kind=row.kind,
                x_mm=row.x_mm, y_mm=row.y_mm, ribbon_m=row.ribbon_m, ribbon_x_mm=row.ribbon_x_mm,
                found_at=row.found_at, recorded_at=row.recorded_at, withdrawn=True, current=False,
                supersedes_id=row.id,
            )
        )  # fmt: skip
    with filled() as session:
        second = tracing.latest_trace(session, line_id)
    assert second is not first
    gone = int(first.loaded.defect_ids[episode.members[0]])
    assert gone not in second.loaded.defect_ids
    assert len(second.result.episodes) == len(first.result.episodes)


def test_what_is_not_there_is_said(sessions):
    with sessions() as session, pytest.raises(BadValue, match="import sheets first"):
        tracing.the_line(session, None)
    with sessions.begin() as session:
        line = Line(
            name="L1", plant="Eschenfurt", time_zone="UTC", created_at=tracing.datetime.now(tracing.UTC)
        )
        session.add(line)
        session.flush()
        with pytest.raises(BadValue, match="fewer than two sheets"):
            tracing.trace_line(session, line.id)
        with pytest.raises(BadValue, match="there is no line 'L2'"):
            tracing.the_line(session, "L2")


def test_commands_import_and_trace(plant_files, tmp_path):
    """The two commands as a plant's script uses them, in a data folder that does not exist yet."""
    paths = plant_files[0]

    def run(*words):
        return subprocess.run(
            [sys.executable, "-c", COMMAND, "--home", str(tmp_path / "new"), *words],
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    for kind, path in paths.items():
        done = run("import", kind, str(path))
        assert (done.returncode, done.stderr) == (0, "")
    said = json.loads(run("trace", "--json").stdout)
    assert len(said["episodes"]) == len(plant_files[2].truths)
    assert said["looked_at_source"] == "estimated"
    sheets = said["looked_at"]["sheets"]
    note = f"For {sheets} of {sheets} sheets nobody recorded whether they were looked at; their share was"
    assert said["looked_at"]["note"].startswith(note)
    text = run("trace").stdout
    assert "an association, not a proof of cause" in text
    assert note in text
    bad = run("trace", "--from", "yesterday")
    assert bad.returncode == 2
    assert bad.stderr.count("\n") == 1
    assert "--from: 'yesterday' is not a time" in bad.stderr
    other = tmp_path / "defects.csv"
    other.write_text("sheet_id,kind,x_mm,y_mm,found_time\nnone,stone,1,1,2026-03-01T00:00:00Z\n")
    refused = run("import", "defects", str(other))
    assert refused.returncode == 2
    assert "defects.csv, line 2: sheet_id 'none' is not in the books" in refused.stderr
