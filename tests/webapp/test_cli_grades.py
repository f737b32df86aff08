"""`lehrbook grades`: list, show and judge, and one line for bad input."""

import json
from pathlib import Path

import pytest

from models.database import writing
from models.grade_books import confirm_grade, save_plant_grade
from tests.webapp.conftest import Booth
from webapp.cli import main
from webapp.grades.drafts import EXAMPLE
from webapp.plant import Plant

SHEET = {
    "width_mm": 2000, "length_mm": 1500, "thickness_mm": 4, "use": "stock",
    "defects": [
        {"kind": "bubble", "x_mm": 100, "y_mm": 100 + i, "length_mm": 0.7, "width_mm": 0.5, "halo_mm": None,
         "detection_distance_mm": None}
        for i in range(7)
    ],
}  # fmt: skip


@pytest.fixture(autouse=True)
def _no_plant(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whatever plant this machine may have is left alone."""
    monkeypatch.setenv("LEHRBOOK_HOME", str(tmp_path / "no-plant"))


@pytest.fixture
def sheet_file(tmp_path: Path) -> Path:
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(SHEET))
    return path


def judged(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    assert main(["grades", "judge", *words]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_list_names_each_grade_with_its_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["grades", "list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("jis-r-3202-2011 ") and "2026-" in line for line in lines)
    assert any(line.startswith("iso-12543-6 ") and "from memory" in line for line in lines)


def test_a_grade_is_shown_in_words_with_clause_source_and_caution(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["grades", "show", "jis-r-3202-2011"]) == 0
    text = capsys.readouterr().out
    assert "2.2 for each m²" in text
    assert "source: table of point faults" in text
    assert "licensed practice" in text
    assert main(["grades", "show", "jis-r-3202-2011", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rules"][0]["clause"]


def test_a_fault_too_small_to_size_and_one_that_runs_out_are_told_and_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """JIS R 3202: of bubbles from 0.5 to 1 mm 2.2 for each m2, here six; 3 mm and more, none."""
    spots = [
        {"kind": "bubble", "x_mm": 100, "y_mm": 100 + i, "length_mm": None, "length_at_most_mm": 0.62}
        for i in range(7)
    ]
    runs_out = {"kind": "bubble", "x_mm": 0.4, "y_mm": 900, "length_mm": 0.4, "open_at_mm": [[0, 900]]}
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps({**SHEET, "defects": [*spots, runs_out]}))
    verdict = judged(capsys, "jis-r-3202-2011", str(path))
    assert verdict["outcome"] == "not_judged"
    told = [r for r in verdict["reasons"] if r["outcome"] == "not_judged"]
    small = [r for r in told if r["finds"] == list(range(7))]
    assert (
        "too small to size in their photo (at most 0.62 mm); the answer changes at 0.5 mm" in small[0]["says"]
    )
    (border,) = [r for r in told if r["finds"] == [7]]
    assert "it lies on the border of its photo and may be larger: photograph there" in border["says"]
    assert border["marks"] == [{"open_end": [0.0, 900.0]}]
    path.write_text(json.dumps({**SHEET, "defects": spots[:6]}))
    assert judged(capsys, "jis-r-3202-2011", str(path))["outcome"] == "accept"


def test_a_judgement_has_the_keys_that_scripts_rely_on(
    capsys: pytest.CaptureFixture[str], sheet_file: Path
) -> None:
    result = judged(capsys, "jis-r-3202-2011", str(sheet_file))
    assert (result["grade"], result["outcome"]) == ("jis-r-3202-2011", "reject")
    first = result["reasons"][0]
    assert first["finds"] == list(range(7))
    assert (first["counted"], first["limit"]) == (7, 6.6)
    assert first["clause"]
    assert first["says"]


def test_the_best_lower_grade_and_advice_come_on_demand(
    capsys: pytest.CaptureFixture[str], sheet_file: Path
) -> None:
    result = judged(capsys, "eschenfurt-mirror", str(sheet_file), "--ladder", "--advice")
    assert result["decision"] == {"outcome": "downgrade", "downgrade_to": "eschenfurt-garden"}
    assert result["advice"]["proved_largest"]
    assert len(result["advice"]["piece_mm"]) == 4


def test_a_remembered_grade_decides_when_somebody_is_named(
    capsys: pytest.CaptureFixture[str], sheet_file: Path
) -> None:
    name = "gb-11614-2009-qualified"
    assert judged(capsys, name, str(sheet_file))["outcome"] == "not_judged"
    result = judged(capsys, name, str(sheet_file), "--confirmed-by", "Ilse Varnhagen")
    assert (result["outcome"], result["confirmed_by"]) == ("reject", "Ilse Varnhagen")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{", "expected JSON, line 1"),
        ("[]", "expected an object with width_mm"),
        (json.dumps({**SHEET, "width_mm": "wide"}), "width_mm: expected a number"),
        (json.dumps({**SHEET, "defects": [{"kind": "blob"}]}), "defects[0].kind: expected a kind of defect"),
        ("\xff", "expected JSON"),
    ],
)
def test_a_bad_file_gives_one_line_with_file_and_key_and_status_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: str, message: str
) -> None:
    path = tmp_path / "bad.json"
    path.write_text(content, encoding="latin-1")
    assert main(["grades", "judge", "jis-r-3202-2011", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "bad.json" in said
    assert message in said


def test_a_grade_or_file_that_is_not_there_gives_status_2(
    capsys: pytest.CaptureFixture[str], sheet_file: Path, tmp_path: Path
) -> None:
    assert main(["grades", "judge", "nothing", str(sheet_file)]) == 2
    assert "no grade is called 'nothing'" in capsys.readouterr().err
    assert main(["grades", "judge", "jis-r-3202-2011", str(tmp_path / "none.json")]) == 2
    assert "none.json" in capsys.readouterr().err


def test_the_plant_s_own_grades_and_confirmations_count(
    capsys: pytest.CaptureFixture[str], plant: Plant, booth: Booth, sheet_file: Path
) -> None:
    text = EXAMPLE.format(today="2026-11-25", standard="plant grades")
    with writing(plant.sessions) as session:
        save_plant_grade(session, plant.book, text, booth.inspector_id)
        confirm_grade(session, plant.book, "gb-11614-2009-qualified", booth.inspector_id)
    home = str(plant.settings.home)
    assert main(["--home", home, "grades", "list"]) == 0
    assert "own-grade" in capsys.readouterr().out
    result = judged(capsys, "gb-11614-2009-qualified", str(sheet_file), "--home", home)
    assert (result["outcome"], result["confirmed_by"]) == ("reject", "Ruta inspector")


def test_a_folder_of_own_grades_can_be_used(
    capsys: pytest.CaptureFixture[str], sheet_file: Path, tmp_path: Path
) -> None:
    (tmp_path / "own.toml").write_text("standard = 3\n")
    assert main(["grades", "list", "--sets", str(tmp_path)]) == 2
    assert "own.toml: standard: expected a text, got 3" in capsys.readouterr().err


def test_a_grade_file_of_the_plant_is_kept_and_its_gaps_are_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    home, file = str(tmp_path / "plant"), tmp_path / "own.toml"
    text = EXAMPLE.format(today="2026-11-25", standard="plant grades")
    file.write_text(text.replace('"[1.0, 2.0)"', '"(1.0, 2.0)"'))
    assert main(["--home", home, "grades", "keep", str(file)]) == 0
    said = capsys.readouterr().out
    assert "own-grade, version 2026-11-25: kept" in said
    assert "size exactly 1 mm is in no class" in said
    assert main(["--home", home, "grades", "show", "own-grade"]) == 0
    assert "Own grade" in capsys.readouterr().out
    assert main(["--home", home, "grades", "keep", str(file)]) == 2
    assert "version 2026-11-25 is kept already" in capsys.readouterr().err
    file.write_text("standard = 1")
    assert main(["--home", home, "grades", "keep", str(file)]) == 2
    assert "own.toml: standard: expected a text" in capsys.readouterr().err
