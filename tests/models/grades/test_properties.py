"""What must hold for every grade, whatever the sheet."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from models.grades import DefectToJudge, Grade, SheetToJudge, judge, load_sets

BOOK = load_sets()
GRADES = [BOOK.grade(name).confirmed("Ilse Varnhagen") for name in BOOK.ids()]
WIDTH, LENGTH = 3000, 2000
RANK = {"accept": 2, "not_judged": 1, "reject": 0}

kinds = st.sampled_from(
    ["bubble", "seed", "long bubble", "stone", "knot", "pinhole", "residue", "scratch", "hairline scratch",
     "ream", "crack", "chip", "stain", "star damage"]
)  # fmt: skip
sizes = st.one_of(
    st.sampled_from([0.2, 0.3, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 30.0, 75.0]),
    st.floats(0.1, 100).map(lambda v: round(v, 2)),
    st.none(),
)
defects = st.builds(
    DefectToJudge,
    kind=kinds,
    x_mm=st.integers(0, WIDTH),
    y_mm=st.integers(0, LENGTH),
    length_mm=sizes,
    width_mm=st.none() | st.floats(0.02, 2).map(lambda v: round(v, 2)),
    halo_mm=st.none() | st.sampled_from([0.8, 3.0, 4.0]),
    detection_distance_mm=st.none() | st.sampled_from([100.0, 500.0, 1000.0, 2000.0, 5000.0]),
    depth_mm=st.none() | st.sampled_from([0.5, 2.0, 4.0]),
)
lists = st.lists(defects, max_size=12)


def sheet_of(faults: list[DefectToJudge]) -> SheetToJudge:
    return SheetToJudge(WIDTH, LENGTH, 3, defects=tuple(faults))


def says(faults: list[DefectToJudge], grade: Grade) -> str:
    use = grade.uses[0]
    return judge(replace(sheet_of(faults), use=use), grade).outcome


grades = st.sampled_from(GRADES)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grade=grades, faults=lists, more=defects)
def test_one_defect_more_never_improves_a_verdict(
    grade: Grade, faults: list[DefectToJudge], more: DefectToJudge
) -> None:
    assert RANK[says([*faults, more], grade)] <= RANK[says(faults, grade)]


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grade=grades, faults=lists)
def test_mirroring_and_turning_the_sheet_changes_nothing(grade: Grade, faults: list[DefectToJudge]) -> None:
    expected = says(faults, grade)
    mirrored = [replace(d, x_mm=WIDTH - d.x_mm) for d in faults]
    turned = [replace(d, x_mm=WIDTH - d.x_mm, y_mm=LENGTH - d.y_mm) for d in faults]
    assert says(mirrored, grade) == expected
    assert says(turned, grade) == expected
    lain = tuple(replace(d, x_mm=d.y_mm, y_mm=d.x_mm) for d in faults)
    on_its_side = SheetToJudge(LENGTH, WIDTH, 3, grade.uses[0], lain)
    assert judge(on_its_side, grade).outcome == expected


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grade=grades, faults=lists, data=st.data())
def test_the_order_of_the_defects_changes_nothing(
    grade: Grade, faults: list[DefectToJudge], data: st.DataObject
) -> None:
    assert says(data.draw(st.permutations(faults)), grade) == says(faults, grade)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grade=grades, faults=lists)
def test_reasons_name_defects_that_exist_and_bear_out_the_verdict(
    grade: Grade, faults: list[DefectToJudge]
) -> None:
    verdict = judge(replace(sheet_of(faults), use=grade.uses[0]), grade)
    outcomes = {reason.outcome for reason in verdict.reasons}
    assert (verdict.outcome == "reject") == ("reject" in outcomes)
    assert (verdict.outcome == "accept") == (not outcomes & {"reject", "not_judged"})
    for reason in verdict.reasons:
        assert reason.clause
        assert reason.says
        assert all(0 <= i < len(faults) for i in reason.finds)
        if reason.outcome in ("reject", "not_judged"):
            assert reason.finds
    mentioned = {i for reason in verdict.reasons for i in reason.finds}
    if not any(zone.ignored for zone in grade.zones) and mentioned != set(range(len(faults))):
        # a rejected line or corner may leave others of its table unnamed, an accepted sheet may not
        assert verdict.outcome == "reject"


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grade=grades, faults=st.lists(defects, min_size=1, max_size=6), sd=st.sampled_from([0.01, 0.1, 0.5]))
def test_uncertainty_marks_a_close_call_but_never_turns_a_verdict(
    grade: Grade, faults: list[DefectToJudge], sd: float
) -> None:
    plain = replace(sheet_of(faults), use=grade.uses[0])
    unsure = replace(plain, defects=tuple(replace(d, length_sd_mm=sd) for d in faults))
    a, b = judge(plain, grade), judge(unsure, grade)
    assert not a.close_call
    assert a.outcome == b.outcome
    for call in b.close_calls:
        assert abs(call.size_mm - call.limit_mm) <= call.sd_mm + 1e-9
