"""Plant files into the books: twice is once, bad rows are named, nothing goes in by halves."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select

from models.errors import BadValue
from models.imports import KINDS, import_file
from models.imports.folder import kind_of, take_folder
from models.records import (
    AuditEntry,
    Defect,
    Event,
    FurnaceLogRow,
    ImportRun,
    LayoutPoint,
    Line,
    LineLogRow,
    Pack,
    PlantFigures,
    Roll,
    Sheet,
)
from tests.simulator.defects import simulate
from tests.simulator.files import write_files
from tests.simulator.line import build_line

TABLES = (Defect, Event, FurnaceLogRow, LayoutPoint, LineLogRow, Pack, PlantFigures, Roll, Sheet)
SHEET_HEADER = "sheet_id,cut_time,ribbon_start_m,x_left_mm,length_mm,width_mm,thickness_mm,pack_id"
SHEETS = f"""{SHEET_HEADER}
A1,2026-03-01T06:00:00+01:00,100.0,145,6000,3210,4,P1
A2,2026-03-01T06:01:00+01:00,106.0,145,6000,3210,4,
"""
DEFECTS = """sheet_id,kind,x_mm,y_mm,length_mm,width_mm,found_time
A1,stone,310.5,1500,0.8,0.6,2026-03-01T06:00:30+01:00
A2,bubble,20,10,1.2,,2026-03-01T06:01:30+01:00
"""


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def counts(sessions):
    with sessions() as session:
        return {t.__tablename__: session.scalar(select(func.count()).select_from(t)) for t in TABLES}


@pytest.fixture(scope="module")
def plant_files(tmp_path_factory):
    rng = np.random.default_rng(3)
    line = build_line(rng, 0.5, clock_step=False)
    made = simulate(rng, line, per_m2=0.05, episodes=0)
    return write_files(tmp_path_factory.mktemp("plant"), line, made, rng), line, made


def test_all_kinds_go_in_and_a_second_time_changes_nothing(sessions, plant_files):
    paths, line, made = plant_files
    for kind, path in paths.items():
        assert import_file(sessions, kind, path).refused_count == 0
    first = counts(sessions)
    assert first["defect"] == made.ribbon_m.size
    assert first["sheet"] == line.sheet_start_m.size
    assert first["line_log"] == line.log_times.size
    assert first["roll"] == len(line.rolls)
    for kind, path in paths.items():
        report = import_file(sessions, kind, path)
        assert (report.added, report.changed, report.same) == (0, 0, report.read)
    assert counts(sessions) == first


def test_a_defect_lies_where_its_sheet_lies_on_the_ribbon(sessions, tmp_path):
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    import_file(sessions, "defects", write(tmp_path, "defects.csv", DEFECTS))
    with sessions() as session:
        stone = session.scalars(select(Defect).where(Defect.kind == "stone")).one()
        assert (stone.ribbon_x_mm, stone.ribbon_m) == (455.5, 101.5)
        assert stone.found_at.isoformat() == "2026-03-01T05:00:30+00:00"
        assert (stone.source, stone.current, stone.number) == ("import", True, 1)
        states = session.scalars(select(Sheet.state)).all()
        assert states == ["recorded", "recorded"]
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
        assert json.loads(entry.details)["added"] == 2
        assert session.scalars(select(ImportRun.kind).order_by(ImportRun.id)).all() == ["sheets", "defects"]


BAD_DEFECTS = {
    "A9,stone,1,1,1,1,2026-03-01T06:00:30+01:00": "sheet_id 'A9' is not in the books",
    "A1,stone,nine,1,1,1,2026-03-01T06:00:30+01:00": "x_mm is 'nine'; expected a number",
    "A1,stone,4000,1,1,1,2026-03-01T06:00:30+01:00": "x_mm is 4000; expected -5 to 3215",
    "A1,stone,1,1,-2,1,2026-03-01T06:00:30+01:00": "length_mm is -2; expected 0 to 50000",
    "A1,stone,1,1,1,1,2026-03-01T06:00:30": "has no offset",
    "A1,stone,1,1,1,1,yesterday": "is not a time",
    "A1,,1,1,1,1,2026-03-01T06:00:30+01:00": "kind is empty",
    "A1,stone,nan,1,1,1,2026-03-01T06:00:30+01:00": "expected a finite number",
    "A1,stone,1,1": "has 4 cells; expected 7",
}


@pytest.mark.parametrize("row", BAD_DEFECTS)
def test_a_bad_row_is_named_and_keeps_the_whole_file_out(sessions, tmp_path, row):
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    path = write(tmp_path, "defects.csv", DEFECTS + row + "\n")
    before = counts(sessions)
    with pytest.raises(BadValue) as caught:
        import_file(sessions, "defects", path)
    assert "defects.csv, line 4: " in str(caught.value)
    assert BAD_DEFECTS[row] in str(caught.value)
    assert "nothing was imported" in str(caught.value)
    assert counts(sessions) == before
    report = import_file(sessions, "defects", path, skip_bad=True)
    assert (report.added, report.refused_count) == (2, 1)
    assert report.refused[0].line == 4


def test_unknown_columns_are_kept_aside_and_named(sessions, tmp_path):
    text = SHEETS.replace("pack_id", "pack_id,operator").replace("P1", "P1,Ilse").replace("4,\n", "4,,Piet\n")
    report = import_file(sessions, "sheets", write(tmp_path, "sheets.csv", text))
    assert report.added == 2
    assert report.warnings == ("sheets.csv: unknown column kept aside: operator",)


def test_a_missing_column_is_named(sessions, tmp_path):
    path = write(tmp_path, "rolls.csv", "name,distance_m_upstream_of_inspection\nR1,10\n")
    with pytest.raises(BadValue, match="line 1: column diameter_mm is missing"):
        import_file(sessions, "rolls", path)
    with pytest.raises(BadValue, match="is empty"):
        import_file(sessions, "rolls", write(tmp_path, "empty.csv", ""))
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00n\x00")
    with pytest.raises(BadValue, match="cannot be read as CSV in UTF-8"):
        import_file(sessions, "rolls", tmp_path / "binary.csv")


def test_a_sheet_in_the_books_is_not_overwritten_but_may_be_packed_later(sessions, tmp_path):
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    other = write(tmp_path, "other.csv", SHEETS.replace("106.0", "107.0"))
    with pytest.raises(BadValue, match=r"line 3: sheet_id 'A2': ribbon_start_m is 107.0 but 106.0"):
        import_file(sessions, "sheets", other)
    packed = write(tmp_path, "packed.csv", SHEETS.replace("3210,4,\n", "3210,4,P2\n"))
    assert import_file(sessions, "sheets", packed).changed == 1
    with sessions() as session:
        assert session.scalars(select(Pack.label).order_by(Pack.label)).all() == ["P1", "P2"]
    moved = write(tmp_path, "moved.csv", SHEETS.replace("P1", "P7"))
    with pytest.raises(BadValue, match="pack_id is 'P7' but 'P1' is in the books"):
        import_file(sessions, "sheets", moved)


def test_events_gain_an_end_and_logs_never_change(sessions, tmp_path):
    header = "event_id,start,end,kind,text\n"
    import_file(
        sessions, "events", write(tmp_path, "e1.csv", header + "E1,2026-03-01T06:00:00Z,,burner,flame out\n")
    )
    report = import_file(
        sessions,
        "events",
        write(tmp_path, "e2.csv", header + "E1,2026-03-01T06:00:00Z,2026-03-01T09:00:00Z,burner,flame out\n"),
    )
    assert report.changed == 1
    with pytest.raises(BadValue, match="lies before start"):
        import_file(
            sessions,
            "events",
            write(tmp_path, "e3.csv", header + "E2,2026-03-01T06:00:00Z,2026-03-01T05:00:00Z,burner,\n"),
        )
    log = "time,ribbon_speed_m_per_min\n2026-03-01T06:00:00Z,10\n"
    import_file(sessions, "line-log", write(tmp_path, "l1.csv", log))
    with pytest.raises(BadValue, match=r"ribbon_speed_m_per_min is 11\.0 but 10\.0 stands in the books"):
        import_file(sessions, "line-log", write(tmp_path, "l2.csv", log.replace(",10", ",11")))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"melter_mass_t": -1}, "melter_mass_t is -1; expected more than 0"),
        ({"melter_plug_fraction": 1.2}, "expected 0 or more and below 1"),
        ({"refiner_mass_t": "much"}, "refiner_mass_t is 'much'; expected a number"),
        ({"melter_tanks_low": 4.0, "melter_tanks_high": 3.0}, "above melter_tanks_high"),
    ],
)
def test_impossible_figures_are_refused(sessions, tmp_path, plant_files, change, says):
    given = json.loads(plant_files[0]["plant"].read_text()) | change
    with pytest.raises(BadValue, match=says):
        import_file(sessions, "plant", write(tmp_path, "plant.json", json.dumps(given)))
    assert counts(sessions)["plant_figures"] == 0


def test_new_figures_hold_from_now_on(sessions, tmp_path, plant_files):
    text = plant_files[0]["plant"].read_text()
    import_file(sessions, "plant", write(tmp_path, "plant.json", text))
    changed = json.dumps(json.loads(text) | {"melter_mass_t": 1999.0, "operator": "Ruta"})
    report = import_file(sessions, "plant", write(tmp_path, "plant2.json", changed))
    assert report.added == 1
    assert report.warnings == ("plant2.json: unknown field kept aside: operator",)
    assert counts(sessions)["plant_figures"] == 2


def test_with_several_lines_the_line_must_be_named(sessions, tmp_path):
    path = write(tmp_path, "sheets.csv", SHEETS)
    import_file(sessions, "sheets", path, line="North", time_zone="Europe/Berlin")
    with sessions.begin() as session:
        line = session.scalars(select(Line)).one()
        assert (line.name, line.time_zone) == ("North", "Europe/Berlin")
        session.add(Line(name="South", plant="Eschenfurt", time_zone="UTC", created_at=line.created_at))
    with pytest.raises(BadValue, match="North, South; say which with --line"):
        import_file(sessions, "sheets", path)
    with pytest.raises(BadValue, match="there is no line 'West'"):
        import_file(sessions, "sheets", path, line="West")
    assert import_file(sessions, "sheets", path, line="North").same == 2


def test_a_watch_folder_takes_files_in_order_and_moves_them_aside(sessions, tmp_path):
    write(tmp_path, "defects_night.csv", DEFECTS)
    write(tmp_path, "sheets_night.csv", SHEETS)
    write(tmp_path, "rolls.csv", "name\nR1\n")
    write(tmp_path, "notes.txt", "not a plant file")
    said = take_folder(sessions, tmp_path, quiet_s=0.0)
    assert len(said) == 3
    assert counts(sessions)["defect"] == 2
    assert (tmp_path / "done" / "sheets_night.csv").is_file()
    reason = (tmp_path / "refused" / "rolls.csv.reason.txt").read_text()
    assert "diameter_mm is missing" in reason
    assert (tmp_path / "notes.txt").is_file()
    assert take_folder(sessions, tmp_path, quiet_s=0.0) == []


def test_kinds_are_read_from_file_names():
    assert kind_of(Path("line-log_2026.csv")) == "line-log"
    assert kind_of(Path("FURNACE_LOG.csv")) == "furnace-log"
    assert kind_of(Path("plant.json")) == "plant"
    assert kind_of(Path("readme.txt")) is None


def test_an_unknown_kind_or_file_is_refused(sessions, tmp_path):
    with pytest.raises(BadValue, match="no kind of plant file"):
        import_file(sessions, "weather", tmp_path / "x.csv")
    with pytest.raises(BadValue, match="there is no such file"):
        import_file(sessions, "rolls", tmp_path / "x.csv")


def test_the_commands_help_names_every_column(sessions, tmp_path, monkeypatch):
    from models.imports import figures
    from models.imports.rows import CsvFile
    from webapp.cli.import_formats import FORMATS

    columns = {"plant": (set(figures.REQUIRED), {*figures.OPTIONAL, *figures.WORDS})}

    def note(_self, path, required, optional=()):
        columns[path.stem] = (set(required), set(optional))
        raise BadValue("noted")

    monkeypatch.setattr(CsvFile, "__init__", note)
    for kind in KINDS:
        if kind != "plant":
            with pytest.raises(BadValue, match="noted"):
                import_file(sessions, kind, write(tmp_path, f"{kind}.csv", ""))
    table = FORMATS.split("\n\n")[1]
    told = {}
    for part in re.split(r"\n  (?=\S)", "\n" + table)[1:]:
        kind, _, rest = part.partition(" ")
        needed, _, free = rest.split("(")[0].partition("[")
        told[kind] = tuple(set(re.findall(r"\w+", words)) for words in (needed, free))
    assert told == columns
