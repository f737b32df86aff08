from models.grades import DefectToJudge, SheetToJudge, judge_ladder, load_sets

BOOK = load_sets()
LADDER = BOOK.ladder("eschenfurt-mirror")


def sheet(*defects: DefectToJudge, **more: object) -> SheetToJudge:
    return SheetToJudge(2000, 1000, 4, defects=defects, **more)  # type: ignore[arg-type]


def test_the_ladder_runs_from_mirror_to_garden() -> None:
    assert [g.id for g in LADDER] == ["eschenfurt-mirror", "eschenfurt-window", "eschenfurt-garden"]
    assert [g.id for g in BOOK.ladder("eschenfurt-window")] == ["eschenfurt-window", "eschenfurt-garden"]


def test_a_clean_sheet_keeps_its_grade() -> None:
    decision = judge_ladder(sheet(), LADDER[0], LADDER)
    assert (decision.outcome, decision.downgrade_to) == ("accept", None)


def test_a_bubble_of_one_and_a_half_goes_down_one_grade() -> None:
    decision = judge_ladder(sheet(DefectToJudge("bubble", 500, 500, 1.5)), LADDER[0], LADDER)
    assert (decision.outcome, decision.downgrade_to) == ("downgrade", "eschenfurt-window")


def test_a_stone_of_two_and_a_half_goes_down_two() -> None:
    decision = judge_ladder(sheet(DefectToJudge("stone", 500, 500, 2.5)), LADDER[0], LADDER)
    assert decision.downgrade_to == "eschenfurt-garden"
    assert [v.outcome for v in decision.verdicts] == ["reject", "reject", "accept"]


def test_a_crack_is_rejected_by_all() -> None:
    decision = judge_ladder(sheet(DefectToJudge("crack", 500, 500, 40)), LADDER[0], LADDER)
    assert (decision.outcome, decision.downgrade_to) == ("reject", None)


def test_what_is_not_photographed_is_not_downgraded() -> None:
    decision = judge_ladder(sheet(covered_fraction=0.8), LADDER[0], LADDER)
    assert (decision.outcome, decision.downgrade_to) == ("not_judged", None)


def test_a_certain_reject_stays_one_without_full_coverage() -> None:
    decision = judge_ladder(
        sheet(DefectToJudge("crack", 500, 500, 40), covered_fraction=0.8), LADDER[0], LADDER
    )
    assert decision.verdicts[0].outcome == "reject"
    assert decision.outcome == "reject"


def test_a_downgrade_waits_for_the_missing_photos() -> None:
    decision = judge_ladder(
        sheet(DefectToJudge("bubble", 500, 500, 1.5), covered_fraction=0.8), LADDER[0], LADDER
    )
    assert decision.verdicts[0].outcome == "reject"
    assert (decision.outcome, decision.downgrade_to) == ("not_judged", None)
