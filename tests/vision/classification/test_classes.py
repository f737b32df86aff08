"""Rows over all classes: what they say of a find, and which finds are listed."""

import numpy as np
import pytest

from vision.classification.classes import (
    CLASSES,
    artefact_of,
    artefact_scores,
    defect_score,
    kind_scores,
    spread_out,
    without_scratch,
)
from vision.classification.networks import softmax
from vision.results import ARTEFACTS


def test_scores_of_a_find_sum_to_one_and_name_what_it_is() -> None:
    rng = np.random.default_rng(6)
    rows = softmax(rng.normal(size=(20, len(CLASSES))) * 3)
    for row in rows:
        assert sum(kind_scores(row).values()) == pytest.approx(1, abs=1e-6)
        assert sum(artefact_scores(row).values()) == pytest.approx(1, abs=1e-6)
    lint = np.zeros(len(CLASSES))
    lint[CLASSES.index("lint")] = 1
    assert artefact_of(lint, 0.0, 0.5) == "lint"
    assert artefact_of(lint, 0.9, 0.5) is None
    assert set(artefact_scores(lint)) == set(ARTEFACTS)


def test_a_piece_of_a_scratch_is_no_spot_of_its_own() -> None:
    table = spread_out(np.array([[0.2, 0.8]], np.float32), ("bubble", "scratch"))
    moved = without_scratch(table)
    assert defect_score(moved)[0] == pytest.approx(0.2)
    assert moved.sum() == pytest.approx(1)
