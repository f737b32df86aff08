"""A sheet's history on screen and its dossier say the same: what was looked at, parts, labels, pack."""

import html
import re
from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from models import inspections
from models.database import writing
from models.records import Sheet
from models.sheet.looked import LookStatement
from tests import factories
from tests.factories import find_dict, inspection_dict
from tests.webapp.conftest import Booth
from tests.webapp.test_dossier import text_of, write
from webapp.plant import Plant


@pytest.fixture
def both(
    plant: Plant, signed_in: Callable[[str], FlaskClient], tmp_path: Any
) -> Callable[[int], tuple[str, str]]:
    """Gives the words of a sheet's page and of its dossier, blanks aside."""
    desk = signed_in("claims_desk")

    def read(sheet_id: int) -> tuple[str, str]:
        page = desk.get(f"/sheets/{sheet_id}")
        assert page.status_code == 200
        # tables alone: drawings have tests of their own
        tables = re.sub(r"<svg.*?</svg>|</?span[^>]*>", "", page.text, flags=re.DOTALL)
        paper = text_of(write(plant, sheet_id), tmp_path, "-raw")
        return " ".join(html.unescape(tables).split()), " ".join(paper.split())

    return read


def add_photo(session: Session, plant: Plant, booth: Booth, data: bytes, *finds: Any, **values: Any) -> None:
    photo = inspections.add_photo(
        session, plant.store, booth.sheet_ids[0], data, f"{data.decode()}.jpg", None, booth.inspector_id
    )
    inspections.record_inspection(session, photo.id, inspection_dict(*finds, **values))


def test_who_looked_at_which_part_and_how(
    plant: Plant, booth: Booth, both: Callable[[int], tuple[str, str]]
) -> None:
    with writing(plant.sessions) as session:
        look = LookStatement(
            way="eye", parts_mm=((0.0, 0.0, 1000.0, 1000.0),), lighting="dark_field", distance_mm=1500.0,
            smallest_mm=0.3, looked_by="Ilse Varnhagen", looked_at=factories.NOON,
        )  # fmt: skip
        inspections.add_look(session, booth.sheet_ids[0], booth.inspector_id, look)
        add_photo(session, plant, booth, b"half", covered_mm=[0.0, 1000.0, 3000.0, 2000.0])
        inspections.finish_sheet(session, plant.book, booth.sheet_ids[0], booth.inspector_id)
    for words in both(booth.sheet_ids[0]):
        for said in (
            "What was looked at", "66 % of the sheet was looked at.", "tile A1",
            "by eye, dark field, from 1.5 m, shows from 0.3 mm",
            "Ilse Varnhagen", "by photo 1, dark field, sizes from 0.30 mm", "Ruta inspector",
            "None was recorded on the 66 % looked at.",
        ):  # fmt: skip
            assert said in words, said


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (
            {"state": "passed_by", "looked_fraction": 0.0},
            ("The sheet was not looked at.", "None is on record."),
        ),
        (
            {"state": "recorded", "looked_fraction": None},
            ("Nobody knows whether the sheet was looked at.", "None is on record."),
        ),
    ],
)
def test_glass_that_nobody_looked_at_is_not_called_clean(
    plant: Plant, booth: Booth, both: Callable[[int], tuple[str, str]], values: Any, said: tuple[str, ...]
) -> None:
    with writing(plant.sessions) as session:
        for sheet_id in booth.sheet_ids[:2]:
            sheet = session.get_one(Sheet, sheet_id)
            sheet.state, sheet.looked_fraction = values["state"], values["looked_fraction"]
    for words in both(booth.sheet_ids[0]):
        assert all(sentence in words for sentence in said)
        assert "None was recorded" not in words
        assert "0 defects" not in words


def test_parts_decisions_and_labels_are_the_same_on_both(
    plant: Plant, booth: Booth, both: Callable[[int], tuple[str, str]]
) -> None:
    """One bubble in two photos, dust in the second one, and a stone that nobody has decided about."""
    with writing(plant.sessions) as session:
        add_photo(session, plant, booth, b"one", find_dict(1), find_dict(2, x_mm=1500.0, kind="stone"))
        dust = {"bubble": 0.02, "stone": 0.02, "scratch": 0.01, "not_glass": 0.95}
        lint = find_dict(4, x_mm=2500.0, not_glass="dust", kind_scores=dust)
        add_photo(session, plant, booth, b"two", find_dict(3, x_mm=500.2), lint)
        first = inspections.finds_of(session, booth.sheet_ids[0])[0].find.id
        inspections.confirm_find(session, first, booth.inspector_id)
    for words in both(booth.sheet_ids[0]):
        for said in (
            "finds 1-1 and 2-3, one defect", "one defect with 1-1", "one defect with 2-3", "not glass: dust",
            "set apart as not glass", "1-2", "2-4", "Photo 2: two.jpg",
        ):  # fmt: skip
            assert said in words, said
        assert words.count("nobody has decided") == 1
        assert words.count("confirmed as defect 1") == 2
        assert "at find 1-1" in words
        assert "No." not in words


def test_an_open_end_a_close_call_and_titles(
    plant: Plant, booth: Booth, both: Callable[[int], tuple[str, str]]
) -> None:
    with writing(plant.sessions) as session:
        values = inspections.DefectValues(
            "scratch", 150.0, 400.0, 300.0, 0.1, path_mm=[[0, 400], [300, 400]], open_at_mm=[[300.0, 400.0]]
        )
        inspections.add_defect(session, booth.sheet_ids[0], booth.inspector_id, values)
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        sheet.state, sheet.looked_fraction = "finished", 1.0
        call = "defect 1 measures 2.98 ± 0.05 mm, the limit is 3 mm (E 2.1): take a close-up"
        ladder = [
            {"grade": "gone-window", "title": "Gone window", "close_calls": [call]},
            {"grade": "gone-garden", "title": "Gone garden", "outcome": "accept"},
        ]
        kept = {"grade_id": "gone-window", "downgrade_to": "gone-garden", "ladder": ladder}
        factories.make_verdict(session, sheet, "downgrade", close_call=True, **kept)
        # the neighbour's verdict, by a grade that is out of use as well
        other = session.get_one(Sheet, booth.sheet_ids[1])
        factories.make_verdict(session, other, "downgrade", **kept)
    for words in both(booth.sheet_ids[0]):
        assert "at least 300.0 × 0.10; its end lies outside the photos" in words
        assert "defect 1 measures 2.98 ± 0.05 mm, the limit is 3 mm (E 2.1)." in words
        assert "take a close-up" not in words
        assert "Gone window" in words
        assert words.count("Gone garden") >= 2
        assert "gone-garden" not in words
        assert "gone-window" not in words


def test_the_packs_rule_stands_beside_the_sheets_own_verdict(
    plant: Plant, booth: Booth, both: Callable[[int], tuple[str, str]]
) -> None:
    """12 points of 0.6 mm on one sheet of 6 m²: 1 for each 20 m² allow 0.3."""
    with writing(plant.sessions) as session:
        grade = plant.book.grade("eschenfurt-window")
        pack = factories.make_pack(session, label="P-TWO", grade_id=grade.id)
        first, second, third = (session.get_one(Sheet, sheet_id) for sheet_id in booth.sheet_ids)
        for sheet in (first, second, third):
            sheet.pack_id = pack.id
        first.state, first.looked_fraction = "finished", 1.0
        second.state = "passed_by"
        third.state, third.looked_fraction = "recorded", None
        bubbles = [
            {"kind": "bubble", "x_mm": 100.0 + 200 * n, "y_mm": 900.0, "length_mm": 0.6, "width_mm": 0.6}
            for n in range(12)
        ]
        as_judged = {"width_mm": 3000.0, "length_mm": 2000.0, "thickness_mm": 4.0, "use": "stock"}
        factories.make_verdict(session, first, defects=bubbles, sheet_as_judged=as_judged)
    for words in both(booth.sheet_ids[0]):
        for said in (
            "Its pack", "P-TWO", f"Going by 1 of its 3 sheets, the pack breaks {grade.title}.",
            "E 2.5, average over the pack",
            "points from 0.5 mm: 12 on 1 sheets", "0.3 allowed, 12 too many",
            f"Nobody inspected 1 of its 3 sheets ({booth.labels[1]}).",
            f"Nobody knows of 1 of its 3 sheets ({booth.labels[2]}) whether it was looked at.",
        ):  # fmt: skip
            assert said in words, said
