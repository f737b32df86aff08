"""Tracer runs into the books: tonnes from the line log, textbook runs, bad rows, twice is once."""

import json
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select

from models.clock import utc_now
from models.errors import BadValue, NoSuchRecord
from models.imports import import_file
from models.imports.folder import take_folder
from models.records import AuditEntry, Line, LineLogRow, TracerReading, TracerRun
from models.ribbon import VesselChain
from models.tracer_runs import curves_in_use, run_view, runs_of_line, set_in_use
from tests import factories
from tests.simulator.defects import simulate
from tests.simulator.files import write_files
from tests.simulator.line import DAY, build_line
from tests.simulator.tracer import ADDED_KG, tracer_samples, with_two_paths, write_tracer

HEADER = "run_id,section,introduced,time,tonnes,tracer,unit\n"
T0 = "2026-03-01T06:00:00+01:00"


def write(folder: Path, text: str, name: str = "tracer.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def by_tonnes(tonnes, tracer, *, run="T1", unit="g/t", **more):
    """A run that gives tonnes itself; what is said of the run as a whole stands in its first row."""
    columns = ["run_id", "section", "introduced", "tonnes", "tracer", "unit", *more]
    lines = [",".join(columns)]
    for n, (q, c) in enumerate(zip(tonnes, tracer, strict=True)):
        whole = [unit, *map(str, more.values())] if n == 0 else [""] * (1 + len(more))
        lines.append(
            ",".join([run, "melter" if n == 0 else "", T0 if n == 0 else "", str(q), str(c), *whole])
        )
    return "\n".join(lines) + "\n"


def the_view(sessions):
    with sessions() as session:
        run = session.scalars(select(TracerRun)).one()
        return run_view(session, run.id, utc_now())


def test_levenspiel_pulse_through_the_whole_import(sessions, tmp_path):
    """Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 11 and 14 (from memory): mean 15, variance
    47.5, N 4.737; 100 g/t times t are 0.1 kg, so that 0.1 kg added are found whole."""
    path = write(tmp_path, by_tonnes(range(0, 40, 5), [0, 3, 5, 5, 4, 2, 1, 0], added_kg=0.1))
    assert import_file(sessions, "tracer", path).added == 8
    view = the_view(sessions)
    assert view.result.mean_t == pytest.approx(15.0)
    assert view.result.variance_t2 == pytest.approx(47.5)
    assert view.result.tanks() == pytest.approx(4.737, abs=5e-4)
    assert view.recovery == pytest.approx(1.0)
    assert view.mass_t is None


def test_fogler_pulse_through_the_whole_import_by_time_and_pull(sessions, tmp_path):
    """Fogler, Elements of Chemical Reaction Engineering (from memory), minutes as hours at 24 t a day."""
    hours = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14]
    tracer = [0, 1, 5, 8, 10, 8, 6, 4, 3, 2.2, 1.5, 0.6, 0]
    rows = ["run_id,section,introduced,time,pull_t_per_day,tracer"]
    for n, (hour, c) in enumerate(zip(hours, tracer, strict=True)):
        first = f"melter,{T0}" if n == 0 else ","
        rows.append(f"F1,{first},2026-03-01T{6 + hour:02d}:00:00+01:00,24,{c}")
    import_file(sessions, "tracer", write(tmp_path, "\n".join(rows)))
    view = the_view(sessions)
    assert view.run.tonnes_from == "pull in the file"
    assert view.result.mean_t == pytest.approx(5.15, abs=0.03)
    assert view.result.variance_t2 == pytest.approx(6.1, abs=0.25)
    assert view.result.tanks() == pytest.approx(4.35, abs=0.15)


@pytest.fixture(scope="module")
def two_paths():
    """A line with a melter that is no plug and tanks, and the samples of its tracer run."""
    rng = np.random.default_rng(100)
    line = with_two_paths(build_line(rng, 18.0, clock_step=False), rng)
    begin = line.log_times[0] + 1.5 * DAY
    return line, begin, *tracer_samples(line, rng, begin, 14.0)


@pytest.fixture
def line_books(sessions, tmp_path, two_paths):
    """That line's figures, layout and log in the books; returns the path of its tracer file."""
    line, begin, times, ppm = two_paths
    rng = np.random.default_rng(1)
    paths = write_files(tmp_path, line, simulate(rng, line, per_m2=0.001, episodes=0), rng)
    for kind in ("plant", "layout", "line-log"):
        import_file(sessions, kind, paths[kind])
    return write_tracer(tmp_path / "tracer_2026.csv", times, ppm, begin)


def test_hours_become_tonnes_and_the_way_from_bath_to_cutter_is_taken_off(sessions, line_books, two_paths):
    line, begin, times, _ = two_paths
    report = import_file(sessions, "tracer", line_books)
    assert report.added == times.size
    view = the_view(sessions)
    assert view.run.tonnes_from == "line log"
    upstream = line.layout.upstream_m
    way_m = upstream["bath_inlet"] - upstream["cutter"]
    left = line.log.time_at(line.log.metre_at(times) - way_m)
    true = line.tonnes_at(left) - line.tonnes_at(begin)
    assert [row.tonnes for row in view.readings] == pytest.approx(true.tolist(), abs=0.2)
    chain = VesselChain((line.figures.true_melter, line.figures.true_refiner))
    assert view.result.mean_t == pytest.approx(chain.mean_t(), abs=3 * view.result.mean_sd_t)
    assert view.result.fitted_gap > 0.04
    assert view.recovery == pytest.approx(1.0, abs=0.06)
    figures = line.figures
    assert view.mass_t == pytest.approx(figures.melter.mass_t + figures.refiner.mass_t, rel=1e-6)
    # a seventh of the melter stands still
    assert view.dead_share == pytest.approx(1 - chain.mean_t() / view.mass_t, abs=0.05)
    assert view.run.added_kg == ADDED_KG


def test_the_same_file_twice_changes_nothing_and_a_run_may_grow(sessions, line_books):
    text = line_books.read_text().splitlines()
    line_books.write_text("\n".join(text[:70]) + "\n")
    assert import_file(sessions, "tracer", line_books).added == 69
    assert import_file(sessions, "tracer", line_books).same == 69
    line_books.write_text("\n".join(text) + "\n")
    report = import_file(sessions, "tracer", line_books)
    assert (report.added, report.same) == (len(text) - 70, 69)
    changed = text.copy()
    changed[40] = changed[40].rsplit(",", 2)[0] + ",99.9,"
    line_books.write_text("\n".join(changed) + "\n")
    with pytest.raises(BadValue, match=r"line 41: tracer is 99.9 but [0-9.]+ stands in the books"):
        import_file(sessions, "tracer", line_books)
    with sessions() as session:
        assert session.scalar(select(func.count()).select_from(TracerReading)) == len(text) - 1


BAD = {
    f"T1,melter,{T0},,3,": "tracer is ''; expected a number",
    f"T1,lehr,{T0},,3,1": "section is 'lehr'; expected melter, refiner or melter+refiner",
    "T2,,,,3,1": "section is empty; expected it in the first row of run 'T2'",
    "T1,,2026-03-02T06:00:00+01:00,,3,1": "introduced is",
    "T1,,,,,1": "time is empty; expected ISO 8601 with offset, or the column tonnes",
    "T1,,,2026-03-01T06:00:00,7,1": "has no offset",
    "T1,,,,5,1": "the same sample stands in line 3; expected each once",
    "T1,,,,7": "has 5 cells; expected 6",
}


@pytest.mark.parametrize("row", BAD)
def test_a_bad_row_is_named_and_keeps_the_whole_file_out(sessions, tmp_path, row):
    good = "run_id,section,introduced,time,tonnes,tracer\n" + "".join(
        f"T1,{'melter' if q == 0 else ''},{T0 if q == 0 else ''},,{q},{c}\n"
        for q, c in zip(range(0, 40, 5), [0, 3, 5, 5, 4, 2, 1, 0], strict=True)
    )
    path = write(tmp_path, good + row + "\n")
    with pytest.raises(BadValue) as caught:
        import_file(sessions, "tracer", path)
    assert "tracer.csv, line 10: " in str(caught.value)
    assert BAD[row] in str(caught.value)
    with sessions() as session:
        assert session.scalar(select(func.count()).select_from(TracerRun)) == 0
    report = import_file(sessions, "tracer", path, skip_bad=True)
    assert (report.added, report.refused_count, report.refused[0].line) == (8, 1, 10)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("cutter", "stacker"), "sampled_at is 'stacker'; expected a point of the layout"),
        (("melter+refiner", "melter"), "where the glass has passed the refiner too"),
        (("2026-03", "2027-03"), "the line log has nothing of it, the run needs 2027-03"),
    ],
)
def test_a_run_that_cannot_be_placed_is_refused(sessions, line_books, change, says):
    line_books.write_text(line_books.read_text().replace(*change))
    with pytest.raises(BadValue, match=says):
        import_file(sessions, "tracer", line_books)


def test_a_hole_in_the_line_log_is_told(sessions, line_books):
    with sessions.begin() as session:
        rows = session.scalars(select(LineLogRow).order_by(LineLogRow.time)).all()
        for row in rows[800:860]:
            session.delete(row)
    said = import_file(sessions, "tracer", line_books).warnings
    assert any("the line log has a gap of 10 h from" in text for text in said)


def test_a_record_that_ends_too_early_is_refused_with_its_line(sessions, line_books):
    line_books.write_text("\n".join(line_books.read_text().splitlines()[:20]) + "\n")
    with pytest.raises(BadValue, match=r"tracer_2026.csv, line 2: run 'T-2026-1': .*sample longer"):
        import_file(sessions, "tracer", line_books)


def test_without_a_layout_the_way_through_the_bath_cannot_be_taken_off(sessions, tmp_path, two_paths):
    _, begin, times, ppm = two_paths
    path = write_tracer(tmp_path / "tracer.csv", times, ppm, begin)
    with pytest.raises(BadValue, match="expected a point of the layout \\(none yet\\)"):
        import_file(sessions, "tracer", path)


def test_the_trace_takes_the_run_in_use_and_a_lead_may_go_back_to_the_figures(sessions, tmp_path):
    path = write(tmp_path, by_tonnes(range(0, 40, 5), [0, 3, 5, 5, 4, 2, 1, 0]))
    import_file(sessions, "tracer", path)
    later = by_tonnes(range(0, 40, 5), [0, 3, 5, 6, 4, 2, 1, 0], run="T2", valid_from="2026-05-01T00:00:00Z")
    import_file(sessions, "tracer", write(tmp_path, later, "tracer2.csv"))
    with sessions.begin() as session:
        line_id = session.scalars(select(Line.id)).one()
        lead = factories.make_user(session, role="quality_lead")
        first, second = runs_of_line(session, line_id, utc_now())[::-1]
        assert (first.used_for, second.used_for) == ((), ("melter",))
        assert set(curves_in_use(session, line_id, utc_now())) == {"melter"}
        early = curves_in_use(session, line_id, second.run.introduced_at)["melter"]
        assert np.mean([c.mean_t() for c in early]) == pytest.approx(15.0, abs=0.2)
        set_in_use(session, second.run.id, False, lead.id, "cullet changed during the run")
        assert runs_of_line(session, line_id, utc_now())[1].used_for == ("melter",)
        set_in_use(session, first.run.id, False, lead.id)
        set_in_use(session, first.run.id, False, lead.id)
        assert curves_in_use(session, line_id, utc_now()) == {}
        acts = session.scalars(select(AuditEntry).where(AuditEntry.action == "tracer_run.use")).all()
        assert [json.loads(act.details)["run"] for act in acts] == ["T2", "T1"]
        assert json.loads(acts[0].details)["note"] == "cullet changed during the run"
        with pytest.raises(NoSuchRecord, match="no such run"):
            set_in_use(session, 99, True, lead.id)
        with pytest.raises(BadValue, match="letters"):
            set_in_use(session, first.run.id, True, lead.id, "x" * 2001)


def test_a_watch_folder_takes_tracer_files(sessions, tmp_path):
    write(tmp_path, by_tonnes(range(0, 40, 5), [0, 3, 5, 5, 4, 2, 1, 0]), "tracer_may.csv")
    assert "8 rows of tracer" in take_folder(sessions, tmp_path, quiet_s=0.0)[0]
    assert (tmp_path / "done" / "tracer_may.csv").is_file()
