"""The layout's shapes as the page's SVG and the PDF draw them: the same shapes, each with a look."""

import io
import re
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from jinja2 import Environment, FileSystemLoader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import SimpleDocTemplate

import webapp
from models.sheet.looked import LookedPart, looked_at
from tests.webapp.test_dossier import text_of
from webapp.dossier.sheet_picture import LOOKS, SheetLegend, SheetPicture
from webapp.dossier.style import register_fonts
from webapp.figures.against import Against
from webapp.figures.marks import HOLLOW, OUTLINES
from webapp.figures.sheet_layout import SheetLayout, lay_out
from webapp.figures.sheet_parts import BoxToDraw, DefectToDraw, SheetToDraw, TileToDraw, tiles_of
from webapp.figures.sheet_shapes import ROLES, Circle, Line, Rect, Sign, Words

WEB = Path(webapp.__file__).parent
SHEET_CSS = (WEB / "static" / "css" / "sheet.css").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"


def everything() -> SheetToDraw:
    """A sheet with every shape that a layout can give."""
    parts = [
        LookedPart(rectangle_mm=(0, 0, 3210, 1000), smallest_mm=0.4),
        LookedPart(rectangle_mm=(0, 1000, 3210, 2000), smallest_mm=1.2),
    ]
    scratch = DefectToDraw(
        label="2-7", kind="scratch", x_mm=1000.0, y_mm=3000.0, length_mm=900.0, deciding=True, decided=False,
        path_mm=((1000.0, 2500.0), (1000.0, 3500.0)), open_at_mm=((1000.0, 2500.0), (1000.0, 3500.0)),
    )  # fmt: skip
    crowd = [
        DefectToDraw(label=str(n), kind=kind, x_mm=2000.0 + n, y_mm=4000.0 + n, length_mm=1.0)
        for n, kind in enumerate(("bubble", "stone", "roll mark", "knot", "rub", "ream", "chip"), start=1)
    ]
    unknown = TileToDraw(name="", box_mm=(0.0, 5000.0, 3210.0, 6000.0), state="unknown")
    return SheetToDraw(
        width_mm=3210.0, length_mm=6000.0, defects=(scratch, *crowd),
        tiles=(*tiles_of(looked_at(3210.0, 6000.0, parts, 0.5))[:-3], unknown),
        photos=(BoxToDraw(name="photo 1", box_mm=(0.0, 0.0, 3210.0, 1000.0)),),
        by_eye_mm=((0.0, 4000.0, 1000.0, 5000.0),), holes_mm=((500.0, 500.0, 700.0, 700.0),),
        under_tags_mm=((0.0, 0.0, 100.0, 100.0),),
        zones=(BoxToDraw(name="edge", box_mm=(100.0, 100.0, 3110.0, 5900.0)),),
        piece=BoxToDraw(name="a piece", box_mm=(0.0, 4500.0, 3210.0, 6000.0)),
        against=Against(
            circles_mm=((1500.0, 4500.0, 300.0),), lines_mm=((2000.0, 4000.0, 2006.0, 4006.0),),
            photograph_mm=((1000.0, 3500.0),),
        ),
    )  # fmt: skip


def layouts() -> Iterator[SheetLayout]:
    yield lay_out(everything(), across=400.0, along=600.0)
    few = SheetToDraw(width_mm=3210.0, length_mm=6000.0, defects=everything().defects[1:])
    yield lay_out(few, across=400.0, along=600.0, close_up_beside=True)


def templates() -> Environment:
    """The templates with the white space that the app sets."""
    loader = FileSystemLoader(WEB / "templates")
    return Environment(loader=loader, trim_blocks=True, lstrip_blocks=True, autoescape=True)


def svg_of(layout: SheetLayout) -> ET.Element:
    module = templates().get_template("_partials/sheet_svg.html").module
    text = str(module.sheet_svg(layout, "Plan"))
    return ET.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


class Recorder(Canvas):
    """A canvas that keeps what is drawn on it."""

    def __init__(self) -> None:
        super().__init__("")
        self.drawn: list[tuple[str, object]] = []

    def rect(self, x, y, width, height, *rest, **more):
        self.drawn.append(("rect", (round(x, 3), round(y, 3), round(width, 3), round(height, 3))))
        super().rect(x, y, width, height, *rest, **more)

    def circle(self, x, y, radius, *rest, **more):
        self.drawn.append(("circle", (round(x, 3), round(y, 3), round(radius, 3))))
        super().circle(x, y, radius, *rest, **more)

    def drawPath(self, path, *rest, **more):
        self.drawn.append(("path", None))
        super().drawPath(path, *rest, **more)


@pytest.mark.parametrize("layout", tuple(layouts()), ids=("everything", "close-up beside"))
def test_page_and_pdf_draw_the_same_shapes(layout):
    register_fonts()
    drawing = svg_of(layout)
    tags = Counter(element.tag.removeprefix(SVG) for element in drawing)
    shapes = Counter(type(shape) for shape in layout.shapes)
    assert tags == Counter(
        {
            "rect": shapes[Rect],
            "circle": shapes[Circle],
            "path": shapes[Line] + shapes[Sign],
            "text": shapes[Words],
        }
    )

    canvas = Recorder()
    picture = SheetPicture(layout)
    picture.drawOn(canvas, 0, 0)
    on_paper = Counter(form for form, _ in canvas.drawn)
    assert on_paper["rect"] == shapes[Rect]
    assert on_paper["circle"] == shapes[Circle]
    lines = sum(len(shape.lines) for shape in layout.shapes if isinstance(shape, Line | Sign))
    assert on_paper["path"] == lines
    # in the same places, the paper's y running up
    boxes = {place for form, place in canvas.drawn if form == "rect"}
    for shape in layout.shapes:
        if isinstance(shape, Rect):
            y = layout.height - shape.y - shape.height
            assert (round(shape.x, 3), round(y, 3), round(shape.width, 3), round(shape.height, 3)) in boxes
    rects = [element for element in drawing if element.tag == f"{SVG}rect"]
    for element, shape in zip(rects, (s for s in layout.shapes if isinstance(s, Rect)), strict=True):
        assert float(element.get("x", "")) == pytest.approx(shape.x, abs=0.051)
        assert float(element.get("height", "")) == pytest.approx(shape.height, abs=0.051)


def test_where_to_photograph_stands_on_page_and_paper(tmp_path):
    layout = next(layouts())
    words = [element for element in svg_of(layout) if element.tag == f"{SVG}text"]
    assert [e.text for e in words if e.get("class") == "ask-words"] == ["photograph here"]
    register_fonts()
    paper = io.BytesIO()
    SimpleDocTemplate(paper, pagesize=(600.0, 900.0)).build([SheetPicture(layout)])
    # a reader may join or part words by their gaps
    told = "".join(text_of(paper.getvalue(), tmp_path).split())
    for shape in layout.shapes:
        if isinstance(shape, Words):
            assert shape.text.replace(" ", "") in told


def test_every_shape_has_a_look_on_page_and_paper():
    given = {shape.role for layout in layouts() for shape in layout.shapes if not isinstance(shape, Sign)}
    assert given == set(ROLES)
    assert set(LOOKS) == set(ROLES)
    styled = set(re.findall(r"\.([a-z-]+)", SHEET_CSS))
    assert set(ROLES) <= styled


def test_every_meaning_has_a_sample_with_a_look():
    layout = next(layouts())
    for entry in layout.legend:
        for shape in entry.shapes:
            assert shape.role in LOOKS or shape.role in OUTLINES or shape.role in HOLLOW
    module = templates().get_template("_partials/sheet_svg.html").module
    told = str(module.sheet_legend(layout))
    for entry in layout.legend:
        assert entry.text in told


def test_the_meanings_fit_the_width_of_the_paper_that_they_are_given():
    register_fonts()
    layout = next(layouts())
    for width in (120.0, 200.0, 480.0):
        legend = SheetLegend(layout.legend)
        legend.wrap(width, 1000.0)
        canvas = Canvas("")
        for row in legend._rows:
            for x, entry in row:
                long = canvas.stringWidth(entry.text, "DejaVuSans", legend.size)
                assert x == 0.0 or x + legend._sample_width + 4 + long <= width
    assert sum(len(row) for row in legend._rows) == len(layout.legend)


def test_what_people_named_is_not_markup():
    tile = BoxToDraw(name="<b>photo</b>", box_mm=(0.0, 0.0, 3210.0, 6000.0))
    sheet = SheetToDraw(width_mm=3210.0, length_mm=6000.0, photos=(tile,))
    drawing = svg_of(lay_out(sheet, across=400.0, along=600.0))
    assert "<b>photo</b>" in [element.text for element in drawing if element.get("class") == "photo-name"]
