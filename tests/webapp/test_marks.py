"""Signs of kinds: a shape for each group of kinds, one set of outlines, the same dashes everywhere."""

import itertools
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

import webapp
from models.grades.kinds import KINDS
from models.history_records import DecisionHistory, FindHistory, PhotoHistory
from tests import factories
from webapp.figures.marks import (
    HOLLOW,
    NOT_GLASS,
    OUTLINES,
    RADIUS,
    SLIM,
    dashes,
    mark_for,
    outline,
    path_data,
    sign_data,
)
from webapp.figures.photo_figure import draw_finds

BOOTH_MARKS = Path(webapp.__file__).parent / "static" / "js" / "booth" / "marks.js"


def test_each_group_of_kinds_has_a_shape_of_its_own():
    firsts = (
        "bubble",
        "stone",
        "tin speck",
        "roll mark",
        "pinhole",
        "ream",
        "scratch",
        "chip",
        "crack",
        "stain",
    )
    shapes = [mark_for(kind).shape for kind in firsts]
    assert len(set(shapes)) == len(shapes)
    assert mark_for("not glass").shape == "dotted"
    assert mark_for("griblet").shape not in shapes
    assert mark_for("griblet").label == "griblet"


@pytest.mark.parametrize(
    ("kind", "like"),
    [
        ("seed", "bubble"), ("azs stone", "stone"), ("knot", "tin speck"), ("dross", "tin speck"),
        ("rub", "scratch"), ("hairline", "scratch"), ("cord", "ream"), ("shell", "chip"),
        ("star damage", "crack"), ("bloom", "stain"), ("coating spot", "pinhole"),
    ],
)  # fmt: skip
def test_a_finer_kind_takes_the_shape_of_its_group(kind, like):
    assert mark_for(kind).shape == mark_for(like).shape


def test_every_kind_can_be_drawn():
    for kind in (*KINDS, "not glass", "griblet"):
        mark = mark_for(kind)
        assert mark.shape in OUTLINES or mark.shape in RADIUS
        assert mark.data(10.0, 10.0, 6.0).startswith("M")
        assert mark.hollow == (mark.shape in HOLLOW)


def test_signs_keep_to_their_room():
    for shape in (*OUTLINES, *RADIUS):
        places = [p for line in outline(shape, 0.0, 0.0, 1.0) for p in line]
        assert max(abs(value) for p in places for value in p) <= 1.3
        assert max(y for _, y in places) >= 0.6


def test_a_sign_for_a_find_leaves_its_middle_free_to_look_at():
    for shape in set(OUTLINES) - SLIM:
        (corners,) = outline(shape, 0.0, 0.0, 1.0)
        sides = itertools.pairwise(corners)
        assert min(_distance(a, b) for a, b in sides) >= 0.15, shape


def _distance(a, b):
    """Distance of the origin from the piece between two points."""
    way = (b[0] - a[0], b[1] - a[1])
    share = max(0.0, min(1.0, -(a[0] * way[0] + a[1] * way[1]) / (way[0] ** 2 + way[1] ** 2)))
    return math.hypot(a[0] + share * way[0], a[1] + share * way[1])


def test_the_booths_script_draws_the_same_outlines():
    text = BOOTH_MARKS.read_text(encoding="utf-8")
    body = re.search(r"const OUTLINES = (\{.*?\n\});", text, re.S)
    assert body is not None
    plain = re.sub(r",(\s*[\]}])", r"\1", re.sub(r"(\w+):", r'"\1":', body.group(1)))
    drawn = {shape: tuple(map(tuple, points)) for shape, points in json.loads(plain).items()}
    assert drawn == {shape: points for shape, points in OUTLINES.items() if shape not in SLIM}
    slim = re.search(r"const SLIM = (\[.*?\]);", text)
    assert slim is not None
    assert set(json.loads(slim.group(1))) == SLIM


def test_dashes_are_as_long_as_asked_and_lie_on_the_line():
    line = ((0.0, 0.0), (30.0, 0.0), (30.0, 30.0))
    cut = dashes(line, 4.0, 6.0)
    assert len(cut) == 6
    for piece in cut:
        assert sum(math.dist(a, b) for a, b in itertools.pairwise(piece)) == pytest.approx(4.0)
        assert all(x == pytest.approx(30.0) or y == pytest.approx(0.0) for x, y in piece)
    assert cut[0][0] == (0.0, 0.0)
    # one runs round the corner
    assert any((30.0, 0.0) in piece for piece in dashes(line, 29.0, 1.0))
    assert dashes(((1.0, 1.0), (1.0, 1.0)), 4.0, 6.0) == ()
    assert len(dashes(((0.0, 0.0), (1.0, 0.0)), 4.0, 6.0)) == 2


def test_path_data_closes_what_ends_where_it_began():
    assert path_data(((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 0.0))) == "M0.0 0.0 L1.0 0.0 L1.0 1.0Z"
    assert path_data(((0.0, 0.0), (1.0, 0.0))) == "M0.0 0.0 L1.0 0.0"
    assert path_data(((0.0, 0.0),)) == ""
    assert sign_data("dotted", 0.0, 0.0, 6.0).count("M") >= 5


def find(number: int, x_px: float, y_px: float, **values) -> FindHistory:
    given = {
        "id": number, "number": number, "kind": "stone", "not_glass": None, "x_mm": 1.0, "y_mm": 1.0,
        "x_px": x_px, "y_px": y_px, "length_mm": 1.0, "width_mm": None, "halo_mm": None, "length_sd_mm": None,
        "length_px": 10.0, "width_px": None, "angle_deg": None, "path_px": (), "box_px": None, "score": 0.9,
        "flags": (), "also": (), "asks": "", "decisions": (),
    }  # fmt: skip
    told = given | values
    seen = {"label": f"2-{number}", "seen_kind": told["kind"], "seen_not_glass": told["not_glass"]}
    return FindHistory(**seen | told)


def decided(word: str, number: int | None) -> tuple[DecisionHistory, ...]:
    said = {"decision": word, "reason": None, "at": factories.NOON, "by": "Ruta", "defect_number": number}
    return (DecisionHistory(photo_number=2, find_number=1, earlier=False, current=True, **said),)


PHOTO = PhotoHistory(
    id=1, number=2, sha256="0" * 64, name="a.jpg", size_bytes=1, state="inspected", message=None,
    added_at=factories.NOON, added_by=None, inspected_at=None, lighting="dark_field", width_px=4000,
    height_px=3000, mm_per_px=0.1, scale_source="tags", scale_residual_mm=None, smallest_sized_mm=0.3,
    covered_mm=None, covered_fraction=None, messages=(), earlier_runs=0, finds=(),
)  # fmt: skip


def shapes_of(*finds: FindHistory, kinds=None):
    return {shape.text.split(":")[0]: shape for shape in draw_finds(replace(PHOTO, finds=finds), 2, kinds)}


def test_a_find_is_called_by_its_defect_or_by_its_photo_and_number():
    shapes = shapes_of(
        find(1, 500.0, 500.0, decisions=decided("confirmed", 4)),
        find(7, 1500.0, 500.0),
        find(8, 2500.0, 500.0, decisions=decided("dismissed", None)),
        find(9, 3500.0, 500.0, not_glass="dust"),
    )
    assert {name: shape.label for name, shape in shapes.items()} == {
        "defect 4, find 2-1": "4",
        "find 2-7": "2-7",
        "find 2-8": "",
        "find 2-9": "",
    }


def test_what_is_not_glass_is_drawn_in_dashes_by_its_geometry():
    shapes = shapes_of(
        find(1, 500.0, 500.0),
        find(2, 1500.0, 500.0, not_glass="dust"),
        find(3, 2500.0, 500.0, not_glass="lint", path_px=((2500.0, 500.0), (2500.0, 1500.0))),
        find(4, 3500.0, 500.0, kind="bubble", length_px=600.0, decisions=decided("dismissed", None)),
    )
    whole, dust, lint, dismissed = (shapes[f"find 2-{n}"] for n in (1, 2, 3, 4))
    assert len(whole.lines) == 1
    assert whole.lines[0][0] == whole.lines[0][-1]
    for shape in (dust, lint, dismissed):
        assert shape.mark is NOT_GLASS
        assert len(shape.lines) >= 4
        assert shape.data.count("M") == len(shape.lines)
    # a dash has one length, whatever the size of the ring: 0.75 hundredths of the photo's larger side
    long = [math.dist(line[0], line[-1]) for line in (*lint.lines, *dismissed.lines)]
    assert max(long) == pytest.approx(30.0, rel=0.1)
    assert min(long) == pytest.approx(30.0, rel=0.1)


def test_a_defect_has_one_sign_on_plan_and_photo():
    changed = find(1, 500.0, 500.0, kind="stone", decisions=decided("changed", 4))
    assert next(iter(shapes_of(changed, kinds={4: "bubble"}).values())).mark.shape == "ring"
    assert next(iter(shapes_of(changed).values())).mark.shape == "diamond"


def test_labels_on_a_photo_do_not_lie_on_each_other_and_stay_in_it():
    finds = [find(n, 3960.0 - 70 * (n % 3), 60.0 * n) for n in range(1, 30)]
    photo = replace(PHOTO, finds=tuple(finds))
    boxes = []
    for shape in draw_finds(photo, 12):
        if shape.label:
            letter = 3.8 * 40
            width = 0.7 * letter * len(shape.label)
            left = shape.label_x - {"start": 0.0, "middle": width / 2, "end": width}[shape.anchor]
            boxes.append((left, shape.label_y - 0.7 * letter, left + width, shape.label_y))
    assert boxes
    for n, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[1] >= 0
        assert a[2] <= 4000
        for b in boxes[n + 1 :]:
            assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])
