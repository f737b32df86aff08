"""Each shape of rule and each policy by itself, in grades made up for the test."""

import pytest

from models.grades import Build, DefectToJudge, SheetToJudge, Verdict, grades_from_text, judge

HEAD = """
standard = "made up"
edition = "1"
version = "2026-11-25"
source = "made up for this test"
{more}
[[grade]]
id = "own"
title = "own"
[[grade.rule]]
name = "rest"
shape = "classes"
clause = "0"
kinds = ["point", "linear", "edge"]
classes = [{{ allow = "unlimited" }}]
"""


def verdict(rule: str, *defects: DefectToJudge, more: str = "", **sheet: object) -> Verdict:
    text = HEAD.format(more=more) + '[[grade.rule]]\nname = "it"\nclause = "1"\n' + rule
    (grade,) = grades_from_text(text, where="own.toml")
    size = {"width_mm": 3000.0, "length_mm": 1500.0, "thickness_mm": 4.0, **sheet}
    return judge(SheetToJudge(defects=defects, **size), grade)  # type: ignore[arg-type]


def bubbles(count: int, size: float = 1.0, step: float = 100.0) -> list[DefectToJudge]:
    return [DefectToJudge("bubble", 100 + step * i, 700, size) for i in range(count)]


SLOPE = """shape = "classes"
kinds = ["bubble"]
classes = [{ size = "[0, inf)", base = 5, plus_per_m2 = 2, above_m2 = 3, full_m2_only = FULL }]
"""


@pytest.mark.parametrize(("full", "most"), [("false", 8), ("true", 7)])
def test_the_slope_counts_by_proportion_or_for_full_square_metres(full: str, most: int) -> None:
    """4.5 m2 are 1.5 m2 above 3: five and three, or five and two."""
    rule = SLOPE.replace("FULL", full)
    assert verdict(rule, *bubbles(most)).outcome == "accept"
    assert verdict(rule, *bubbles(most + 1)).outcome == "reject"


@pytest.mark.parametrize(
    ("how", "most"), [("none", 2), ("floor", 2), ("half_even", 2), ("half_up", 3), ("up", 3)]
)
def test_two_and_a_half_by_each_rounding(how: str, most: int) -> None:
    rule = f'shape = "classes"\nkinds = ["bubble"]\nproduct = "{how}"\nclasses = [{{ per_m2 = 0.5 }}]\n'
    sheet = {"width_mm": 2500.0, "length_mm": 2000.0}
    assert verdict(rule, *bubbles(most), **sheet).outcome == "accept"
    assert verdict(rule, *bubbles(most + 1), **sheet).outcome == "reject"


@pytest.mark.parametrize(
    ("how", "limit"), [("half_even", 1.0), ("half_up", 1.01), ("floor", 1.0), ("up", 1.01), (None, 1.005)]
)
def test_the_area_is_kept_to_two_decimals_by_each_rounding(how: str | None, limit: float) -> None:
    rule = 'shape = "classes"\nkinds = ["bubble"]\nclasses = [{ per_m2 = 1 }]\n'
    more = "" if how is None else f'[area]\ndecimals = 2\nrounding = "{how}"\n'
    one = verdict(rule, *bubbles(1), more=more, width_mm=1005.0, length_mm=1000.0)
    assert next(r for r in one.reasons if r.clause == "1").limit == limit


@pytest.mark.parametrize(
    ("keys", "gap", "expected"),
    [
        ("apart_mm = 100", 100.0, "accept"),
        ("more_than_mm_apart = 100", 100.0, "reject"),
        ('apart_mm = 100\nmeasured = "rims"', 101.9, "reject"),  # 2 mm of glass are within the rims
        ('apart_mm = 100\nmeasured = "rims"', 102.0, "accept"),
        ("apart_mm = 0\ntimes_smaller = 10", 19.9, "reject"),  # ten times 2 mm
        ("apart_mm = 0\ntimes_smaller = 10", 20.0, "accept"),
    ],
)
def test_how_a_distance_is_asked_and_measured(keys: str, gap: float, expected: str) -> None:
    pair = (DefectToJudge("bubble", 500, 500, 2.0), DefectToJudge("stone", 500 + gap, 500, 2.0))
    assert verdict(f'shape = "separation"\nkinds = ["point"]\n{keys}\n', *pair).outcome == expected


def test_only_the_named_parties_are_compared() -> None:
    rule = """shape = "separation"
parties = [{ kinds = ["bubble"] }, { kinds = ["stone"] }]
between = [[0, 0], [0, 1]]
apart_mm = 300
"""
    a, b = DefectToJudge("stone", 500, 500, 1.0), DefectToJudge("stone", 600, 500, 1.0)
    assert verdict(rule, a, b).outcome == "accept"
    assert verdict(rule, a, DefectToJudge("bubble", 600, 500, 1.0)).outcome == "reject"


def test_crowds_of_which_every_two_lie_close_differ_from_those_in_a_circle() -> None:
    corners = [DefectToJudge("bubble", x, y, 1.0) for x, y in ((500, 500), (595, 500), (547.5, 582.27))]
    mutual = 'shape = "cluster"\nkinds = ["point"]\nmost = 2\nwithin_mm = 100\n'
    circle = 'shape = "cluster"\nkinds = ["point"]\nmost = 2\ncircle_mm = 100\n'
    assert verdict(mutual, *corners).outcome == "reject"
    assert verdict(circle, *corners).outcome == "accept"  # their circle is 109.7 mm across


@pytest.mark.parametrize(("limits", "size", "expected"), [
    ("largest = { times_thickness = 1 }", 4.0, "accept"),
    ("largest = { times_thickness = 1 }", 4.1, "reject"),
    ("largest = { times_thickness = 1, mm = 6 }", 6.0, "accept"),
    ("largest = { times_thickness = 1, mm = 3, lesser = true }", 3.1, "reject"),
])  # fmt: skip
def test_edge_faults_by_thickness(limits: str, size: float, expected: str) -> None:
    chip = DefectToJudge("chip", 0, 500, size, size)
    assert verdict(f'shape = "edge"\nkinds = ["chip"]\n{limits}\n', chip).outcome == expected


ANY = """shape = "any of"
rules = [
    { name = "few", clause = "1a", shape = "classes", kinds = ["bubble"], classes = [{ count = 2 }] },
    { name = "far", clause = "1b", shape = "separation", kinds = ["bubble"], apart_mm = 300 },
]
"""


@pytest.mark.parametrize(
    ("count", "step", "expected"), [(2, 10.0, "accept"), (4, 300.0, "accept"), (3, 10.0, "reject")]
)
def test_one_of_two_rules_is_enough(count: int, step: float, expected: str) -> None:
    assert verdict(ANY, *bubbles(count, step=step)).outcome == expected


@pytest.mark.parametrize(
    ("answers", "expected"), [({}, "not_judged"), ({"it": True}, "reject"), ({"it": False}, "accept")]
)
def test_a_question_waits_for_a_person(answers: dict[str, bool], expected: str) -> None:
    rule = 'shape = "question"\nkinds = ["bubble"]\nmore_than = 1\nasks = "Are they bunched?"\n'
    assert verdict(rule, *bubbles(2), answers=answers).outcome == expected
    assert verdict(rule, *bubbles(1)).outcome == "accept"
    (waiting,) = [r for r in verdict(rule, *bubbles(2)).reasons if r.outcome == "not_judged"]
    assert waiting.open_question == "it"


def test_an_ignored_edge_strip_is_not_judged() -> None:
    more = '[[zone]]\nname = "strip"\nto_mm = 20\nignored = true\n[[zone]]\nname = "pane"\n'
    rule = 'shape = "classes"\nkinds = ["crack"]\nzones = ["pane"]\nclasses = [{ allow = "none" }]\n'
    assert verdict(rule, DefectToJudge("crack", 19.9, 700, 5), more=more).outcome == "accept"
    assert verdict(rule, DefectToJudge("crack", 20, 700, 5), more=more).outcome == "reject"


@pytest.mark.parametrize(("end_in", "expected"), [("false", "reject"), ("true", "accept")])
def test_the_limit_of_a_zone_belongs_where_the_file_says(end_in: str, expected: str) -> None:
    more = f'[[zone]]\nname = "edge"\nto_mm = 20\nouter_end_in = {end_in}\n[[zone]]\nname = "pane"\n'
    rule = 'shape = "classes"\nkinds = ["bubble"]\nzones = ["pane"]\nclasses = [{ allow = "none" }]\n'
    assert verdict(rule, DefectToJudge("bubble", 20, 700, 5), more=more).outcome == expected


def test_a_line_belongs_to_the_innermost_zone_that_its_path_reaches() -> None:
    more = '[[zone]]\nname = "edge"\nto_mm = 100\n[[zone]]\nname = "pane"\n'
    rule = 'shape = "classes"\nkinds = ["scratch"]\nzones = ["pane"]\nclasses = [{ allow = "none" }]\n'
    short = DefectToJudge("scratch", 50, 700, 80, path_mm=((10, 700), (90, 700)))
    long = DefectToJudge("scratch", 60, 700, 100, path_mm=((10, 700), (110, 700)))
    assert verdict(rule, short, more=more).outcome == "accept"
    assert verdict(rule, long, more=more).outcome == "reject"


@pytest.mark.parametrize(
    ("build", "most"),
    [(Build(), 4), (Build(panes=3), 5), (Build(monolithic=True), 3), (Build(interlayer_mm=2.3), 5)],
)
def test_counts_by_the_build_of_the_pane(build: Build, most: int) -> None:
    more = (
        "[build]\npanes = 2\nper_extra_pane = 0.25\nmonolithic = 0.75\nthick_interlayer_mm = 2\n"
        "thick_interlayer_plus = 1\n"
    )
    rule = 'shape = "classes"\nkinds = ["bubble"]\nclasses = [{ count = 4 }]\n'
    assert verdict(rule, *bubbles(most), more=more, build=build).outcome == "accept"
    assert verdict(rule, *bubbles(most + 1), more=more, build=build).outcome == "reject"


@pytest.mark.parametrize(
    ("halo", "keys", "size"),
    [(1.0, 'halo = "ignore"', 0.5), (1.0, 'halo = "factor"\nhalo_factor = 3', 1.5),
     (1.0, 'halo = "include"', 1.0), (None, 'halo = "factor"\nhalo_factor = 3', 0.5)],
)  # fmt: skip
def test_each_way_to_size_a_fault_with_a_halo(halo: float | None, keys: str, size: float) -> None:
    rule = 'shape = "classes"\nkinds = ["bubble"]\nclasses = [{ size = "[0, inf)", count = 9 }]\n'
    spot = DefectToJudge("bubble", 500, 700, 0.5, 0.4, halo_mm=halo)
    assert verdict(rule, spot, more=f"[size]\n{keys}\n").sizes == ((0.5, size),)


def test_a_doubtful_rule_may_hold_back_but_not_reject() -> None:
    rule = 'shape = "classes"\nkinds = ["bubble"]\nremembered = true\nclasses = [{ allow = "none" }]\n'
    one = verdict(rule, *bubbles(1))
    assert one.outcome == "not_judged"
    assert "doubtful: from memory" in one.reasons[0].says
    assert verdict(rule).outcome == "accept"
