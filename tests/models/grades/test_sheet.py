"""Sheets and defects from JSON: what is wrong is said in one line with file and key."""

from dataclasses import replace
from typing import Any

import pytest

from models.grades import BadSheet, DefectToJudge, SheetToJudge, judge, load_sets, sheet_from_dict

GOOD: dict[str, Any] = {
    "width_mm": 2000, "length_mm": 1500, "thickness_mm": 4, "use": "stock",
    "defects": [
        {"kind": "bubble", "x_mm": 1, "y_mm": 2, "length_mm": 0.7, "width_mm": 0.5, "halo_mm": None,
         "detection_distance_mm": None}
    ],
}  # fmt: skip


def changed(**more: Any) -> dict[str, Any]:
    return {**GOOD, **more}


def with_defect(**more: Any) -> dict[str, Any]:
    return changed(defects=[{**GOOD["defects"][0], **more}])


def test_the_contract_s_example_is_read() -> None:
    sheet = sheet_from_dict(GOOD, where="s.json")
    assert (sheet.width_mm, sheet.use, sheet.defects[0].kind) == (2000, "stock", "bubble")


def test_a_kind_may_be_written_with_underscore_or_capitals() -> None:
    assert sheet_from_dict(with_defect(kind="Tin_Speck"), where="s.json").defects[0].kind == "tin speck"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ([], "s.json: expected an object with width_mm"),
        (changed(width_mm=None), "s.json.width_mm: expected a number, got nothing"),
        (changed(width_mm="2000"), "s.json.width_mm: expected a number, got str '2000'"),
        (changed(width_mm=0), "s.json.width_mm: expected a length above 0 mm, got 0"),
        (changed(length_mm=float("nan")), "s.json.length_mm: expected a number, got float nan"),
        (changed(thickness_mm=True), "s.json.thickness_mm: expected a number, got bool True"),
        (changed(use="scrap"), "s.json: use: expected stock or cut_size, got 'scrap'"),
        (changed(defects={}), "s.json: defects: expected a list"),
        (changed(defects=[1]), "s.json: defects[0]: expected an object with kind"),
        (with_defect(kind="blob"), "s.json: defects[0].kind: expected a kind of defect such as bubble"),
        (with_defect(x_mm=2001), "defects[0].x_mm: expected a place on the sheet, 0 to 2000 mm, got 2001"),
        (with_defect(y_mm=-1), "s.json: defects[0].y_mm: expected a place on the sheet"),
        (with_defect(length_mm=-0.1), "s.json: defects[0].length_mm: expected a number that is not negative"),
        (with_defect(halo_mm="big"), "s.json: defects[0].halo_mm: expected a number"),
        (with_defect(path_mm=[[1]]), "defects[0].path_mm: expected a list of [x, y] points"),
        (with_defect(path_mm=[[1, float("inf")]]), "defects[0].path_mm: expected a list of [x, y] points"),
        (with_defect(length_at_most_mm=-1), "defects[0].length_at_most_mm: expected a number that is not"),
        (with_defect(length_at_most_mm="0.5"), "s.json: defects[0].length_at_most_mm: expected a number"),
        (with_defect(open_at_mm=[5, 5]), "defects[0].open_at_mm: expected a list of [x, y] points"),
        (with_defect(open_at_mm=[[5, 1501]]),
         "defects[0].open_at_mm: expected places on the sheet, 0 to 2000 and 0 to 1500 mm, got [5, 1501]"),
        (changed(covered_fraction=1.2), "s.json: covered_fraction: expected a number from 0 to 1"),
        (changed(missing="tile B2"), "s.json: missing: expected a list of sentences"),
        (changed(build={"panes": -1}), "s.json: build.panes: expected a number that is not negative"),
        (changed(build={"pane": 2}), "s.json: build.pane: expected one of"),
        (changed(answers={"strewn": "no"}), "s.json: answers: expected an object of true or false"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line_with_file_and_key(data: Any, message: str) -> None:
    with pytest.raises(BadSheet) as caught:
        sheet_from_dict(data, where="s.json")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_defect_without_the_key_for_its_size_is_refused_but_null_is_an_answer() -> None:
    without = {k: v for k, v in GOOD["defects"][0].items() if k != "length_mm"}
    with pytest.raises(BadSheet, match="length_mm: expected a size in mm"):
        sheet_from_dict(changed(defects=[without]), where="s.json")
    assert sheet_from_dict(with_defect(length_mm=None), where="s.json").defects[0].length_mm is None


def test_what_bounds_a_size_and_where_a_fault_is_open_is_read_null_or_left_out() -> None:
    told = with_defect(length_mm=None, length_at_most_mm=0.62, open_at_mm=[[0, 700], [2000, 700.5]])
    defect = sheet_from_dict(told, where="s.json").defects[0]
    assert (defect.length_at_most_mm, defect.open_at_mm) == (0.62, ((0.0, 700.0), (2000.0, 700.5)))
    for nothing in (with_defect(), with_defect(length_at_most_mm=None, open_at_mm=None)):
        defect = sheet_from_dict(nothing, where="s.json").defects[0]
        assert (defect.length_at_most_mm, defect.open_at_mm) == (None, ())


GRADES = load_sets()


def test_a_kind_that_nobody_has_heard_of_is_covered_by_no_rule() -> None:
    sheet = SheetToJudge(2000, 1500, 3, defects=(DefectToJudge("comet", 5, 5, 1.0),))
    verdict = judge(sheet, GRADES.grade("jis-r-3202-2011"))
    assert verdict.outcome == "not_judged"
    assert "no rule covers this: a comet" in verdict.reasons[0].says


@pytest.mark.parametrize(
    ("kind", "length", "width", "smallest", "expected"),
    [
        ("scratch", None, None, None, "not_judged"),  # may be short and thin, may be not
        ("scratch", 20.0, None, None, "not_judged"),  # short, but how wide
        ("scratch", 31.0, None, None, "reject"),  # too long whatever its width
        ("scratch", None, 0.5, None, "reject"),  # too wide whatever its length
        ("scratch", 20.0, 0.1, None, "accept"),
        ("bubble", None, None, None, "not_judged"),
        ("bubble", None, None, 0.3, "accept"),  # smaller than the photos can size, and than the first class
        ("bubble", None, None, 0.31, "accept"),  # of the first class as well nine are allowed
        ("bubble", None, None, 1.5, "accept"),
        ("bubble", None, None, 1.51, "not_judged"),  # over 1.5 mm none is allowed
        ("crack", None, None, None, "reject"),  # none of any size
    ],
)
def test_what_was_not_measured_is_judged_only_where_it_does_not_matter(
    kind: str, length: float | None, width: float | None, smallest: float | None, expected: str
) -> None:
    fault = DefectToJudge(kind, 500, 500, length, width)
    sheet = SheetToJudge(2000, 1500, 3, defects=(fault,), smallest_sized_mm=smallest)
    rules = replace(GRADES.grade("gb-11614-1999-mirror"), smallest_class_mm=None)
    assert judge(sheet, rules).outcome == expected
