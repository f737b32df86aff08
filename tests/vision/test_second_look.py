"""The second look: the photo's own dust and the photo's own shares of each thing."""

import numpy as np
import pytest

from vision.kinds import CLASSES
from vision.learner import load
from vision.second_look import COMPARED, DUST, beside_dust, log_odds, own_shares, settled

BUBBLE, STONE = CLASSES.index("bubble"), CLASSES.index("stone")
DEFECTS = [BUBBLE, STONE]


def _two_normals(rng: np.random.Generator, count: int, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities of stone and dust as told by a judge who expects half of each, and what is a stone."""
    stone = rng.random(count) < share
    x = rng.normal(np.where(stone, 1.0, -1.0), 1.0)
    rows = np.zeros((count, len(CLASSES)))
    rows[:, STONE] = 1 / (1 + np.exp(-2 * x))  # equal priors, unit variances, means 2 apart
    rows[:, DUST] = 1 - rows[:, STONE]
    return rows, stone


def _expected_half() -> np.ndarray:
    usual = np.zeros(len(CLASSES))
    usual[[STONE, DUST]] = 0.5
    return usual


@pytest.mark.parametrize("share", [0.03, 0.2, 0.7])
def test_shares_of_a_photo_are_found_from_its_own_spots(share: float) -> None:
    """Saerens, Latinne and Decaestecker (2002), section 3: a two-class case with normal densities, priors
    changed; the adjusted outputs average to the true share and are as good as Bayes' rule allows."""
    rows, stone = _two_normals(np.random.default_rng(5), 20_000, share)
    after = own_shares(rows, _expected_half())
    assert after.sum(1) == pytest.approx(1.0, abs=1e-5)
    assert after[:, STONE].mean() == pytest.approx(share, abs=0.012)
    right_before = np.mean((rows[:, STONE] > 0.5) == stone)
    right_after = np.mean((after[:, STONE] > 0.5) == stone)
    assert right_after >= right_before - 0.002
    if share < 0.1:
        assert right_after > right_before + 0.05


def test_spots_that_meet_the_usual_shares_keep_their_probabilities() -> None:
    rng = np.random.default_rng(8)
    rows = rng.dirichlet(np.full(len(CLASSES), 0.3), 400)
    after = own_shares(rows, rows.mean(0))
    assert np.abs(after - rows).max() < 0.02


def _spots(stones: list[float]) -> np.ndarray:
    rows = np.zeros((len(stones), len(CLASSES)))
    rows[:, STONE], rows[:, DUST] = stones, 1.0 - np.array(stones)
    return rows


def test_a_doubtful_spot_is_judged_by_the_company_it_keeps() -> None:
    doubtful = 0.4
    alone = own_shares(_spots([doubtful]), _expected_half())[0, STONE]
    among_dust = own_shares(_spots([doubtful] + [0.02] * 10), _expected_half())[0, STONE]
    among_stones = own_shares(_spots([doubtful] + [0.98] * 10), _expected_half())[0, STONE]
    assert among_dust < 0.1 < alone < doubtful < among_stones
    # half of all photos show nothing: one doubtful spot on an empty photo is that much less likely, by Bayes
    odds = doubtful / (1 - doubtful)
    clean, other = 0.003 * odds * 2 + 0.997 * 2, 0.5 * odds * 2 + 0.5 * 2
    here = (0.003 * odds * 2 + 0.5 * odds * 2) / (clean + other)
    assert alone == pytest.approx(here, abs=0.02)


def test_a_sure_defect_on_an_empty_photo_stays_sure() -> None:
    assert own_shares(_spots([0.999]), _expected_half())[0, STONE] > 0.99
    assert own_shares(_spots([0.999, 0.02, 0.02, 0.02]), _expected_half())[0, STONE] > 0.98


def test_a_photo_without_spots_is_no_trouble() -> None:
    assert own_shares(np.zeros((0, len(CLASSES))), _expected_half()).shape == (0, len(CLASSES))


def test_settled_odds_are_a_power_and_a_factor_of_what_they_were() -> None:
    rng = np.random.default_rng(9)
    rows = rng.dirichlet(np.full(len(CLASSES), 0.4), 300)
    after = settled(rows, 0.7, -0.2)
    assert after.sum(1) == pytest.approx(1.0, abs=1e-5)
    before, now = (log_odds(r[:, DEFECTS].sum(1)) for r in (rows, after))
    clear = np.abs(before) < 8
    assert now[clear] == pytest.approx(0.7 * before[clear] - 0.2, abs=0.01)
    # what kind of defect it is, and what kind of dirt, is left as it was
    both = rows[:, DEFECTS].sum(1) > 1e-3
    share = rows[both, BUBBLE] / rows[both][:, DEFECTS].sum(1)
    assert after[both, BUBBLE] / after[both][:, DEFECTS].sum(1) == pytest.approx(share, abs=1e-4)
    assert settled(rows, 1.0, 0.0) == pytest.approx(rows, abs=1e-5)
    assert settled(rows[:0], 0.7, -0.2).shape == (0, len(CLASSES))


def _table(count: int, rng: np.random.Generator) -> tuple[np.ndarray, list[str]]:
    names = [*COMPARED, "other"]
    table = rng.normal(0, 1, (count, len(names)))
    table[:, 0] = np.exp(rng.normal(-2, 0.3, count))
    return table.astype(np.float32), names


def test_a_stone_among_like_grains_stands_away_from_them() -> None:
    rng = np.random.default_rng(3)
    table, names = _table(60, rng)
    table[:-1, 1:8] = 3 + rng.normal(0, 0.1, (59, 7))  # this photo's dust is unlike dust in general
    rows = np.zeros((60, len(CLASSES)))
    rows[:-1, DUST], rows[-1, STONE] = 1.0, 1.0
    usual = (np.zeros(len(COMPARED)), np.ones(len(COMPARED)))
    wide, columns = beside_dust(table, names, rows, usual)
    assert wide.shape == (60, len(columns))
    assert np.isfinite(wide).all()
    away = np.abs(wide[:, [columns.index(f"dust_{name}") for name in COMPARED[1:8]]])
    assert np.median(away[:-1]) < 1.2
    assert away[-1].min() > 2.5


def test_a_photo_without_dust_is_compared_with_dust_in_general() -> None:
    table, names = _table(5, np.random.default_rng(4))
    rows = np.zeros((5, len(CLASSES)))
    rows[:, BUBBLE] = 1.0
    usual = (np.full(len(COMPARED), 0.5), np.full(len(COMPARED), 4.0))
    wide, columns = beside_dust(table, names, rows, usual)
    column = wide[:, columns.index(f"dust_{COMPARED[3]}")]
    assert column == pytest.approx((table[:, 3] - 0.5) / 2.0, abs=1e-3)
    assert wide[0, columns.index("dust_count")] == 0


def test_the_weights_hold_what_a_second_look_needs() -> None:
    heads, _ = load()
    for tail in ("dark", "bright"):
        more = heads[f"again_{tail}"].more
        assert more["usual_mean"].shape == more["usual_variance"].shape == (len(COMPARED),)
        assert more["shares"].shape == (len(CLASSES),)
        assert more["shares"].sum() == pytest.approx(1.0, abs=1e-3)
        assert 0.02 < more["shares"][DEFECTS].sum() < 0.5
        assert 0.3 < more["settle"][0] < 1.5
