"""Class priors of the photo itself: found from its own spots, and weighed with those that are general."""

import numpy as np
import pytest

from vision.classification.classes import CLASSES, DUST
from vision.classification.priors import with_photo_priors

STONE = CLASSES.index("stone")


def _two_normals(rng: np.random.Generator, count: int, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities of stone and dust as told by a judge who expects half of each, and what is a stone."""
    stone = rng.random(count) < share
    x = rng.normal(np.where(stone, 1.0, -1.0), 1.0)
    rows = np.zeros((count, len(CLASSES)))
    rows[:, STONE] = 1 / (1 + np.exp(-2 * x))  # equal priors, unit variances, means 2 apart
    rows[:, DUST] = 1 - rows[:, STONE]
    return rows, stone


def expecting_half() -> np.ndarray:
    general = np.zeros(len(CLASSES))
    general[[STONE, DUST]] = 0.5
    return general


@pytest.mark.parametrize("share", [0.03, 0.2, 0.7])
def test_shares_of_a_photo_are_found_from_its_own_spots(share: float) -> None:
    """Saerens, Latinne and Decaestecker (2002), section 3: a two-class case with normal densities, priors
    changed; the adjusted outputs average to the true share and are as good as Bayes' rule allows."""
    rows, stone = _two_normals(np.random.default_rng(5), 20_000, share)
    after = with_photo_priors(rows, expecting_half())
    assert after.sum(1) == pytest.approx(1.0, abs=1e-5)
    assert after[:, STONE].mean() == pytest.approx(share, abs=0.012)
    right_before = np.mean((rows[:, STONE] > 0.5) == stone)
    right_after = np.mean((after[:, STONE] > 0.5) == stone)
    assert right_after >= right_before - 0.002
    if share < 0.1:
        assert right_after > right_before + 0.05


def test_spots_that_meet_the_general_shares_keep_their_probabilities() -> None:
    rng = np.random.default_rng(8)
    rows = rng.dirichlet(np.full(len(CLASSES), 0.3), 400)
    after = with_photo_priors(rows, rows.mean(0))
    assert np.abs(after - rows).max() < 0.02


def _spots(stones: list[float]) -> np.ndarray:
    rows = np.zeros((len(stones), len(CLASSES)))
    rows[:, STONE], rows[:, DUST] = stones, 1.0 - np.array(stones)
    return rows


def test_a_doubtful_spot_is_judged_by_the_other_spots_of_its_photo() -> None:
    doubtful = 0.4
    alone = with_photo_priors(_spots([doubtful]), expecting_half())[0, STONE]
    among_dust = with_photo_priors(_spots([doubtful] + [0.02] * 10), expecting_half())[0, STONE]
    among_stones = with_photo_priors(_spots([doubtful] + [0.98] * 10), expecting_half())[0, STONE]
    assert among_dust < 0.1 < alone < doubtful < among_stones
    # half of all photos show nothing: one doubtful spot on an empty photo is that much less likely, by Bayes
    odds = doubtful / (1 - doubtful)
    clean, other = 0.003 * odds * 2 + 0.997 * 2, 0.5 * odds * 2 + 0.5 * 2
    here = (0.003 * odds * 2 + 0.5 * odds * 2) / (clean + other)
    assert alone == pytest.approx(here, abs=0.02)


def test_a_sure_defect_on_an_empty_photo_stays_sure() -> None:
    assert with_photo_priors(_spots([0.999]), expecting_half())[0, STONE] > 0.99
    assert with_photo_priors(_spots([0.999, 0.02, 0.02, 0.02]), expecting_half())[0, STONE] > 0.98


def test_a_photo_without_spots_is_no_trouble() -> None:
    assert with_photo_priors(np.zeros((0, len(CLASSES))), expecting_half()).shape == (0, len(CLASSES))
