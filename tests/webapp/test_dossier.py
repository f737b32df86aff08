"""The dossier: same evidence, same bytes; all that matters stands in its text."""

import hashlib
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from models import inspections
from models.database import reading, writing
from models.history import sheet_history
from models.records import Sheet
from tests import factories
from tests.webapp.conftest import Booth
from webapp import cli
from webapp.dossier.evidence import dossier_of, file_name
from webapp.dossier.writing import sheet_dossier
from webapp.figures.story import outcome_words
from webapp.figures.strip_figure import draw_strip
from webapp.plant import Plant


def text_of(pdf: bytes, tmp_path: Path, order: str = "-layout") -> str:
    """The words of a PDF as an independent reader sees them; -raw: in the order in which they were drawn."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (Debian package poppler-utils) is not installed")
    path = tmp_path / "read.pdf"
    path.write_bytes(pdf)
    return subprocess.run([reader, order, path, "-"], check=True, capture_output=True, text=True).stdout


@pytest.fixture
def told(plant: Plant, booth: Booth, photographed: int) -> int:
    """A finished sheet with a photo, decisions, a verdict, a claim and neighbours; gives its number."""
    sheet_id = booth.sheet_ids[0]
    with writing(plant.sessions) as session:
        customer = factories.make_customer(session, name="Łódź & Söhne Žaluzie")
        pack = factories.make_pack(
            session, customer_id=customer.id, shipped_at=factories.START + timedelta(days=1)
        )
        session.get_one(Sheet, sheet_id).pack_id = pack.id
        factories.make_claim(session, sheet_id=sheet_id, says="Speck <1 mm> near the edge")
        finds = inspections.finds_of(session, sheet_id)
        inspections.confirm_find(session, finds[0].find.id, booth.inspector_id)
        inspections.confirm_find(session, finds[1].find.id, booth.inspector_id)
        inspections.dismiss_find(session, finds[2].find.id, booth.inspector_id, reason="lint")
        inspections.finish_sheet(session, plant.book, sheet_id, booth.inspector_id)
    return sheet_id


def write(plant: Plant, sheet_id: int) -> bytes:
    with reading(plant.sessions) as session:
        return dossier_of(session, plant.store, plant.book, sheet_id)[1]


def test_the_same_evidence_gives_the_same_bytes(plant: Plant, told: int) -> None:
    assert hashlib.sha256(write(plant, told)).hexdigest() == hashlib.sha256(write(plant, told)).hexdigest()


def test_other_evidence_gives_other_bytes(plant: Plant, told: int, booth: Booth) -> None:
    before = write(plant, told)
    with writing(plant.sessions) as session:
        factories.make_defect(session, session.get_one(Sheet, told), 700.0, 700.0, number=9, source="hand")
    assert write(plant, told) != before


def test_no_date_of_printing_is_in_the_file(plant: Plant, told: int) -> None:
    """reportlab's invariant mode dates every file 1 January 2000."""
    assert b"/CreationDate (D:20000101000000" in write(plant, told)


def test_everything_that_matters_stands_in_its_text(
    plant: Plant, told: int, booth: Booth, tmp_path: Path
) -> None:
    text = text_of(write(plant, told), tmp_path)
    with reading(plant.sessions) as session:
        history = sheet_history(session, told)
    verdict = history.verdict
    assert verdict is not None
    flat = " ".join(text.split())
    for words in (
        "Dossier of sheet",
        booth.labels[0],
        "Łódź & Söhne Žaluzie",
        outcome_words(verdict),
        verdict.rule_set_version,
        verdict.rule_set_sha256,
        history.photos[0].sha256,
        "dismissed (lint)",
        "Ruta inspector",
        "Speck <1 mm> near the edge",
        booth.labels[1],
        history.acts[-1].hash[:20],
        "page 1 of",
        "visual quality alone",
        "gloves",
    ):
        assert words in flat, words
    # grades go by their title, not by the short name that files use
    assert plant.book.grade(verdict.grade_id).title in flat
    assert verdict.grade_id not in flat


def test_pages_are_numbered_to_the_last(plant: Plant, told: int, tmp_path: Path) -> None:
    text = text_of(write(plant, told), tmp_path)
    pages = text.count("\f")
    assert pages >= 2
    assert f"page {pages} of {pages}" in text


def test_a_bare_sheet_and_a_lost_photo_still_give_a_dossier(
    plant: Plant, booth: Booth, told: int, tmp_path: Path
) -> None:
    assert "no verdict on record" in text_of(write(plant, booth.sheet_ids[1]), tmp_path)
    with reading(plant.sessions) as session:
        history = sheet_history(session, told)
    lost = text_of(sheet_dossier(history, lambda _photo: None), tmp_path)
    assert "its file is missing or could not be read" in lost


def test_very_many_defects_run_over_pages(plant: Plant, told: int, tmp_path: Path) -> None:
    with reading(plant.sessions) as session:
        history = sheet_history(session, told)
    many = tuple(replace(history.defects[0], number=n) for n in range(1, 301))
    text = text_of(sheet_dossier(replace(history, defects=many), lambda _photo: None), tmp_path)
    assert " 300 " in text


HEADINGS = ("Verdict", "Defects on record", "Photos and finds", "Neighbours on the ribbon", "Claims",
            "What happened, in order", "Evidence", "Read this with it")  # fmt: skip


def test_no_heading_stands_alone_at_the_foot_of_a_page(plant: Plant, told: int, tmp_path: Path) -> None:
    """Row by row the table of defects pushes every heading after it over the foot of a page."""
    for number in range(10, 34, 2):
        with writing(plant.sessions) as session:
            for more in range(2):
                sheet = session.get_one(Sheet, told)
                factories.make_defect(session, sheet, 700.0, 700.0, number=number + more, source="hand")
        for page in text_of(write(plant, told), tmp_path).split("\f"):
            lines = [line.strip() for line in page.splitlines() if line.strip()]
            assert not [line for line in lines[-2:] if line in HEADINGS]


def test_the_neighbours_of_a_full_sheet_are_drawn_with_their_labels(plant: Plant, told: int) -> None:
    with reading(plant.sessions) as session:
        history = sheet_history(session, told)
    strip = draw_strip(history.sheet, history.neighbours, 500.0)
    assert strip is not None
    assert any(sheet.roomy for sheet in strip.sheets)


def test_the_page_hands_it_out_with_its_hash(signed_in: Callable[[str], FlaskClient], told: int) -> None:
    answer = signed_in("claims_desk").get(f"/sheets/{told}/dossier.pdf")
    assert answer.status_code == 200
    assert answer.mimetype == "application/pdf"
    assert answer.headers["X-Content-SHA256"] == hashlib.sha256(answer.data).hexdigest()


def test_the_command_writes_the_same_file_as_the_page(
    plant: Plant,
    booth: Booth,
    told: int,
    signed_in: Callable[[str], FlaskClient],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "one.pdf"
    home = str(plant.settings.home)
    assert cli.main(["--home", home, "dossier", booth.labels[0], "--out", str(out)]) == 0
    assert hashlib.sha256(out.read_bytes()).hexdigest() in capsys.readouterr().out
    assert out.read_bytes() == signed_in("claims_desk").get(f"/sheets/{told}/dossier.pdf").data


def test_the_command_says_what_is_wrong_and_writes_nothing(
    plant: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "none.pdf"
    assert cli.main(["--home", str(plant.settings.home), "dossier", "NOSUCH", "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert "'NOSUCH': no sheet carries this label" in said
    assert said.count("\n") == 1
    assert not out.exists()
    missing = tmp_path / "nowhere" / "one.pdf"
    assert cli.main(["--home", str(plant.settings.home), "dossier", "X", "--out", str(missing)]) == 2
    assert "lies in a folder that does not exist" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("label", "name"), [("E26-0001", "dossier-E26-0001.pdf"), ("A/B ü", "dossier-A-B--.pdf")]
)
def test_file_names_hold_plain_letters_only(label: str, name: str) -> None:
    assert file_name(label) == name
