"""The demo photos, inspected once: booth, command line, history and dossier say the same of each sheet."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from models import inspections
from models.database import reading, writing
from models.grades import Verdict, judge
from models.sheet.from_results import sheet_of_results
from tests import factories
from vision import PhotoSetup, inspect_photo
from webapp.dossier.evidence import dossier_of
from webapp.plant import Plant

DEMO = Path(__file__).parents[2] / "demo_images"
#: photos of one and the same sheet are judged together
SHEETS = {"seedy-window": ("seedy-window-bright", "seedy-window-dark")}
ALONE = sorted(
    path.stem for path in DEMO.glob("*.jpg") if not any(path.stem in names for names in SHEETS.values())
)
CASES = [(name, (name,)) for name in ALONE] + list(SHEETS.items())


@cache
def result_of(name: str) -> dict[str, Any]:
    path = DEMO / f"{name}.setup.json"
    setup = PhotoSetup.from_file(path) if path.exists() else None
    return inspect_photo((DEMO / f"{name}.jpg").read_bytes(), setup, name=f"{name}.jpg").to_dict()


def plain(page: str) -> str:
    """The words of a page, without its tags."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


@pytest.mark.parametrize(("case", "names"), CASES, ids=[case for case, _ in CASES])
def test_every_door_says_the_same(
    plant: Plant, booth: Any, signed_in: Callable[[str], FlaskClient], tmp_path: Path, case: str,
    names: tuple[str, ...],
):  # fmt: skip
    results = [result_of(name) for name in names]
    setup_file = DEMO / f"{names[0]}.setup.json"
    setup = json.loads(setup_file.read_text()) if setup_file.exists() else {}
    size = setup.get("sheet") or {"width_mm": 1000.0, "length_mm": 800.0}
    sheet_mm = float(size["width_mm"]), float(size["length_mm"])
    book = plant.book
    grade = book.grade("eschenfurt-window")
    with writing(plant.sessions) as session:
        line = factories.make_line(session, grade_id=grade.id)
        sheet = factories.make_sheet(
            session, line, width_mm=sheet_mm[0], length_mm=sheet_mm[1],
            thickness_mm=setup.get("thickness_mm") or 4.0,
        )  # fmt: skip
        for name, result in zip(names, results, strict=True):
            data = (DEMO / f"{name}.jpg").read_bytes()
            photo = inspections.add_photo(
                session, plant.store, sheet.id, data, f"{name}.jpg", None, booth.inspector_id
            )
            inspections.record_inspection(session, photo.id, result)
        sheet_id, label, thickness = sheet.id, sheet.label, sheet.thickness_mm
    page = plain(signed_in("inspector").get(f"/inspect/sheets/{sheet_id}").text)

    scaled = any(result["scale"] for result in results)
    command = sheet_of_results(
        results, sheet_mm=sheet_mm, thickness_mm=thickness, needed_mm=grade.smallest_class_mm
    )
    with writing(plant.sessions) as session:
        judged = inspections.judge_sheet(session, book, sheet_id)
        if scaled:
            assert told(judged.decision.verdicts[0]) == told(judge(command.sheet, grade))
            assert judged.coverage.covered_fraction == command.looked.covered_fraction
        for reason in judged.decision.verdicts[0].reasons:
            if reason.outcome in ("reject", "not_judged"):
                assert reason.says in page, case
        verdict = inspections.finish_sheet(
            session, book, sheet_id, booth.inspector_id, confirm_undecided=True
        )
        outcome = verdict.outcome
        kept = [(entry["ref"]["number"], entry["kind"], entry["length_mm"]) for entry in verdict.defects]
        reasons = [entry["says"] for entry in verdict.reasons if entry["outcome"] != "accept"]
    booth_page = plain(signed_in("inspector").get(f"/inspect/sheets/{sheet_id}").text)
    history = plain(signed_in("claims_desk").get(f"/sheets/{sheet_id}").text)
    with reading(plant.sessions) as session:
        pdf = dossier_of(session, plant.store, book, sheet_id)[1]
    paper = _text(pdf, tmp_path)
    words = {"accept": "accept", "downgrade": "downgrade", "reject": "reject", "not_judged": "not judged"}
    for where, text in (("booth", booth_page), ("history", history), ("dossier", paper)):
        lowered = text.lower()
        assert words[outcome] in lowered, where
        assert label in text, where
        for says in reasons:
            assert says.split(":")[0] in text, (where, says)
        for number, kind, length in kept:
            if length is not None:
                digits = 2 if length < 10 else 1
                assert f"{length:.{digits}f}" in text or f"{length:.2f}" in text, (where, number)
            assert re.search(rf"\b{number}\b", text), (where, number)
            assert kind in lowered, (where, kind)


def told(verdict: Verdict) -> list[tuple[str, str, str]]:
    return [(reason.outcome, reason.clause, reason.says) for reason in verdict.reasons]


def _text(pdf: bytes, tmp_path: Path) -> str:
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (Debian package poppler-utils) is not installed")
    path = tmp_path / "dossier.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([reader, "-raw", str(path), "-"], capture_output=True, text=True, check=True)
    return re.sub(r"\s+", " ", done.stdout)
