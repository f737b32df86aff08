"""The one drawing of a sheet: where things and labels lie, what decides, where to photograph."""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, Reason, SheetToJudge
from models.sheet.looked import LookedPart, looked_at
from webapp.figures.against import Against, against
from webapp.figures.sheet_frame import scale_mm
from webapp.figures.sheet_layout import PHOTOGRAPH, SCREEN_LETTER, SheetLayout, lay_out
from webapp.figures.sheet_parts import (
    BoxToDraw,
    DefectToDraw,
    SheetToDraw,
    TileToDraw,
    close_up,
    judged_defects,
    tiles_of,
)
from webapp.figures.sheet_shapes import Circle, Line, Rect, Sign, Words, hatch, within

ACROSS, ALONG = 300.0, 500.0
SHEET = (3210.0, 6000.0)


def defect(label: str, x_mm: float | None, y_mm: float | None, kind: str = "stone", **more) -> DefectToDraw:
    return DefectToDraw(label=label, kind=kind, x_mm=x_mm, y_mm=y_mm, length_mm=1.0, **more)


def drawn(*defects: DefectToDraw, size=SHEET, window_mm=None, letter=SCREEN_LETTER, beside=False, **more):
    sheet = SheetToDraw(width_mm=size[0], length_mm=size[1], defects=defects, **more)
    return lay_out(
        sheet, across=ACROSS, along=ALONG, letter=letter, window_mm=window_mm, close_up_beside=beside
    )


def of(layout: SheetLayout, role: str):
    return [shape for shape in layout.shapes if shape.role == role]


def texts(layout: SheetLayout, role: str) -> list[str]:
    return [shape.text for shape in of(layout, role)]


# Widths of DejaVu Sans Bold, read from the font by reportlab: the widest that a page or the PDF draws.
def box_of(words: Words, letter: float) -> tuple[float, float, float, float]:
    from reportlab.pdfbase import pdfmetrics

    from webapp.dossier.style import BOLD, register_fonts

    register_fonts()
    width = pdfmetrics.stringWidth(words.text, BOLD, letter)
    left = words.x - {"start": 0.0, "middle": width / 2, "end": width}[words.anchor]
    return left, words.y - 0.73 * letter, left + width, words.y + 0.24 * letter


def overlapping(layout: SheetLayout) -> list[tuple[str, str]]:
    words = [shape for shape in layout.shapes if isinstance(shape, Words) and not shape.turned]
    boxes = [(shape.text, box_of(shape, layout.letter)) for shape in words]
    return [
        (said, other)
        for (said, a), (other, b) in itertools.combinations(boxes, 2)
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
    ]


def cut_off(layout: SheetLayout) -> list[str]:
    words = [shape for shape in layout.shapes if isinstance(shape, Words) and not shape.turned]
    return [
        shape.text
        for shape in words
        for x0, y0, x1, y1 in [box_of(shape, layout.letter)]
        if x0 < 0 or y0 < 0 or x1 > layout.width or y1 > layout.height
    ]


def test_a_sheet_is_drawn_to_scale_with_its_defects_in_their_places():
    layout = drawn(defect("1", 0.0, 0.0), defect("2", 3210.0, 6000.0), defect("3", 1605.0, 1500.0))
    assert layout.per_mm == pytest.approx(500 / 6000)
    x0, y0, x1, y1 = layout.sheet
    assert (x1 - x0, y1 - y0) == pytest.approx((3210 * 500 / 6000, 500.0))
    places = [(sign.x, sign.y) for sign in layout.shapes if isinstance(sign, Sign)]
    assert places == [
        pytest.approx((x0, y0)),
        pytest.approx((x1, y1)),
        pytest.approx(((x0 + x1) / 2, y0 + 125.0)),
    ]
    assert layout.width > x1
    assert layout.height > y1


# the longest of 1, 2, 5 x 10^n that is at most 45 % of the width: worked by hand
@pytest.mark.parametrize(
    ("width_mm", "bar_mm"), [(3210.0, 1000), (6000.0, 2000), (500.0, 200), (60.0, 20), (3.0, 1), (1.0, 1)]
)
def test_the_scale_bar_is_a_round_length_drawn_to_scale(width_mm, bar_mm):
    assert scale_mm(width_mm) == bar_mm
    layout = drawn(size=(width_mm, width_mm))
    (axis,) = of(layout, "axis")
    xs = [x for x, _ in axis.lines[0]]
    assert max(xs) - min(xs) == pytest.approx(bar_mm * layout.per_mm)
    assert texts(layout, "tick") == [f"{bar_mm} mm" if bar_mm < 1000 else f"{bar_mm // 1000} m"]


def test_a_label_is_the_number_alone_and_kinds_are_told_by_shape():
    kinds = {
        "bubble": "ring",
        "stone": "diamond",
        "roll mark": "square",
        "scratch": "bar",
        "tin speck": "triangle",
    }
    layout = drawn(*(defect(str(n), 300.0 * n, 800.0 * n, kind) for n, kind in enumerate(kinds, start=1)))
    assert sorted(texts(layout, "label")) == ["1", "2", "3", "4", "5"]
    assert [sign.shape for sign in layout.shapes if isinstance(sign, Sign)] == list(kinds.values())
    named = {entry.shapes[0].role: entry.text for entry in layout.legend}
    assert named == {shape: kind for kind, shape in kinds.items()}


points = st.tuples(st.floats(0, 3210), st.floats(0, 6000))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(points, st.booleans(), st.sampled_from(["4", "17", "2-7", "12-103"])), max_size=45),
    st.lists(points, max_size=4),
    st.sampled_from([SCREEN_LETTER, 6.8]),
    st.booleans(),
)
def test_no_words_lie_on_others_or_leave_the_drawing(placed, open_ends, letter, crowded):
    if crowded:  # all in a hand's breadth, where there is room for few
        placed = [((1600 + x / 20, 3000 + y / 40), decides, label) for (x, y), decides, label in placed]
    looked = looked_at(*SHEET, [LookedPart(rectangle_mm=(0, 0, 2000, 4000), smallest_mm=0.4)], 0.5)
    layout = drawn(
        *(defect(label, x, y, deciding=decides) for (x, y), decides, label in placed),
        letter=letter,
        tiles=tiles_of(looked),
        photos=(BoxToDraw(name="photo 1", box_mm=(0, 0, 2000, 4000)),),
        against=Against(photograph_mm=tuple(open_ends)),
    )
    # where to photograph is said even where nothing is free
    assert [pair for pair in overlapping(layout) if PHOTOGRAPH not in pair] == []
    assert cut_off(layout) == []
    left_out = len(placed) - len(texts(layout, "label"))
    assert any(note.startswith("Drawn without a label") for note in layout.notes) == (left_out > 0)


def test_a_crowd_of_defects_is_labelled_with_lines_to_the_labels():
    crowd = [defect(str(n), 1600.0 + 12 * (n % 4), 3000.0 + 12 * (n // 4)) for n in range(1, 13)]
    layout = drawn(*crowd)
    assert len(texts(layout, "label")) == 12
    assert of(layout, "leader")
    assert overlapping(layout) == []


def test_what_decides_keeps_its_label_where_most_do_without():
    many = [
        defect(str(n), 100.0 + 30 * (n % 100), 100.0 + 30 * (n // 100), deciding=n == 70) for n in range(500)
    ]
    layout = drawn(*many)
    assert texts(layout, "label") == ["70"]
    assert "Drawn without a label, for want of room: 499." in layout.notes


def test_a_defect_without_a_place_is_named_and_not_drawn():
    layout = drawn(defect("1", 10.0, 10.0), defect("2", None, None))
    assert layout.count == 1
    assert layout.notes == ("Without a place on the sheet, not drawn: 2.",)


REASONS = (
    Reason("E 1", "too many", (0, 2), 1, 2, "reject", marks=({"circle": [500, 500, 100]},)),
    Reason("E 2", "its end lies outside the photos", (1,), None, None, "not_judged",
           marks=({"open_end": [900.0, 1200.0]}, {"line": [1, 2, 3, 4]})),
    Reason("E 3", "met", (3,), 5, 1, "accept", marks=({"circle": [1, 1, 1]},)),
    Reason("E 4", "not examined", (4,), None, None, "not_examined"),
)  # fmt: skip


def test_what_decides_is_what_any_reason_against_the_sheet_rests_on():
    why = against(REASONS)
    assert why.defects == {0, 1, 2}
    assert why.circles_mm == ((500, 500, 100),)
    assert why.lines_mm == ((1, 2, 3, 4),)
    assert why.photograph_mm == ((900.0, 1200.0),)
    # as the verdict keeps them: the same
    assert against([reason.to_dict() for reason in REASONS]) == why
    kept_wrong = {"outcome": "reject", "marks": [{"circle": [1, 2]}, {"open_end": None}, {"other": [1]}]}
    assert against([kept_wrong]) == Against()


def test_the_judged_sheet_is_drawn_under_the_names_of_its_reasons():
    judged = SheetToJudge(
        1000.0, 1000.0, 4.0,
        defects=(
            DefectToJudge("stone", 100.0, 100.0, 1.0, name="4", ref={"defect": 11}),
            DefectToJudge("scratch", 900.0, 900.0, 300.0, name="2-7", ref={"find": 5},
                          open_at_mm=((900.0, 1000.0),)),
            DefectToJudge("bubble", 500.0, 500.0, None, name="5", placed=False),
        ),
    )  # fmt: skip
    shown = judged_defects(judged, Against(defects=frozenset({1})))
    assert [(d.label, d.x_mm, d.deciding, d.decided) for d in shown] == [
        ("4", 100.0, False, True), ("2-7", 900.0, True, False), ("5", None, False, True),
    ]  # fmt: skip
    assert shown[1].says == "find 2-7: scratch, at least 300.00 mm, not decided yet, decides"


def test_an_open_end_is_framed_with_words_and_one_that_does_not_matter_without():
    line = defect(
        "4", 1600.0, 3000.0, "scratch", path_mm=((1600.0, 2500.0), (1600.0, 3500.0)),
        open_at_mm=((1600.0, 2500.0), (1600.0, 3500.0)),
    )  # fmt: skip
    layout = drawn(line, against=Against(photograph_mm=((1600.0, 3500.0),)))
    (ask,), (other,) = of(layout, "ask"), of(layout, "open-end")
    middle = [sum(values) / 12 for values in zip(*(p for part in ask.lines for p in part), strict=True)]
    x0, y0, _, _ = layout.sheet
    assert middle == pytest.approx([x0 + 1600 * layout.per_mm, y0 + 3500 * layout.per_mm])
    assert texts(layout, "ask-words") == ["photograph here"]
    assert ask.says == "photograph here"
    assert other.says == "runs out of the photos here"
    told = [entry.text for entry in layout.legend]
    assert "runs out of the photos: photograph here" in told
    assert "runs out of the photos" in told


def test_open_ends_side_by_side_share_their_words():
    layout = drawn(against=Against(photograph_mm=((1600.0, 3500.0), (1650.0, 3510.0), (300.0, 300.0))))
    assert len(of(layout, "ask")) == 3
    assert texts(layout, "ask-words") == [PHOTOGRAPH, PHOTOGRAPH]


@pytest.mark.parametrize("size", [(300.0, 3000.0), (6000.0, 400.0), (200.0, 200.0), (3210.0, 12000.0)])
@pytest.mark.parametrize("letter", [SCREEN_LETTER, 6.8])
def test_the_words_fit_beside_a_sheet_of_any_form(size, letter):
    layout = drawn(
        defect("1", 1.0, 1.0), defect("12-103", size[0], size[1], deciding=True),
        size=size, letter=letter, tiles=tiles_of(looked_at(*size, [], 0.5)),
        against=Against(photograph_mm=((size[0], size[1] / 2),)),
    )  # fmt: skip
    assert cut_off(layout) == []
    assert overlapping(layout) == []
    assert texts(layout, "ask-words") == [PHOTOGRAPH]


def test_tiles_are_named_and_states_are_those_of_the_sentences():
    parts = [
        LookedPart(rectangle_mm=(0, 0, 3210, 2000), smallest_mm=0.4),
        LookedPart(rectangle_mm=(0, 2000, 3210, 4000), smallest_mm=1.2),
        LookedPart(rectangle_mm=(0, 4000, 3210, 4900), smallest_mm=0.4),
    ]
    looked = looked_at(*SHEET, parts, 0.5)
    tiles = {tile.name: tile for tile in tiles_of(looked)}
    assert [tiles[name].state for name in ("A1", "B3", "C5", "C6")] == [
        "covered", "coarse", "missing", "missing",
    ]  # fmt: skip
    assert tiles_of(looked.to_dict()) == tiles_of(looked)
    for name in ("A5", "C6"):  # 90 % of A5 was photographed: the sentence says "not wholly"
        assert name in looked.missing[0]
    layout = drawn(tiles=tiles_of(looked))
    assert sorted(texts(layout, "tile-name")) == sorted(tiles)
    assert len(of(layout, "tile-missing")) == 6
    assert len(of(layout, "hatch")) == 1
    assert [entry.text for entry in layout.legend] == [
        "looked at finely enough", "looked at, not finely enough", "not looked at, or not wholly",
    ]  # fmt: skip


def test_a_sheet_of_which_nobody_knows_is_not_drawn_like_a_clean_one():
    whole = TileToDraw(name="", box_mm=(0, 0, *SHEET), state="unknown")
    layout = drawn(tiles=(whole,))
    assert of(layout, "dots")
    assert [entry.text for entry in layout.legend] == ["not known whether looked at"]


def test_boxes_are_cut_to_the_sheet_and_to_a_window():
    photo = BoxToDraw(name="photo 1", box_mm=(-50.0, -50.0, 1000.0, 7000.0))
    layout = drawn(photos=(photo,), by_eye_mm=((5000.0, 0.0, 6000.0, 100.0),))
    (rect,) = of(layout, "photo")
    x0, y0, _, y1 = layout.sheet
    assert (rect.x, rect.y, rect.y + rect.height) == pytest.approx((x0, y0, y1))
    assert of(layout, "by-eye") == []
    assert of(drawn(photos=(photo,), window_mm=(2000.0, 0.0, 3000.0, 900.0)), "photo") == []


def test_a_circle_is_drawn_only_where_there_is_glass():
    whole = drawn(against=Against(circles_mm=((1600.0, 3000.0, 200.0),)))
    assert [shape.form for shape in of(whole, "counted")] == ["circle"]
    assert of(whole, "counted")[0].radius == pytest.approx(200 * whole.per_mm)
    cut = drawn(against=Against(circles_mm=((10.0, 3000.0, 200.0),)))
    (arc,) = of(cut, "counted")
    x0, y0, x1, y1 = cut.sheet
    places = [point for line in arc.lines for point in line]
    assert all(x0 - 1e-6 <= x <= x1 and y0 <= y <= y1 for x, y in places)
    middle = (x0 + 10 * cut.per_mm, y0 + 3000 * cut.per_mm)
    # straight pieces of a circle of 96 corners stay within 1 - cos(pi / 96) of it
    assert all(abs(math.dist(p, middle) / (200 * cut.per_mm) - 1) < 6e-4 for p in places if p[0] > x0 + 1e-6)


def test_defects_in_one_corner_are_drawn_apart_with_their_labels_there_alone():
    crowd = [defect(str(n), 200.0 + 30 * n, 300.0 + 20 * n) for n in range(1, 6)]
    long = defect("9", 260.0, 400.0, "scratch", path_mm=((250.0, 100.0), (270.0, 900.0)))
    sheet = SheetToDraw(width_mm=SHEET[0], length_mm=SHEET[1], defects=(*crowd, long))
    window = close_up(sheet)
    assert window is not None
    assert window[1] < 100.0  # the scratch's own ends lie in it, not its middle alone
    assert window[3] > 900.0
    overview = drawn(*crowd, long, beside=True)
    detail = drawn(*crowd, long, window_mm=window)
    assert len(of(overview, "window")) == 1
    assert texts(overview, "label") == []
    assert sorted(texts(detail, "label")) == ["1", "2", "3", "4", "5", "9"]
    assert texts(detail, "edge-name") == ["travel", "part of the sheet"]
    assert close_up(SheetToDraw(width_mm=100.0, length_mm=100.0, defects=(crowd[0],))) is None


def test_lines_are_cut_at_the_edge_of_a_box():
    box = (0.0, 0.0, 10.0, 10.0)
    assert within(((-5.0, 5.0), (15.0, 5.0)), box) == (((0.0, 5.0), (10.0, 5.0)),)
    assert within(((2.0, 2.0), (4.0, 4.0), (20.0, 4.0)), box) == (((2.0, 2.0), (4.0, 4.0), (10.0, 4.0)),)
    assert within(((5.0, 20.0), (20.0, 20.0)), box) == ()
    out_and_in = within(((5.0, 5.0), (5.0, 15.0), (6.0, 15.0), (6.0, 5.0)), box)
    assert out_and_in == (((5.0, 5.0), (5.0, 10.0)), ((6.0, 10.0), (6.0, 5.0)))


def test_hatching_of_neighbours_lies_on_one_set_of_lines():
    apart = hatch("hatch", [(0.0, 0.0, 10.0, 10.0), (10.0, 0.0, 20.0, 10.0)], 3.0)
    assert isinstance(apart, Line)
    sums = {round(x + y, 6) for line in apart.lines for x, y in line}
    assert all(value % 3.0 == pytest.approx(0.0, abs=1e-6) for value in sums)


def test_zones_and_the_piece_that_passes_are_drawn():
    layout = drawn(
        zones=(BoxToDraw(name="edge", box_mm=(150.0, 150.0, 3060.0, 5850.0)),),
        piece=BoxToDraw(name="3210 × 3000 mm", box_mm=(0.0, 3000.0, 3210.0, 6000.0)),
    )
    (zone,), (piece,), (away,) = of(layout, "zone"), of(layout, "piece"), of(layout, "away")
    assert isinstance(zone, Rect)
    assert zone.says == "zone edge reaches to here"
    assert piece.height == pytest.approx(3000 * layout.per_mm)
    assert max(y for line in away.lines for _, y in line) <= piece.y + 1e-6


def test_a_ring_stands_round_what_decides():
    layout = drawn(defect("1", 10.0, 20.0, deciding=True), defect("2", 500.0, 20.0))
    (ring,) = of(layout, "deciding")
    sign = next(shape for shape in layout.shapes if isinstance(shape, Sign))
    assert isinstance(ring, Circle)
    assert (ring.x, ring.y) == (sign.x, sign.y)
    assert ring.radius > sign.size
