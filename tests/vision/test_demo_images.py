"""The demo photos are whole: set-up and truth beside each, small enough, and made by their program."""

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

DEMO = Path(__file__).resolve().parents[2] / "demo_images"
PHOTOS = sorted(DEMO.glob("*.jpg"))


def test_there_are_enough_and_they_are_small():
    assert len(PHOTOS) >= 12
    assert sum(path.stat().st_size for path in DEMO.iterdir() if path.is_file()) <= 12e6


def test_they_cover_what_an_inspection_department_meets():
    setups = [json.loads((DEMO / f"{path.stem}.setup.json").read_text()) for path in PHOTOS]
    assert {setup["lighting"] for setup in setups} == {"bright_field", "dark_field"}
    scales = [("tags" in setup, "mm_per_px" in setup) for setup in setups]
    assert {(True, False), (False, True), (False, False)} <= set(scales)
    truths = [json.loads((DEMO / f"{path.stem}.truth.json").read_text()) for path in PHOTOS]
    assert {d["kind"] for truth in truths for d in truth["defects"]} == {"bubble", "stone", "scratch"}
    assert any(not truth["defects"] for truth in truths)


def test_the_index_names_each_photo_once_with_its_sheet():
    entries = json.loads((DEMO / "index.json").read_text())["photos"]
    assert sorted(entry["photo"] for entry in entries) == [path.name for path in PHOTOS]
    for entry in entries:
        setup = json.loads((DEMO / entry["photo"]).with_suffix(".setup.json").read_text())
        assert entry["lighting"] == setup["lighting"]
        sizes = {key: entry["sheet"][key] for key in ("width_mm", "length_mm")}
        assert sizes == setup["sheet"]
        assert entry["sheet"]["thickness_mm"] == setup["thickness_mm"]
        assert entry["title"]
        assert entry["story"]


@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.stem)
def test_the_readme_tells_what_each_photo_shows(path):
    assert f"| {path.stem} |" in (DEMO / "README.md").read_text()


def test_making_one_again_gives_the_same_bytes(tmp_path):
    """Twice here to the byte; the stored file to a grey value, as another OpenCV may round differently."""
    name = "no-scale-snapshot-bright"
    made = []
    for folder in ("one", "two"):
        command = [sys.executable, str(DEMO / "make.py"), "--only", name, "--out", str(tmp_path / folder)]
        subprocess.run(command, check=True, capture_output=True)
        made.append((tmp_path / folder / f"{name}.jpg").read_bytes())
        for part in ("setup", "truth"):
            file = f"{name}.{part}.json"
            assert json.loads((tmp_path / folder / file).read_text()) == json.loads((DEMO / file).read_text())
    assert made[0] == made[1]
    stored = cv2.imread(str(DEMO / f"{name}.jpg")).astype(int)
    again = cv2.imdecode(np.frombuffer(made[0], np.uint8), cv2.IMREAD_COLOR).astype(int)
    assert np.abs(stored - again).mean() < 1.0


def test_an_unknown_name_is_refused_with_a_sentence(tmp_path):
    command = [sys.executable, str(DEMO / "make.py"), "--only", "nonesuch", "--out", str(tmp_path)]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 2
    assert "no demo photo is called 'nonesuch'" in done.stderr
