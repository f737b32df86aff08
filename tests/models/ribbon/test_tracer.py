"""Tracer runs against textbook examples and against vessels of known truth."""

import numpy as np
import pytest

from models.errors import BadValue
from models.ribbon import Readings, Residence, VesselChain, analyse

CHAIN = VesselChain((Residence(1500.0, 0.2, 3.0), Residence(270.0, 0.3, 2.0)))


def pulse_run(end_t, noise, rng, every_t=125.0, level=3.0):
    """Readings of a pulse of height 1 through melter and refiner, every 6 h at 500 t a day."""
    q = np.arange(-400.0, end_t, every_t)
    density = (CHAIN.cdf(q + 2) - CHAIN.cdf(q - 2)) / 4
    peak = np.gradient(CHAIN.table()[1], CHAIN.table()[0]).max()
    return Readings("pulse", q, level + density / peak + noise * rng.standard_normal(q.size))


def test_levenspiel_pulse_example():
    """Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 11 and 14 (from memory)."""
    run = analyse(Readings("pulse", np.arange(0, 40, 5.0), np.array([0, 3, 5, 5, 4, 2, 1, 0.0])))
    assert run.area == pytest.approx(100.0)
    assert run.mean_t == pytest.approx(15.0)
    assert run.variance_t2 == pytest.approx(47.5)
    assert run.variance_t2 / run.mean_t**2 == pytest.approx(0.2111, abs=5e-5)
    assert run.tanks() == pytest.approx(4.737, abs=5e-4)
    assert run.beyond == 0.0


def test_fogler_pulse_example():
    """Fogler, Elements of Chemical Reaction Engineering, residence time example (from memory).

    The book integrates by Simpson's rules, we by the trapezium rule: hence the tolerances.
    """
    t = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14.0])
    run = analyse(Readings("pulse", t, np.array([0, 1, 5, 8, 10, 8, 6, 4, 3, 2.2, 1.5, 0.6, 0])))
    assert run.area == pytest.approx(50.0, abs=0.7)
    assert run.mean_t == pytest.approx(5.15, abs=0.03)
    assert run.variance_t2 == pytest.approx(6.1, abs=0.25)
    assert run.tanks() == pytest.approx(4.35, abs=0.15)
    assert run.curve.cdf(6.0) - run.curve.cdf(3.0) == pytest.approx(0.51, abs=0.02)


@pytest.mark.parametrize("noise", [0.0, 0.005, 0.02])
def test_a_pulse_through_a_known_chain_is_found_again(noise):
    off = []
    for seed in range(12):
        run = analyse(pulse_run(6000.0, noise, np.random.default_rng(seed)))
        off.append((run.mean_t - CHAIN.mean_t()) / run.mean_sd_t)
        grid = np.linspace(0, 6000, 200)
        assert run.curve.cdf(grid) == pytest.approx(CHAIN.cdf(grid), abs=0.004 + 3 * noise)
        assert np.sqrt(run.variance_t2) == pytest.approx(CHAIN.sd_t(), rel=0.02 + 10 * noise)
    # the stated error is neither wrong nor a way out
    assert np.abs(off).max() < 3.5
    assert run.mean_sd_t < 0.05 * run.mean_t


def test_a_record_that_ends_early_is_continued_and_says_so():
    run = analyse(pulse_run(3000.0, 0.0, np.random.default_rng(0)))
    assert 0.03 < run.beyond < 0.15
    assert run.mean_t == pytest.approx(CHAIN.mean_t(), rel=0.04)
    assert abs(run.mean_t - CHAIN.mean_t()) < 2.5 * run.mean_sd_t
    (doubt,) = run.doubts
    assert doubt.startswith("Beyond the last sample at ")
    assert "exponential" in doubt


def test_a_record_that_ends_too_early_is_refused():
    with pytest.raises(BadValue, match="sample longer"):
        analyse(pulse_run(1600.0, 0.0, np.random.default_rng(0)))
    with pytest.raises(BadValue, match="sample longer"):
        analyse(pulse_run(1900.0, 0.0, np.random.default_rng(0)))


@pytest.mark.parametrize(("sign", "final"), [(1, None), (-1, None), (1, 1.0 + 3.0), (-1, -1.0 + 3.0)])
def test_a_step_gives_f_whichever_way_it_goes(sign, final):
    rng = np.random.default_rng(4)
    q = np.arange(-600.0, 5000.0, 125.0)
    run = analyse(
        Readings(
            "step", q, 3.0 + sign * CHAIN.cdf(np.maximum(q, 0)) + 0.005 * rng.standard_normal(q.size),
            final=final,
        )
    )  # fmt: skip
    assert run.mean_t == pytest.approx(CHAIN.mean_t(), abs=3 * run.mean_sd_t)
    assert run.mean_sd_t < 0.02 * run.mean_t
    grid = np.linspace(0, 5000, 200)
    assert run.curve.cdf(grid) == pytest.approx(CHAIN.cdf(grid), abs=0.02)
    assert run.area is None


@pytest.mark.parametrize(("method", "end_t"), [("pulse", 3800.0), ("step", 3800.0), ("step", 6000.0)])
def test_the_stated_error_holds_where_glass_takes_two_paths(method, end_t):
    quick, slow, refiner = (
        Residence(640.0, 0.45, 4.0),
        Residence(1800.0, 0.45, 5.0),
        Residence(270.0, 0.3, 2.0),
    )
    grid = np.linspace(0.0, 9000.0, 9001)
    f = 0.4 * VesselChain((quick, refiner)).cdf(grid) + 0.6 * VesselChain((slow, refiner)).cdf(grid)
    density = np.gradient(f, grid)
    mean = 0.4 * 640 + 0.6 * 1800 + 270
    off, rel = [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        q = np.arange(-500.0, end_t, 83.0)
        c = np.interp(q, grid, density / density.max() if method == "pulse" else f, left=0.0)
        run = analyse(Readings(method, q, 12.0 + c + 0.01 * rng.standard_normal(q.size)))
        off.append((run.mean_t - mean) / run.mean_sd_t)
        rel.append(run.mean_sd_t / mean)
        assert run.fitted_gap > 0.05
    assert 0.2 < np.sqrt(np.mean(np.square(off))) < 1.8
    assert np.median(rel) < 0.03


def test_plug_and_tanks_are_fitted_over_the_curve():
    vessel = Residence(1500.0, 0.25, 3.0)
    q = np.arange(0.0, 9000.0, 60.0)
    run = analyse(Readings("pulse", q, vessel.density(q)))
    assert run.fitted.mass_t == pytest.approx(1500.0, rel=0.01)
    assert run.fitted.plug_fraction == pytest.approx(0.25, abs=0.02)
    assert run.fitted.tanks == pytest.approx(3.0, abs=0.15)
    assert run.fitted_gap < 0.005


def test_uneven_sampling_makes_no_difference():
    rng = np.random.default_rng(9)
    even = pulse_run(6000.0, 0.0, rng, every_t=40.0)
    keep = (even.tonnes <= 0) | (rng.random(even.tonnes.size) < 0.4)
    uneven = Readings("pulse", even.tonnes[keep], even.tracer[keep])
    assert analyse(uneven).mean_t == pytest.approx(analyse(even).mean_t, rel=0.01)


def test_a_stated_background_may_drift():
    run = pulse_run(6000.0, 0.0, np.random.default_rng(0))
    drift = 0.2 * run.tonnes / 6000
    drifting = Readings("pulse", run.tonnes, run.tracer + drift, background=3.0 + drift)
    assert analyse(drifting).mean_t == pytest.approx(analyse(run).mean_t, rel=1e-3)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_background_that_drifted_is_seen_where_the_readings_settle(sign):
    off = []
    for seed in range(6):
        run = pulse_run(9000.0, 0.004, np.random.default_rng(seed))
        drifted = run.tracer + sign * 0.05 * np.clip(run.tonnes / 7800, 0, 1)
        found = analyse(Readings("pulse", run.tonnes, drifted))
        assert "where the readings have settled" in found.says[0]
        off.append(found.mean_t / CHAIN.mean_t() - 1)
        # without a drift none is made up
        assert "settled" not in analyse(run).says[0]
    assert np.abs(off).max() < 0.05


def test_worse_readings_leave_more_uncertain():
    errors = [analyse(pulse_run(6000.0, n, np.random.default_rng(2))).mean_sd_t for n in (0.0, 0.01, 0.04)]
    assert errors[0] < errors[1] < errors[2]
    good = pulse_run(6000.0, 0.0, np.random.default_rng(0))
    stated = Readings("pulse", good.tonnes, good.tracer, sd=np.full(good.tonnes.size, 0.03))
    assert analyse(stated).mean_sd_t > 1.5 * analyse(good).mean_sd_t


@pytest.mark.parametrize(
    ("tonnes", "tracer", "says"),
    [
        ([0, 1, 2], [0, 1, 0], "expected at least 5"),
        ([0, 1, 2, 2, 3, 4], [0, 1, 2, 2, 1, 0], "same tonnes"),
        ([0, 1, 2, 3, 4, np.nan], [0, 1, 2, 2, 1, 0], "no numbers"),
        ([1, 2, 3, 4, 5, 6], [0, 1, 2, 2, 1, 0], "no sample was taken before"),
        ([0, 1, 2, 3, 4, 5], [1, 1, 1, 1, 1, 1], "never stands above"),
        ([0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, 5], "sample longer"),
        ([0, 1, 2, 3, 4, 5], [5, 1, 1, 1, 1, 1], "never stands above"),
    ],
)
def test_what_is_no_run_is_refused(tonnes, tracer, says):
    with pytest.raises(BadValue, match=says):
        analyse(Readings("pulse", np.array(tonnes, float), np.array(tracer, float)))


def test_a_step_that_does_not_show_is_refused():
    q = np.arange(-600.0, 5000.0, 125.0)
    noisy = 3.0 + 0.05 * np.random.default_rng(1).standard_normal(q.size)
    with pytest.raises(BadValue, match=r"do not differ|too uncertain|sample longer"):
        analyse(Readings("step", q, noisy, final=3.02))
    with pytest.raises(BadValue, match="expected pulse or step"):
        analyse(Readings("dose", q, noisy))
