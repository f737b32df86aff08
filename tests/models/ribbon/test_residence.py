"""Residence times against closed forms and textbook examples."""

import numpy as np
import pytest
from scipy import stats

from models.errors import BadValue
from models.ribbon import MeasuredResidence, Residence, VesselChain

# mean 72 h at 1 t/h; computed with scipy.stats.gamma:
# (plug h, tanks) -> sd, F(24), F(48), F(72), F(144), 5 %, 50 %, 95 %
TABLE = {
    (0, 1): (72.000, 0.28347, 0.48658, 0.63212, 0.86466, 3.693, 49.907, 215.693),
    (0, 2): (50.912, 0.14430, 0.38494, 0.59399, 0.90842, 12.793, 60.420, 170.779),
    (0, 3): (41.569, 0.08030, 0.32332, 0.57681, 0.93803, 19.625, 64.177, 151.099),
    (0, 5): (32.199, 0.02754, 0.24351, 0.55951, 0.97075, 28.370, 67.261, 131.811),
    (0, 10): (22.768, 0.00236, 0.13737, 0.54207, 0.99500, 39.063, 69.615, 113.078),
    (10, 1): (62.0, 0.20213, 0.45822, 0.63212, 0.88482, 13.180, 52.975, 195.735),
    (12, 1): (60.0, 0.18127, 0.45119, 0.63212, 0.88920, 15.078, 53.589, 191.744),
    (10, 3): (35.796, 0.03145, 0.27977, 0.57681, 0.95645, 26.899, 65.264, 140.113),
    (12, 2): (42.426, 0.06155, 0.33737, 0.59399, 0.93370, 22.661, 62.350, 154.316),
}


@pytest.mark.parametrize("model", TABLE)
def test_table_of_a_72_hour_vessel(model):
    plug, tanks = model
    vessel = Residence(72.0, plug / 72.0, tanks)
    sd, *rest = TABLE[model]
    assert vessel.sd_t() == pytest.approx(sd, abs=5e-4)
    assert vessel.cdf(np.array([24.0, 48.0, 72.0, 144.0])) == pytest.approx(rest[:4], abs=6e-6)
    assert vessel.quantile(np.array([0.05, 0.5, 0.95])) == pytest.approx(rest[4:], abs=6e-4)


def test_density_is_the_slope_of_f_and_nothing_leaves_before_the_plug():
    vessel = Residence(1500.0, 0.2, 3.1)
    t = np.linspace(301.0, 6000.0, 500)
    slope = (vessel.cdf(t + 0.5) - vessel.cdf(t - 0.5)) / 1.0
    assert vessel.density(t) == pytest.approx(slope, rel=1e-3, abs=1e-9)
    assert vessel.cdf(299.0) == 0
    # tau E(tau) of equal tanks: 0.36788, 0.67213, 1.2511 (Levenspiel's closed form)
    for tanks, value in ((1, 0.36788), (3, 0.67213), (10, 1.2511)):
        assert 72 * Residence(72.0, 0, tanks).density(72.0) == pytest.approx(value, abs=6e-6)


def test_a_chain_of_equal_tanks_is_one_vessel_of_more_tanks():
    chain = VesselChain((Residence(400.0, 0.0, 2.0), Residence(200.0, 0.0, 1.0)))
    t = np.linspace(0, 3000, 200)
    assert chain.cdf(t) == pytest.approx(stats.gamma.cdf(t, 3, scale=200.0), abs=2e-3)
    assert chain.mean_t() == 600.0


def test_plugs_of_a_chain_add():
    chain = VesselChain((Residence(1000.0, 0.3, 3.0), Residence(300.0, 0.5, 2.0)))
    assert chain.cdf(440.0) == pytest.approx(0.0, abs=1e-4)
    draws = np.random.default_rng(1)
    total = 300 + 150 + draws.gamma(3, 700 / 3, 100_000) + draws.gamma(2, 150 / 2, 100_000)
    for q in (0.05, 0.5, 0.95):
        assert chain.cdf(np.quantile(total, q)) == pytest.approx(q, abs=6e-3)


@pytest.mark.parametrize(
    ("mass", "plug", "tanks", "says"),
    [(0, 0, 1, "mass"), (10, 1.0, 1, "Plug fraction"), (10, -0.1, 1, "Plug fraction"), (10, 0, 0.1, "Tanks")],
)
def test_impossible_vessels_are_refused(mass, plug, tanks, says):
    with pytest.raises(BadValue, match=says):
        Residence(mass, plug, tanks)


def test_a_measured_curve_of_many_knots_is_the_vessel_it_was_taken_from():
    vessel = Residence(1500.0, 0.2, 3.1)
    tonnes = np.linspace(0.0, 9000.0, 3000)
    share = vessel.cdf(tonnes)
    share[-1] = 1.0
    measured = MeasuredResidence(tonnes, share)
    assert measured.mean_t() == pytest.approx(1500.0, rel=1e-3)
    assert measured.sd_t() == pytest.approx(vessel.sd_t(), rel=5e-3)
    assert measured.quantile(np.array([0.05, 0.5, 0.95])) == pytest.approx(
        vessel.quantile(np.array([0.05, 0.5, 0.95])), rel=1e-3
    )
    refiner = Residence(270.0, 0.3, 2.0)
    both, fitted = VesselChain((measured, refiner)), VesselChain((vessel, refiner))
    at = np.linspace(200.0, 5000.0, 50)
    assert both.cdf(at) == pytest.approx(fitted.cdf(at), abs=2e-3)


def test_a_measured_curve_that_falls_or_ends_early_is_refused():
    with pytest.raises(BadValue, match="increase from 0"):
        MeasuredResidence(np.array([0.0, 2.0, 1.0]), np.array([0.0, 0.5, 1.0]))
    with pytest.raises(BadValue, match="rise from 0 to 1"):
        MeasuredResidence(np.array([0.0, 1.0, 2.0]), np.array([0.0, 0.5, 0.9]))
