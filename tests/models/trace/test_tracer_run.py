"""Traces that rest on a plant's own tracer run."""

from dataclasses import replace

import numpy as np
import pytest

from models.ribbon import MeasuredResidence, Residence, VesselChain
from models.trace import Vessels, trace
from models.trace.routes import vessel_draws
from tests.bench.trace import reported
from tests.bench.tracer import two_path_line
from tests.simulator.score import Score

FIGURES = Vessels(1500.0, 0.2, 3.0, 260.0, 0.3, 2.0)


def curve(vessel, scale=1.0):
    """A measured curve of a vessel, its tonnes stretched."""
    tonnes = np.linspace(0.0, vessel.mean_t() + 8 * vessel.sd_t(), 600)
    share = np.asarray(vessel.cdf(tonnes))
    share[-1] = 1.0
    return MeasuredResidence(tonnes * scale, share)


def median_t(draws):
    return np.array([np.interp(0.5, d.share, d.tonnes) for d in draws])


def test_the_run_stands_in_place_of_mass_plug_and_tanks():
    quick, slow = curve(Residence(1000.0, 0.5, 4.0), 0.99), curve(Residence(1000.0, 0.5, 4.0), 1.01)
    chain = VesselChain((Residence(1000.0, 0.5, 4.0), Residence(260.0, 0.3, 2.0)))
    true = float(np.interp(0.5, chain.table()[1], chain.table()[0]))
    plain = vessel_draws(FIGURES)
    assert median_t(plain["melter"]).min() > true + 50
    # a run of the melter alone is followed by the refiner of the figures, or now and then by none
    alone = vessel_draws(replace(FIGURES, melter_tracer=(quick, slow)))
    through = [t for t, d in zip(median_t(alone["melter"]), alone["melter"], strict=True) if t > 1100]
    assert np.median(through) == pytest.approx(true, rel=0.01)
    assert len(through) == 36
    assert sum(np.exp(d.log_weight) for d in alone["melter"]) == pytest.approx(1.0)
    assert median_t(alone["refiner"]) == pytest.approx(median_t(plain["refiner"]))
    # a run of both needs no refiner behind it
    both = vessel_draws(replace(FIGURES, melter_and_refiner_tracer=(curve(chain),)))
    assert median_t(both["melter"]) == pytest.approx(true, rel=0.005)
    assert sum(np.exp(d.log_weight) for d in both["melter"]) == pytest.approx(1.0)
    refiner = vessel_draws(replace(FIGURES, refiner_tracer=(curve(Residence(400.0, 0.3, 2.0)),)))
    assert median_t(refiner["refiner"]).min() > median_t(plain["refiner"]).max()
    assert np.median(median_t(refiner["melter"])) > np.median(median_t(plain["melter"])) + 100


def test_where_glass_takes_two_paths_the_run_places_what_figures_cannot():
    scores = {"plant figures": Score([]), "tracer run": Score([])}
    for seed in (100, 101):
        _, made, ways = two_path_line(seed)
        for way, score in scores.items():
            score.add(made.truths, reported(trace(ways[way])), 30.0)
    figures, run = scores["plant figures"], scores["tracer run"]
    assert run.share("found") >= 5 / 6
    assert run.share("section_right") >= 5 / 6
    assert run.share("covered") >= 4 / 6
    assert sum(bool(r["covered"]) for r in run.rows) > sum(bool(r["covered"]) for r in figures.rows)
    assert np.median(run.values("extra_h")) < 6
