"""Backgrounds that wander: what they are judged to be, and what they must not raise."""

import numpy as np
import pytest

from models.trace import trace
from models.trace.clock_steps import read_clock
from models.trace.drift import Wander, fit_wander, roughness
from models.trace.grid import make_grid
from models.trace.scan import scan
from tests.models.trace.test_trace import plain
from tests.simulator.as_input import as_input
from tests.simulator.defects import simulate
from tests.simulator.restless import restless_line


def wandering(rng, cells, cell_h, sd, memory_h, rough, count_var):
    lag = np.abs(np.subtract.outer(np.arange(cells), np.arange(cells))) * cell_h
    drift = np.linalg.cholesky(Wander(sd, memory_h, 0.0).kernel(lag) + 1e-9 * np.eye(cells)) @ rng.normal(
        size=cells
    )
    return drift + rng.normal(size=cells) * np.sqrt(rough / cell_h + count_var)


def test_roughness_is_told_from_neighbouring_cells():
    rng = np.random.default_rng(3)
    said = []
    for _ in range(12):
        u = wandering(rng, 720, 2.0, 0.2, 36.0, 0.03, 0.01)
        said.append(roughness(u, np.full(720, 0.01), np.zeros(720, dtype=int), 2.0))
    assert np.mean(said) == pytest.approx(0.03, rel=0.25)


def test_an_abrupt_upset_does_not_make_the_background_rough():
    rng = np.random.default_rng(4)
    u = wandering(rng, 720, 2.0, 0.2, 36.0, 0.03, 0.01)
    u[300:340] += 2.0
    assert roughness(u, np.full(720, 0.01), np.zeros(720, dtype=int), 2.0) < 0.045


def test_drift_is_told_apart_from_shifts_of_unknown_sharpness():
    rng = np.random.default_rng(5)
    said = []
    for _ in range(6):
        shift = np.arange(360) // 2
        u = wandering(rng, 360, 4.0, 0.25, 40.0, 0.03, 0.005) + rng.normal(0, 0.12, 180)[shift]
        told = fit_wander(
            u, np.full(360, 0.005), 4.0, shift=shift, shift_var=np.full(360, 0.12**2), rough=0.03
        )
        said.append(told.sd)
    assert 0.18 <= np.mean(said) <= 0.3


def test_a_part_of_the_width_that_wanders_is_no_episode_there():
    """Edges that swing by 30 % over two days against the middle, with very many defects."""
    rng = np.random.default_rng(6)
    swing = 0.3 * np.sin(2 * np.pi * np.arange(1440) / 96.0 + rng.uniform(0, 6.3))
    rate = np.full((1440, 128), 1.0)
    rate[:, :10] *= np.exp(swing)[:, None]
    rate[:, -10:] *= np.exp(-swing)[:, None]
    boxes, spread = scan(rng.poisson(rate).astype(float), np.ones_like(rate), limit_log_p=np.log(0.05))
    assert boxes == []
    assert spread.edge[0, 0] > 2 * spread.middle[0, 0] - 0.05


def test_a_burst_in_a_third_of_the_width_stands_out_of_such_a_wander():
    rng = np.random.default_rng(7)
    rate = np.full((1440, 128), 0.05)
    rate[700:716, 40:80] *= 4.0
    boxes, _ = scan(rng.poisson(rate).astype(float), np.ones_like(rate), limit_log_p=np.log(0.05))
    assert boxes
    assert abs(boxes[0].t_lo - 700) <= 4
    assert abs(boxes[0].x_lo - 40) <= 10


def test_forty_scratches_on_one_sheet_count_as_one_mishap():
    given = plain(extra=0)
    d, s = given.defects, given.sheets
    rng = np.random.default_rng(9)
    at = 7000
    m = np.concatenate([d.ribbon_m, s.start_m[at] + rng.uniform(0, 6, 40)])
    x = np.concatenate([d.ribbon_x_mm, rng.uniform(400, 900, 40)])
    order = np.argsort(m)
    kind = np.concatenate([d.kind, np.ones(40, dtype=int)])[order]
    sheet = np.concatenate([d.sheet, np.full(40, at)])[order]
    full = type(given)(s, type(d)(d.kinds, kind, m[order], x[order], sheet), None)
    grid = make_grid(s, full.defects, read_clock(s, None, 0.0))
    assert ((grid.sheet == at) & (grid.kind == 1)).sum() <= 5
    assert trace(full).episodes == ()


@pytest.mark.parametrize("seed", [103, 112, 113])
def test_a_second_kind_of_restless_background_raises_nothing(seed):
    """Lines on which edges, swings or clusters once raised episodes."""
    rng = np.random.default_rng(seed)
    line = restless_line(rng, 30)
    made = simulate(rng, line, per_m2=float(rng.uniform(0.03, 0.15)), episodes=0, restless=True)
    assert trace(as_input(line, made)).episodes == ()
