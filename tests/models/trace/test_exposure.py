"""Which sheets were looked at, where nobody wrote it down: the estimate, its range, and the trace."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from models.errors import BadValue
from models.trace import Defects, Sheets, trace, trace_newest
from models.trace.clock_steps import read_clock
from models.trace.exposure import LEVEL_LOG_WEIGHTS, LEVELS, _one_silence, estimate_exposure
from models.trace.grid import make_grid
from models.tracing import plant_clock
from tests.models.trace.test_trace import plain, reported
from tests.simulator.as_input import as_input
from tests.simulator.awkward import awkward
from tests.simulator.defects import simulate
from tests.simulator.line import HOUR, build_line
from tests.simulator.passed_over import pass_shifts, told, untold
from tests.simulator.score import Score


def a_line(seed, days=20.0, per_m2=0.08, episodes=0, share=1 / 3, **given):
    """A line of which a random third of the shifts passed without a look."""
    rng = np.random.default_rng(seed)
    line = build_line(rng, days, **given)
    pass_shifts(np.random.default_rng(seed + 1000), line, share)
    return line, simulate(rng, line, per_m2=per_m2, episodes=episodes)


def test_what_is_told_stands():
    given = plain()
    part = np.linspace(0.0, 1.0, given.sheets.looked.size)
    sheets = replace(given.sheets, looked=part)
    said = estimate_exposure(sheets, given.defects)
    assert said.looked is part
    assert (said.source, said.unknown, said.says()) == ("told", 0, "")
    json = trace(given).as_json(plant_clock("UTC"))
    assert json["looked_at_source"] == "told"
    assert json["looked_at"]["sheets"] == json["looked_at"]["sheets_told"] == given.sheets.looked.size
    assert "estimated_share" not in json["looked_at"]


def test_a_part_outside_0_to_1_is_refused():
    s = plain().sheets
    with pytest.raises(BadValue, match="expected 0 to 1, NaN for unknown"):
        replace(s, looked=np.full(s.looked.size, 1.5))


def test_a_sheet_that_was_looked_at_in_part_has_part_of_its_area():
    given = plain(extra=0)
    d, s = given.defects, given.sheets
    clock = read_clock(s, None, 0.0)
    whole = make_grid(s, d, clock)
    half = make_grid(replace(s, looked=np.full(s.looked.size, 0.5)), d, clock)
    none = make_grid(replace(s, looked=np.where(s.start_m < 20_000, 0.0, 1.0)), d, clock)
    assert half.area_m2.sum() == pytest.approx(0.5 * whole.area_m2.sum())
    assert half.counts.sum() == whole.counts.sum()
    assert whole.area_m2.sum() == pytest.approx(6.0 * 3.2 * s.looked.size)
    assert not none.counts[:, none.area_m2.sum(axis=1) == 0].any()
    assert none.area_m2.sum() == pytest.approx(6.0 * 3.2 * (s.start_m >= 20_000).sum())


def test_a_day_of_sheets_looked_at_by_a_quarter_raises_nothing():
    """Three quarters of the finds are missing on day three; a trace that counts these sheets as whole would
    take the rest for rich, or the day for a change."""
    given = plain(extra=0)
    d, s = given.defects, given.sheets
    poor = (s.start_m > 2 * 14400) & (s.start_m < 3 * 14400)
    kept = ~poor[d.sheet] | (np.random.default_rng(1).random(d.kind.size) < 0.25)
    fewer = Defects(d.kinds, d.kind[kept], d.ribbon_m[kept], d.ribbon_x_mm[kept], d.sheet[kept])
    result = trace(replace(given, sheets=replace(s, looked=np.where(poor, 0.25, 1.0)), defects=fewer))
    assert result.episodes == ()
    assert result.inspected_m2 == pytest.approx(6.0 * 3.2 * ((~poor).sum() + 0.25 * poor.sum()))


@pytest.mark.parametrize("hazard", [np.full(6, 0.9), np.array([0.2, 2.0, 0.0, 1.1, 3.0])])
@pytest.mark.parametrize("ends", list(product((False, True), repeat=2)))
def test_a_silence_is_weighed_as_all_its_stretches_one_by_one(hazard, ends):
    """Against the plain sum over all stretches [i, j] and all levels; the formula is the module's own."""
    leave, back = 0.02, 0.15
    size = hazard.size
    weights, away = [], np.zeros(size)
    stops = begins = 0.0
    for level, log_weight in zip(LEVELS, LEVEL_LOG_WEIGHTS, strict=True):
        weights.append(np.exp(log_weight - level * hazard.sum()))
        for i in range(size):
            for j in range(i, size):
                first = leave / back if ends[0] and i == 0 else leave
                last = 1.0 if ends[1] and j == size - 1 else back
                seen = np.concatenate([hazard[:i], hazard[j + 1 :]]).sum()
                weight = np.exp(log_weight - level * seen) * first * (1 - back) ** (j - i) * last
                weights.append(weight)
                away[i : j + 1] += weight
                stops += weight * (not (ends[0] and i == 0))
                begins += weight * (not (ends[1] and j == size - 1))
    total = sum(weights)
    log_z, said, said_stops, said_begins = _one_silence(hazard, leave, back, ends)
    assert log_z == pytest.approx(np.log(total))
    assert said == pytest.approx(away / total)
    assert (said_stops, said_begins) == pytest.approx((stops / total, begins / total))


@pytest.mark.parametrize("per_m2", [0.1, 0.02])
def test_shifts_that_nobody_looked_at_are_told_from_the_defects(per_m2):
    for seed in (71, 72):
        line, made = a_line(seed, per_m2=per_m2)
        given = as_input(line, made, untold(line))
        said = estimate_exposure(given.sheets, given.defects)
        truth = told(line)
        assert said.source == "estimated"
        assert said.unknown == said.sheets == truth.size
        assert said.share == pytest.approx(truth.mean(), abs=0.01)
        assert said.share_low - 0.002 <= truth.mean() <= said.share_high + 0.002
        assert np.abs(said.looked - truth).mean() < 0.01
        assert (said.looked[given.defects.sheet] == 1.0).all()


def test_a_line_that_was_looked_at_throughout_stays_whole():
    for seed in (73, 74):
        line, made = a_line(seed, per_m2=0.03, share=0.0, gaps=False)
        given = as_input(line, made, untold(line))
        said = estimate_exposure(given.sheets, given.defects)
        assert said.share > 0.999
        assert said.silences == ()


def test_single_sheets_that_were_passed_over_widen_the_range():
    """A third of the sheets, one by one: no silence tells it. The share is too high, its range holds it."""
    rng = np.random.default_rng(75)
    line = build_line(rng, 20)
    line.inspected &= rng.random(line.inspected.size) > 1 / 3
    for per_m2 in (0.1, 0.02):
        given = as_input(line, simulate(rng, line, per_m2=per_m2, episodes=0), untold(line))
        said = estimate_exposure(given.sheets, given.defects)
        assert said.share_low < line.inspected.mean() < said.share_high
        assert said.share_high - said.share_low > 0.25
        assert f"between {int(100 * said.share_low)} and" in said.says()
        assert "not single sheets" in said.says()


def test_with_hardly_any_defects_nothing_can_be_told_and_that_is_said():
    line, made = a_line(76, per_m2=0.00004, days=15)
    given = as_input(line, made, untold(line))
    said = estimate_exposure(given.sheets, given.defects)
    assert said.per_shift < 1
    assert (said.share, said.silences) == (None, ())
    assert (said.looked == 1.0).all()
    assert "There are too few defects to estimate it" in said.says()
    assert said.as_json()["estimated_share"] is None


def test_few_defects_give_a_wide_range():
    """Some five sheets with a defect a shift: a silent shift may be chance."""
    line, made = a_line(77, per_m2=0.0005, days=30)
    given = as_input(line, made, untold(line))
    said = estimate_exposure(given.sheets, given.defects)
    assert said.share is not None
    assert said.share_low < line.inspected.mean() < said.share_high
    assert said.share_high - said.share_low > 0.5


def test_yes_on_some_sheets_and_nothing_on_silent_ones_is_understood():
    """A file that marks what was looked at and leaves the rest empty: the rest shows no defect at all."""
    line, made = a_line(78, per_m2=0.05)
    looked = np.where(line.inspected, 1.0, np.nan)
    given = as_input(line, made, looked)
    said = estimate_exposure(given.sheets, given.defects)
    assert said.unknown == (~line.inspected).sum()
    assert said.share < 0.01
    assert said.says().startswith(f"For {said.unknown} of {said.sheets} sheets nobody recorded")
    assert (said.looked[line.inspected] == 1.0).all()


def test_nothing_is_raised_where_shifts_were_passed_over_and_nobody_says_so():
    for seed in (81, 82):
        line, made = a_line(seed, days=16)
        result = trace(as_input(line, made, untold(line)))
        assert result.episodes == ()
        assert sum(s.sheets for s in result.blind) == pytest.approx((~line.inspected).sum(), rel=0.03)


def test_the_trace_finds_as_much_and_raises_as_little_as_when_it_was_told():
    """A fixed share of `python -m tests.bench.trace --untold`."""
    scores = {"told": Score([]), "not told": Score([])}
    for seed in (83, 84):
        line, made = a_line(seed, days=18, per_m2=0.1, episodes=4)
        for score, looked in zip(scores.values(), (told(line), untold(line)), strict=True):
            score.add(made.truths, reported(trace(as_input(line, made, looked))), 18)
    for name, score in scores.items():
        print(
            f"{name}: found {score.share('found'):.0%}, {score.false / score.days * 30:.2f} false in 30 days"
        )
    plainly, without = scores.values()
    assert without.false <= plainly.false
    assert without.share("found") >= plainly.share("found") - 0.1
    assert without.share("found") >= 0.7


def test_a_burst_with_hours_without_a_look_in_it_is_seen_as_when_they_were_told():
    rng = np.random.default_rng(86)
    line = build_line(rng, 10, clock_step=False, gaps=False)
    made = awkward(rng, line, "uninspected hours within")
    (truth,) = made.truths
    plainly, without = (
        [
            e for e in trace(as_input(line, made, looked)).episodes
            if e.seen_start_s < truth.seen_end and e.seen_end_s > truth.seen_start
        ]
        for looked in (told(line), untold(line))
    )  # fmt: skip
    assert len(plainly) == len(without) == 1
    assert without[0].seen_start_s == pytest.approx(truth.seen_start, abs=1.5 * HOUR)
    assert without[0].seen_end_s == pytest.approx(truth.seen_end, abs=1.5 * HOUR)
    assert without[0].count == pytest.approx(plainly[0].count, rel=0.02)
    assert without[0].expected == pytest.approx(plainly[0].expected, rel=0.02)


def test_a_days_increment_says_of_the_whole_what_was_looked_at():
    line, made = a_line(88, days=10, episodes=1)
    given = as_input(line, made, untold(line))
    whole = trace(given)
    grown = trace_newest(given, whole, days=5)
    assert grown.exposure.as_json() == whole.exposure.as_json()
    assert sum(s.sheets for s in grown.blind) == pytest.approx(sum(s.sheets for s in whole.blind), rel=0.1)


def test_the_same_input_gives_the_same_estimate():
    line, made = a_line(87, days=8)
    given = as_input(line, made, untold(line))
    first, second = (estimate_exposure(given.sheets, given.defects) for _ in range(2))
    assert (first.looked == second.looked).all()
    assert first.as_json() == second.as_json()


def test_no_defect_on_any_unknown_sheet_and_one_sheet_alone_are_no_trouble():
    s = plain().sheets
    few = Sheets(
        *(v[:3] for v in (s.start_m, s.length_mm, s.width_mm, s.x_left_mm, s.cut_s)), np.full(3, np.nan)
    )
    none = Defects((), *(np.empty(0, dtype=int) for _ in range(4)))
    said = estimate_exposure(few, none)
    assert said.share is None
    assert (said.looked == 1.0).all()
    one = Defects(("stone",), np.zeros(1, int), np.array([3.0]), np.array([200.0]), np.zeros(1, int))
    assert (estimate_exposure(few, one).looked == 1.0).all()
