"""One sheet on booth, grade page, history and dossier: the same labels, what decides, where to photograph."""

import re
import xml.etree.ElementTree as ET

import pytest

from models import inspections
from models.database import writing
from models.history import sheet_history
from tests.factories import find_dict, inspection_dict
from tests.webapp.test_dossier import text_of
from webapp.dossier.evidence import dossier_of
from webapp.figures.sheet_figure import draw_sheet

SVG = "{http://www.w3.org/2000/svg}"
HALF = [0.0, 0.0, 1500.0, 2000.0]


@pytest.fixture
def cut_scratch(plant, booth):
    """A sheet ordered as garden glass (no scratch over 300 mm) with a photo of its half: a stone, dust, and a
    scratch of 200 mm that ends on the photo's border. Gives the sheet's number.
    """
    sheet_id = booth.sheet_ids[0]
    path = [[1300.0 + 5 * n, 1000.0] for n in range(41)]
    finds = (
        find_dict(1, kind="stone", x_mm=400.0, y_mm=400.0, length_mm=2.0, kind_scores={"stone": 0.95}),
        find_dict(2, kind="scratch", x_mm=1400.0, y_mm=1000.0, length_mm=200.0, width_mm=0.1, path_mm=path,
                  kind_scores={"scratch": 0.95}, flags=["touches_edge"]),
        find_dict(3, not_glass="dust", x_mm=800.0, y_mm=300.0,
                  kind_scores={"bubble": 0.05, "not_glass": 0.95}),
    )  # fmt: skip
    with writing(plant.sessions) as session:
        photo = inspections.add_photo(session, plant.store, sheet_id, b"half", "half.jpg", None, None)
        inspections.record_inspection(session, photo.id, inspection_dict(*finds, covered_mm=HALF))
        inspections.set_grade(session, plant.book, sheet_id, "eschenfurt-garden", None)
    return sheet_id


def drawings_in(page: str) -> list[ET.Element]:
    """All drawings of the sheet: the whole, and the part that is drawn larger where defects crowd."""
    found = re.findall(r'<svg class="figure-svg sheet-svg".*?</svg>', page, re.S)
    return [
        ET.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)) for text in found
    ]


def words_in(drawings: list[ET.Element], role: str) -> list[str | None]:
    all_words = [element for drawing in drawings for element in drawing.iter(f"{SVG}text")]
    return [element.text for element in all_words if element.get("class") == role]


def count_in(drawing: ET.Element, role: str) -> int:
    return sum(element.get("class") == role for element in drawing)


def test_the_booth_shows_where_to_photograph_and_what_decides(inspector, cut_scratch):
    (drawing,) = drawings_in(inspector.get(f"/inspect/sheets/{cut_scratch}").text)
    assert "Plan of the sheet" in drawing.get("aria-label", "")
    assert words_in([drawing], "ask-words") == ["photograph here"]
    assert sorted(words_in([drawing], "label")) == ["1-1", "1-2"]
    assert count_in(drawing, "deciding") == 1
    assert "B1" in words_in([drawing], "tile-name")
    assert count_in(drawing, "tile-missing") > 0
    assert count_in(drawing, "photo") == 1


def test_grade_page_history_and_dossier_show_the_same(
    plant, inspector, signed_in, cut_scratch, booth, tmp_path
):
    with writing(plant.sessions) as session:
        inspections.finish_sheet(session, plant.book, cut_scratch, booth.inspector_id, confirm_undecided=True)
    claims = signed_in("claims_desk")
    pages = {
        "booth": inspector.get(f"/inspect/sheets/{cut_scratch}").text,
        "grade": claims.get(f"/grades/sheet/{cut_scratch}").text,
        "history": claims.get(f"/sheets/{cut_scratch}").text,
    }
    for name, page in pages.items():
        drawings = drawings_in(page)
        assert sorted(words_in(drawings, "label")) == ["1", "2"], name
        for drawing in drawings:
            assert words_in([drawing], "ask-words") == ["photograph here"], name
            assert count_in(drawing, "deciding") == 1, name
        assert count_in(drawings[0], "tile-missing") > 0, name
    with plant.sessions() as session:
        assert "photograph here" in text_of(
            dossier_of(session, plant.store, plant.book, cut_scratch)[1], tmp_path
        )
    # the photo calls them as the plan does; dust has its dashes and no label
    photo = re.search(r'<svg class="photo-svg".*?</svg>', pages["history"], re.S)
    assert photo is not None
    assert sorted(re.findall(r">([\d-]+)</text>", photo.group())) == ["1", "2"]
    assert max(data.count("M") for data in re.findall(r' d="([^"]+)"', photo.group())) >= 4


def test_glass_that_nobody_looked_at_is_not_drawn_like_clean_glass(plant, booth):
    passed, finished = booth.sheet_ids[1:3]
    with writing(plant.sessions) as session:
        inspections.pass_by(session, passed, booth.inspector_id)
        inspections.finish_sheet(session, plant.book, finished, booth.inspector_id)
    with plant.sessions() as session:
        roles = [
            {shape.role for shape in draw_sheet(sheet_history(session, sheet_id)).shapes}
            for sheet_id in (passed, finished)
        ]
    assert "tile-missing" in roles[0]
    assert roles[1] & {"tile-missing", "tile-unknown"}
