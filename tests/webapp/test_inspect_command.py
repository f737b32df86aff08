"""`lehrbook inspect`, `studycard` and `gauge` as scripts use them: files, JSON, exit status."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from webapp.cli import main

DEMO = Path(__file__).parents[2] / "demo_images"
BRIGHT, DARK = "seedy-window-bright", "seedy-window-dark"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with two photos of one small sheet and their set-ups."""
    for name in (BRIGHT, DARK):
        for ending in (".jpg", ".setup.json"):
            shutil.copy(DEMO / f"{name}{ending}", tmp_path)
    return tmp_path


def cut_and_ended() -> bytes:
    """Six tenths of a photo with an end marker behind, as a broken transfer may leave it."""
    data = (DEMO / f"{BRIGHT}.jpg").read_bytes()
    return data[: len(data) * 6 // 10] + b"\xff\xd9"


def long_photo() -> bytes:
    return cv2.imencode(".png", np.full((32_767, 100), 150, np.uint8))[1].tobytes()


def run(bench: Path, *words: object) -> int:
    return main([str(word) for word in words] + ["--home", str(bench / "home")])


def test_result_file_overlay_and_verdict(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = bench / "out"
    photo = bench / f"{BRIGHT}.jpg"
    assert (
        run(bench, "inspect", photo, "--out", out, "--overlay", "--grade", "eschenfurt-window", "--json") == 0
    )
    printed = json.loads(capsys.readouterr().out)
    written = json.loads((out / f"{BRIGHT}.json").read_text(encoding="utf-8"))
    assert printed == written
    assert written["photo"] == f"{BRIGHT}.jpg"
    assert written["scale"]["source"] == "tags"
    assert written["verdict"]["outcome"] == "reject"
    for reason in written["verdict"]["reasons"]:
        assert all(written["finds"][k]["not_glass"] is None for k in reason["finds"])
    with Image.open(out / f"{BRIGHT}.overlay.png") as overlay, Image.open(photo) as plain:
        assert overlay.size == plain.size
    assert not list(out.glob("*.part"))


def test_photo_without_scale_is_not_judged(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / f"{BRIGHT}.setup.json").write_text('{"lighting": "bright_field", "thickness_mm": 4}')
    assert run(bench, "inspect", bench / f"{BRIGHT}.jpg", "--grade", "eschenfurt-window", "--json") == 0
    result = json.loads(capsys.readouterr().out)
    assert result["verdict"]["outcome"] == "not_judged"
    assert "no scale" in result["verdict"]["reasons"][0]["says"]
    assert all(find["length_mm"] is None for find in result["finds"])


def test_two_photos_of_one_sheet_together(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Dark and bright field of the same window: its bubbles count once each."""
    photos = [bench / f"{name}.jpg" for name in (BRIGHT, DARK)]
    out = bench / "out"
    assert run(bench, "inspect", *photos, "--together", "--out", out, "--grade", "eschenfurt-window") == 0
    whole = json.loads((out / "together.json").read_text(encoding="utf-8"))
    alone = [json.loads((out / f"{name}.json").read_text(encoding="utf-8")) for name in (BRIGHT, DARK)]
    in_glass = [mark for mark in whole["marks"] if mark["not_glass"] is None]
    most = max(sum(find["not_glass"] is None for find in result["finds"]) for result in alone)
    assert most <= len(in_glass) < sum(sum(f["not_glass"] is None for f in r["finds"]) for r in alone)
    assert whole["covered_fraction"] == pytest.approx(1.0, abs=0.01)
    assert "not covered" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("letter.jpg", b"Dear all,\nsee you on Monday\n", "letter.jpg: this is not a photo but text"),
        ("empty.jpg", b"", "empty.jpg: the file is empty"),
        ("none.jpg", None, "No such file"),
        (
            "ended.jpg",
            cut_and_ended(),
            "ended.jpg: the JPEG file is damaged or cut short; expected a whole photo",
        ),
        (
            "long.png",
            long_photo(),
            "long.png: the photo has 100 x 32767 pixels; expected at most 32766 pixels",
        ),
    ],
)
def test_bad_photo_is_one_line_and_status_two(
    bench: Path, capsys: pytest.CaptureFixture[str], name: str, content: bytes | None, says: str
) -> None:
    if content is not None:
        (bench / name).write_bytes(content)
    assert run(bench, "inspect", bench / name, "--out", bench / "out") == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert not list((bench / "out").glob("*"))


@pytest.mark.parametrize(
    ("setup", "says"),
    [
        ('{"lighting": "sunshine"}', 'lighting is "sunshine"; expected'),
        ('{"lighting": ', "line 1, column 14: not JSON"),
    ],
)
def test_bad_set_up_is_one_line_and_status_two(
    bench: Path, capsys: pytest.CaptureFixture[str], setup: str, says: str
) -> None:
    path = bench / "other.setup.json"
    path.write_text(setup, encoding="utf-8")
    assert run(bench, "inspect", bench / f"{BRIGHT}.jpg", "--setup", path) == 2
    error = capsys.readouterr().err
    assert f"other.setup.json: {says}" in error
    assert error.count("\n") == 1


def test_unknown_grade_is_bad_input(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(bench, "inspect", bench / f"{BRIGHT}.jpg", "--grade", "no-such-grade") == 2
    assert "no-such-grade" in capsys.readouterr().err


def test_photos_of_one_name_get_files_of_their_own(bench: Path) -> None:
    flat = np.full((80, 90), 150, np.uint8)
    for ending in ("png", "webp"):
        Image.fromarray(flat).save(bench / f"a.{ending}")
    out = bench / "out"
    assert run(bench, "inspect", bench / "a.png", bench / "a.webp", "--out", out) == 0
    assert sorted(path.name for path in out.iterdir()) == ["a.png.json", "a.webp.json"]


def test_gauge_card_is_written_and_a_photo_of_something_else_refused(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = bench / "card.pdf"
    assert run(bench, "studycard", "--out", card) == 0
    assert card.read_bytes().startswith(b"%PDF-1.4")
    assert "print at 100 %" in capsys.readouterr().out
    assert run(bench, "gauge", bench / f"{BRIGHT}.jpg") == 2
    assert "expected a photo of the gauge card" in capsys.readouterr().err
