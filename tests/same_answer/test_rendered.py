"""One long scratch in real renderings, from the bytes of the photos to the verdict: as long as it is."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.same_answer.rendered import write_photos
from vision.synthetic.raytraced.scene import Defect
from webapp.cli import main

GRADE = "eschenfurt-garden"  # scratches over 300 mm: none


def scratch(begin_mm: float, end_mm: float, *, lean: float = 0.03, bend: float = 0.0) -> Defect:
    """A scratch along the sheet from y = begin to end, a little off the vertical and perhaps bent."""
    s = np.linspace(0.0, 1.0, 81)
    y = begin_mm + s * (end_mm - begin_mm)
    x = 200.0 + lean * (y - begin_mm) + bend * np.sin(np.pi * s)
    path = np.column_stack([x, y])
    return Defect(
        kind="scratch",
        x_mm=float(x[40]),
        y_mm=float(y[40]),
        length_mm=float(np.hypot(*np.diff(path, axis=0).T).sum()),
        width_mm=0.25,
        angle_deg=0.0,
        style="groove",
        strength=0.8,
        seed=5,
        path_mm=tuple((float(a), float(b)) for a, b in path),
    )


def inspect(folder: Path, photos: list[Path], capsys: pytest.CaptureFixture[str]) -> dict:
    words = ["inspect", *map(str, photos), "--grade", GRADE, "--together", "--json"]
    assert main(["--home", str(folder / "home"), *words]) == 0
    return json.loads(capsys.readouterr().out.splitlines()[-1])


@pytest.mark.parametrize(
    ("lighting", "strips", "ends", "bend", "expected"),
    [
        ("dark_field", [(0, 620), (580, 1200)], (300, 900), 0.0, "reject"),
        ("bright_field", [(0, 500), (300, 900), (700, 1200)], (250, 1000), 12.0, "reject"),
        ("dark_field", [(0, 500), (200, 800), (600, 1200)], (350, 600), 0.0, "accept"),
        ("bright_field", [(0, 700)], (560, 900), 0.0, "not_judged"),
    ],
)
def test_a_long_scratch_over_photos(tmp_path, capsys, lighting, strips, ends, bend, expected):
    true = scratch(*ends, bend=bend)
    whole = inspect(tmp_path, write_photos(tmp_path, true, strips, lighting), capsys)
    (mark,) = [mark for mark in whole["marks"] if mark["kind"] == "scratch" and mark["not_glass"] is None]
    assert whole["verdict"]["outcome"] == expected
    if expected == "not_judged":
        assert mark["open_at_mm"] == [pytest.approx([204.2, 700], abs=4)]
        assert any("photograph there" in reason["says"] for reason in whole["verdict"]["reasons"])
        return
    assert mark["open_at_mm"] == []
    assert mark["length_mm"] == pytest.approx(true.length_mm, rel=0.03)
