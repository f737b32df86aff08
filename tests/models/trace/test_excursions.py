"""Readings that left their usual level, among spikes, steps, gaps and stuck values."""

from dataclasses import replace

import numpy as np

from models.trace import TagSeries, trace
from models.trace.excursions import find_excursions
from tests.simulator.as_input import as_input
from tests.simulator.defects import simulate
from tests.simulator.furnace import furnace_log, unhelpful_book
from tests.simulator.line import DAY, HOUR, build_line

TIMES = np.arange(0.0, 20 * DAY, 600.0)


def readings(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 1500.0 + rng.normal(0, 1.0, TIMES.size) + np.sin(2 * np.pi * TIMES / DAY)


def between(start_s: float, end_s: float) -> np.ndarray:
    row = np.searchsorted(TIMES, [start_s, end_s])
    inside = np.zeros(TIMES.size, dtype=bool)
    inside[row[0] : row[1]] = True
    return inside


def test_an_upset_of_ten_hours_is_an_excursion_that_comes_back():
    v = readings()
    v[between(8 * DAY, 8 * DAY + 10 * HOUR)] -= 12.0
    (found,) = find_excursions(TagSeries("TI-1", "C", TIMES, v))
    assert abs(found.start_s - 8 * DAY) < 0.5 * HOUR
    assert abs(found.end_s - (8 * DAY + 10 * HOUR)) < 0.5 * HOUR
    assert found.size < -6


def test_spikes_of_one_or_two_readings_are_none():
    v = readings()
    v[::301] += 60.0
    v[1::301] += 60.0
    assert find_excursions(TagSeries("TI-1", "C", TIMES, v)) == []


def test_a_new_set_point_is_none():
    v = readings()
    v[TIMES >= 9 * DAY] += 15.0
    assert find_excursions(TagSeries("TI-1", "C", TIMES, v)) == []


def test_a_stuck_value_and_a_gap_are_none():
    v = readings()
    v[between(5 * DAY, 5 * DAY + 6 * HOUR)] = v[int(5 * DAY / 600)]
    seen = ~between(11 * DAY, 11 * DAY + 9 * HOUR)
    assert find_excursions(TagSeries("TI-1", "C", TIMES[seen], v[seen])) == []


def test_what_only_a_reading_shows_is_ranked_among_the_first_three():
    """Two lines with readings, a book that seldom helps, and upsets that only a reading tells."""
    ranks, sections = [], []
    for seed in (71, 72):
        rng = np.random.default_rng(seed)
        line = build_line(rng, 30)
        made = simulate(rng, line, per_m2=0.1, shapes=("melter", "refiner"), episodes=4, drift=0.15)
        tags, shown = furnace_log(rng, line, made, share=1.0)
        made = unhelpful_book(rng, line, made, shown)
        result = trace(replace(as_input(line, made), tags=tuple(tags)))
        for s in shown:
            truth = made.truths[s.row]
            for e in result.episodes:
                apart = max(e.seen_start_s, truth.seen_start) > min(e.seen_end_s, truth.seen_end)
                if apart or e.kind != truth.kind:
                    continue
                hits = [
                    c.excursion is not None
                    and c.excursion.tag == s.tag
                    and c.start_s < s.end_s
                    and c.excursion.end_s > s.start_s
                    for c, _ in e.causes
                ]
                ranks.append(any(hits[:3]))
                sections.append(e.section == truth.section)
                break
    assert len(ranks) >= 5
    assert np.mean(ranks) >= 0.8
    assert np.mean(sections) >= 0.8
