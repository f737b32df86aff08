"""Whole traces on invented lines of known truth."""

import json

import numpy as np
import pytest

from models.errors import BadValue
from models.trace import Defects, PlantEvent, Sheets, TraceInput, trace, trace_newest
from models.tracing import plant_clock
from tests.simulator.as_input import as_input
from tests.simulator.defects import simulate
from tests.simulator.line import DAY, HOUR, build_line
from tests.simulator.score import Reported, Score

CONTRACT = {
    "kind", "x_lo_mm", "x_hi_mm", "seen_start", "seen_end", "count", "expected", "p_value", "origin_section",
    "origin_start", "origin_end", "ranked_events", "roll", "pitch_mm",
}  # fmt: skip


def reported(result):
    return [
        Reported(
            e.kind, e.x_lo_mm, e.x_hi_mm, e.seen_start_s, e.seen_end_s, e.section, e.origin_start_s,
            e.origin_end_s, tuple(c.key for c, _ in e.causes if c.event is not None), e.roll,
        )
        for e in result.episodes
    ]  # fmt: skip


@pytest.fixture(scope="module")
def traced():
    """Two lines of 24 days with six episodes each, one of every shape, and a clock step."""
    runs = []
    for seed in (41, 42):
        rng = np.random.default_rng(seed)
        line = build_line(rng, 24)
        made = simulate(rng, line, per_m2=0.1, episodes=6, drift=0.18)
        given = as_input(line, made)
        runs.append((line, made, given, trace(given)))
    return runs


@pytest.fixture(scope="module")
def score(traced):
    total = Score([])
    for _, made, _, result in traced:
        total.add(made.truths, reported(result), 24)
    return total


def test_nearly_all_episodes_are_found_and_next_to_nothing_else(score):
    assert score.share("found") >= 0.8
    assert score.false <= 1


def test_sections_events_and_rolls_are_right(score):
    assert score.share("section_right") >= 0.8
    assert score.share("first_three") >= 0.8
    assert score.share("roll_right") in (None, 1.0)


def test_windows_hold_onset_and_end(score):
    assert score.share("covered") >= 0.7
    assert np.median(score.values("extra_h")) < 8


def test_onsets_are_close(score):
    """Of what comes from the ribbon's own sections; a vessel's slow rise has no sharp onset."""
    shapes = ("bath_burst", "bath_ramp", "street", "repeat")
    sharp = [v for shape in shapes for v in score.values("onset_h", shape=shape)]
    assert np.median(sharp) < 1.5


def test_the_clock_step_is_found_and_told(traced):
    for line, _, _, result in traced:
        begin, _, size = line.clock_steps[0]
        steps = [s for s in result.clock_steps if abs(s.step_s - size) < 90]
        assert len(steps) == len(result.clock_steps) == 1
        assert abs(steps[0].start_s - begin) < 1.5 * HOUR


def test_uninspected_stretches_raise_nothing_and_are_told(traced):
    for line, _, _, result in traced:
        blind = sum(s.sheets for s in result.blind)
        assert blind <= (~line.inspected).sum() + 60
        assert (~line.inspected).sum() < 300 or blind > 0.6 * (~line.inspected).sum()


def test_the_json_has_every_field_of_the_contract(traced):
    for _, _, _, result in traced:
        said = result.as_json(plant_clock("Europe/Berlin"))
        json.dumps(said)
        for e in said["episodes"]:
            assert set(e) >= CONTRACT
            assert e["origin_section"] in {"melter", "refiner", "bath", "lehr", "cold_end", "unknown"}
            assert e["origin_start"] < e["origin_end"]
            assert e["seen_start"] < e["seen_end"]
            assert 0 <= e["p_value"] <= 1
            assert e["seen_start"].endswith(("+01:00", "+02:00"))
            weights = [x["weight"] for x in e["ranked_events"]]
            assert weights == sorted(weights, reverse=True)
            assert sum(weights) + e["none_of_these_weight"] <= 1.01


def test_nothing_at_all_raises_nothing():
    """A restless background with drift of a quarter, uneven crews and gaps, and no episode."""
    for seed in (51, 52):
        rng = np.random.default_rng(seed)
        line = build_line(rng, 20)
        assert trace(as_input(line, simulate(rng, line, per_m2=0.08, episodes=0, drift=0.25))).episodes == ()


def test_a_sharper_crew_alone_raises_nothing():
    """Every third shift sees three times as much: a change of all kinds at once is no episode."""
    rng = np.random.default_rng(61)
    line = build_line(rng, 15, clock_step=False, gaps=False)
    line.shift_sharpness[:] = np.where(np.arange(line.shift_sharpness.size) % 3 == 0, 1.0, 0.33)
    result = trace(as_input(line, simulate(rng, line, per_m2=0.1, episodes=0, drift=0.1)))
    assert result.episodes == ()
    assert result.shifts is not None
    assert result.shifts.found
    factors = np.array([f for _, f, _ in result.sharpness])
    assert np.quantile(factors, 0.85) / np.quantile(factors, 0.15) > 2.0


def test_the_same_input_gives_the_same_answer(traced):
    _, _, given, result = traced[0]
    again = trace(given)
    clock = plant_clock("UTC")
    assert again.as_json(clock) == result.as_json(clock)


def test_a_days_increment_agrees_with_the_whole(traced):
    """All but the last day traced, then the newest days put to it: the same episodes as the whole trace."""
    line, made, given, whole = traced[1]
    until = line.log_times[-1] - DAY
    n = int((line.log.time_at(line.sheet_start_m) < until).sum())
    rows = given.defects.sheet < n
    d, s = given.defects, given.sheets
    short = TraceInput(
        Sheets(*(v[:n] for v in (s.start_m, s.length_mm, s.width_mm, s.x_left_mm, s.cut_s, s.looked))),
        Defects(d.kinds, d.kind[rows], d.ribbon_m[rows], d.ribbon_x_mm[rows], d.sheet[rows]),
        given.line, given.layout, given.vessels, given.events, given.tags, given.rolls,
    )  # fmt: skip
    grown = trace_newest(given, trace(short))
    again = Score([])
    again.add(made.truths, reported(grown), 24)
    direct = Score([])
    direct.add(made.truths, reported(whole), 24)
    assert abs(sum(r["found"] for r in again.rows) - sum(r["found"] for r in direct.rows)) <= 1
    assert again.false <= 1
    assert grown.last_s >= whole.last_s - HOUR
    for episode in grown.episodes:
        kind = d.kinds.index(episode.kind)
        assert (d.kind[episode.members] == kind).all()
        assert episode.count == pytest.approx(episode.members.size, abs=2)


def plain(days=6.0, x=1500.0, width=200.0, extra=150, kind="stone", events=()):
    """An even background of two kinds and one burst of three hours on day three."""
    rng = np.random.default_rng(8)
    metres = np.arange(0.0, days * 14400, 6.0)
    n = int(days * 400)
    sheets = Sheets(
        metres, np.full(metres.size, 6000.0), np.full(metres.size, 3200.0), np.full(metres.size, 150.0),
        1.7e9 + metres * 6.0, np.ones(metres.size),
    )  # fmt: skip
    m = np.concatenate([rng.uniform(0, metres[-1], 2 * n), rng.uniform(3 * 14400, 3 * 14400 + 1800, extra)])
    across = np.concatenate([rng.uniform(150, 3350, 2 * n), rng.uniform(x, x + width, extra)])
    kinds = ("bubble", kind)
    coded = np.concatenate([np.repeat([0, 1], n), np.ones(extra, dtype=int)])
    order = np.argsort(m)
    sheet = np.searchsorted(metres, m[order], side="right") - 1
    return TraceInput(
        sheets, Defects(kinds, coded[order], m[order], across[order], sheet), None, events=events
    )


def test_without_line_log_layout_figures_and_events_a_burst_is_still_found():
    result = trace(plain())
    (episode,) = result.episodes
    assert episode.kind == "stone"
    assert episode.x_lo_mm == pytest.approx(1500, abs=30)
    assert episode.x_hi_mm == pytest.approx(1700, abs=30)
    assert episode.seen_start_s == pytest.approx(1.7e9 + 3 * 86400, abs=1800)
    assert episode.seen_end_s == pytest.approx(1.7e9 + 3 * 86400 + 3 * HOUR, abs=1800)
    assert episode.section == "bath"
    assert episode.none_weight == pytest.approx(1.0)


def test_a_surface_mark_at_one_place_of_every_sheet_points_to_the_cold_end():
    given = plain(extra=0, kind="rub")
    d, s = given.defects, given.sheets
    hit = np.arange(7000, 7150)
    m = np.concatenate([d.ribbon_m, s.start_m[hit] + 2.0])
    x = np.concatenate([d.ribbon_x_mm, np.full(hit.size, 900.0)])
    kind, sheet = np.concatenate([d.kind, np.ones(hit.size, dtype=int)]), np.concatenate([d.sheet, hit])
    order = np.argsort(m)
    moved = TraceInput(s, Defects(d.kinds, kind[order], m[order], x[order], sheet[order]), None)
    (episode,) = trace(moved).episodes
    assert episode.section == "cold_end"
    assert episode.pitch is None


def test_an_event_that_fits_outweighs_none_of_these():
    start = 1.7e9 + 3 * 86400 - 0.4 * HOUR
    events = (
        PlantEvent("right", start, start + 3 * HOUR, "bath atmosphere"),
        PlantEvent("early", start - DAY, None, "bath atmosphere"),
    )
    (episode,) = trace(plain(events=events)).episodes
    assert episode.causes[0][0].key == "right"
    assert episode.causes[0][1] > 0.7 > episode.none_weight


def test_what_cannot_be_traced_is_said():
    empty = np.empty(0)
    sheets = Sheets(empty, empty, empty, empty, empty, empty)
    none = Defects((), empty, empty, empty, empty)
    with pytest.raises(BadValue, match="fewer than two sheets"):
        trace(TraceInput(sheets, none, None))
    with pytest.raises(BadValue, match="no defects"):
        trace(TraceInput(plain().sheets, none, None))
    two = np.array([6.0, 0.0])
    with pytest.raises(BadValue, match="sorted by metre"):
        Sheets(two, two, two, two, two, np.ones(2))
