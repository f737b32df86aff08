"""Onset, end and window in the section's own time; entries; what episodes say of the vessels together."""

import numpy as np
import pytest

from models.ribbon import LineLog
from models.trace.data import PlantEvent, Vessels
from models.trace.fits import judge_wide, vessel_ends
from models.trace.origin import causes_of, explain, with_shared_vessels
from models.trace.routes import Routes, vessel_draws
from models.trace.scene import Found

HOUR, DAY = 3600.0, 86400.0
VESSELS = Vessels(
    1500.0, 0.2, 3.0, 270.0, 0.3, 2.0, melter_tanks_low=2.6, melter_tanks_high=3.5,
)  # fmt: skip
PULL = 520.0
CELLS_S = np.arange(0.0, 12 * DAY, 2 * HOUR)


def routes() -> Routes:
    times = np.arange(-20 * DAY, 20 * DAY, DAY)
    log = LineLog(times, np.full(times.size, 12.0))
    near, far = (
        {"cold_end": 0.0, "lehr": 40.0, "bath": 170.0},
        {"cold_end": 40.0, "lehr": 160.0, "bath": 230.0},
    )
    return Routes(log, near, far, times, np.arange(times.size) * PULL, vessel_draws(VESSELS))


def episode(start_s: float, length_h: float, *, draw: int, section: str = "melter", sd: float = 0.06):
    """An upset as seen through one draw of the vessels, and its fits; cells of 2 h uncertain by `sd`."""
    way = routes()
    middle = CELLS_S + HOUR
    q = way.tonnes(way.entered(middle))
    chosen = way.draws[section][draw]
    course = chosen.cdf(np.maximum(q - way.tonnes(np.array([start_s])), 0.0)) - chosen.cdf(
        np.maximum(q - way.tonnes(np.array([start_s + length_h * HOUR])), 0.0)
    )
    u = 2.0 * course / course.max() + np.random.default_rng(draw).normal(0, 0.02, CELLS_S.size)
    fits = judge_wide(CELLS_S, 2 * HOUR, u, np.eye(CELLS_S.size) / sd**2, way)
    best = fits[section]
    return Found(
        0, 150.0, 3350.0, True, CELLS_S[10], CELLS_S[80], 5000, 2000.0, -30.0, fits, (0, 144, 0, 128),
        best.course,
    )  # fmt: skip


def test_the_window_is_the_shortest_that_holds_nine_in_ten():
    found = episode(1.0 * DAY, 10, draw=5)
    origin = explain(found.fits, 1.0, "stone", routes(), [])
    assert origin.section == "melter"
    fit = found.fits["melter"]
    half = 0.5 * (fit.instants_s[1] - fit.instants_s[0])
    inside = (fit.start_s >= origin.start_s + half - 1) & (fit.end_s <= origin.end_s - half + 1)
    held = origin.pairs_weight[inside].sum()
    assert held >= 0.9
    step = 2 * half
    for lo, hi in ((step, 0.0), (0.0, step)):
        less = (fit.start_s >= origin.start_s + half + lo - 1) & (fit.end_s <= origin.end_s - half - hi + 1)
        assert origin.pairs_weight[less].sum() < 0.9


def test_an_entry_with_start_and_end_narrows_the_window_to_its_hours():
    start = 1.0 * DAY
    found = episode(start, 10, draw=5)
    causes = causes_of((PlantEvent("E1", start, start + 10 * HOUR, "burner fault"),), [])
    alone = explain(found.fits, 1.0, "stone", routes(), [])
    told = explain(found.fits, 1.0, "stone", routes(), causes)
    assert told.end_s - told.start_s < alone.end_s - alone.start_s - 6 * HOUR
    assert abs(told.onset_s - start) <= 1.0 * HOUR
    assert told.causes[0][0].key == "E1"


@pytest.mark.parametrize("late_h", [-1.0, 1.0])
def test_an_entry_written_an_hour_off_still_weighs_most(late_h):
    start = 1.0 * DAY
    found = episode(start, 10, draw=5)
    events = (
        PlantEvent("E1", start + late_h * HOUR, None, "note"),
        PlantEvent("far", start - 40 * HOUR, None, "note"),
        PlantEvent("after", start + 30 * HOUR, None, "note"),
    )
    told = explain(found.fits, 1.0, "stone", routes(), causes_of(events, []))
    assert told.causes[0][0].key == "E1"
    assert told.start_s <= start
    assert told.end_s >= start + 10 * HOUR


def test_other_episodes_of_the_plant_tell_its_vessels():
    """Three upsets whose entries fit one draw only: the fourth, without an entry, is placed better."""
    alone = next(d for d, w in enumerate(vessel_draws(VESSELS)["melter"]) if d % 4 == 3)
    starts = [0.5 * DAY, 1.0 * DAY, 1.5 * DAY, 1.2 * DAY]
    found = [episode(s, 10, draw=alone, sd=0.5) for s in starts]
    causes = causes_of(
        tuple(PlantEvent(f"E{n}", s, s + 10 * HOUR, "burner fault") for n, s in enumerate(starts[:3])), []
    )
    # the last episode is told without its neighbours' entries
    shared = with_shared_vessels(found, ("stone",), lambda f: 1.0, routes(), causes)
    before = explain(found[3].fits, 1.0, "stone", routes(), [])
    after = explain(shared[3].fits, 1.0, "stone", routes(), [])
    assert abs(after.onset_s - starts[3]) < abs(before.onset_s - starts[3])
    assert abs(after.onset_s - starts[3]) < 4 * HOUR
    assert after.end_s - after.start_s < before.end_s - before.start_s


def test_an_entry_sharpens_when_a_slow_rise_was_first_seen():
    """A tenth of the peak: told from the course alone, and with the entry's hours."""
    start = 1.0 * DAY
    found = episode(start, 10, draw=5, sd=0.5)
    way = routes()
    middle = np.arange(0.0, 12 * DAY, 900.0)
    q, made = way.tonnes(way.entered(middle)), way.tonnes(np.array([start, start + 10 * HOUR]))
    chosen = way.draws["melter"][5]
    course = chosen.cdf(np.maximum(q - made[0], 0.0)) - chosen.cdf(np.maximum(q - made[1], 0.0))
    truth = middle[np.flatnonzero(course >= 0.1 * course.max())[[0, -1]]]
    causes = causes_of((PlantEvent("E1", start, start + 10 * HOUR, "burner fault"),), [])
    told = explain(found.fits, 1.0, "stone", way, causes)
    ends = vessel_ends(found.fits["melter"], way, told.pairs_weight, (0.0, 12 * DAY))
    assert ends is not None
    assert abs(ends[0] - truth[0]) < 3 * HOUR
    assert abs(ends[1] - truth[1]) < 8 * HOUR
