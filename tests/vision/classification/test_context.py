"""Features in context: how a spot compares with the photo's own dust."""

import numpy as np
import pytest

from vision.classification.classes import CLASSES, DUST, SPOT_DEFECTS
from vision.classification.context import COMPARED, context_features
from vision.classification.networks import load

BUBBLE, STONE = CLASSES.index("bubble"), CLASSES.index("stone")


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
    general = (np.zeros(len(COMPARED)), np.ones(len(COMPARED)))
    wide, columns = context_features(table, names, rows, general)
    assert wide.shape == (60, len(columns))
    assert np.isfinite(wide).all()
    away = np.abs(wide[:, [columns.index(f"dust_{name}") for name in COMPARED[1:8]]])
    assert np.median(away[:-1]) < 1.2
    assert away[-1].min() > 2.5


def test_a_photo_without_dust_is_compared_with_dust_in_general() -> None:
    table, names = _table(5, np.random.default_rng(4))
    rows = np.zeros((5, len(CLASSES)))
    rows[:, BUBBLE] = 1.0
    general = (np.full(len(COMPARED), 0.5), np.full(len(COMPARED), 4.0))
    wide, columns = context_features(table, names, rows, general)
    column = wide[:, columns.index(f"dust_{COMPARED[3]}")]
    assert column == pytest.approx((table[:, 3] - 0.5) / 2.0, abs=1e-3)
    assert wide[0, columns.index("dust_count")] == 0


def test_the_weights_hold_what_scores_in_context_need() -> None:
    heads, _ = load()
    for tail in ("dark", "bright"):
        more = heads[f"spot_context_{tail}"].more
        assert more["dust_mean"].shape == more["dust_variance"].shape == (len(COMPARED),)
        assert more["class_priors"].shape == (len(CLASSES),)
        assert more["class_priors"].sum() == pytest.approx(1.0, abs=1e-3)
        assert 0.02 < more["class_priors"][SPOT_DEFECTS].sum() < 0.5
        assert 0.3 < more["platt"][0] < 1.5
