"""What the networks are fitted on is what an inspection shows them, and what they say in training they say
at work.

Photos with a cut edge that the set-up does not tell: there the mask depends on what the photo itself shows.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.exceptions import ConvergenceWarning

from vision import Inspection, PhotoSetup, inspect_photo
from vision.classification import naming
from vision.classification.classes import CLASSES, kind_scores, suffix
from vision.classification.networks import load, softmax, write
from vision.detection.detections import Detection
from vision.detection.detector import Places
from vision.results import BackgroundSubtracted, ByteImage
from vision.synthetic.photos import LIGHTINGS, TESTING, Shot, shot_of
from vision.training.export import calibrated, fit_classes, fit_numbers, side_by_side
from vision.training.fit import spot_rows
from vision.training.gather import Tables, gather

WITH_EDGE = {"dark_field": TESTING.start + 7016, "bright_field": TESTING.start + 7017}


class Recorder:
    """Keeps what an inspection hands to the pictures of its stages."""

    subtracted: BackgroundSubtracted
    places: Places
    found: list[Detection]

    wants_whole = True

    def background(self, grey: ByteImage, subtracted: BackgroundSubtracted) -> None:
        self.subtracted = subtracted

    def detections(
        self,
        grey: ByteImage,
        subtracted: BackgroundSubtracted,
        places: Places,
        detections: list[Detection],
        result: Inspection,
    ) -> None:
        self.places, self.found = places, detections


@pytest.fixture(scope="module", params=LIGHTINGS)
def both_ways(request: pytest.FixtureRequest) -> tuple[Recorder, Tables, Shot]:
    shot = shot_of(WITH_EDGE[request.param], "parametric", 0.8, crowded=False)
    shot = replace(shot, setup={key: value for key, value in shot.setup.items() if key != "sheet"})
    seen = Recorder()
    inspect_photo(shot.data, PhotoSetup.from_dict(shot.setup), name="shot", stages=seen)
    return seen, gather(shot), shot


def test_nothing_beyond_the_cut_edge_is_looked_at_or_learnt_from(
    both_ways: tuple[Recorder, Tables, Shot],
) -> None:
    seen, tables, _ = both_ways
    assert 0.05 < np.mean(seen.subtracted.mask == 0) < 0.5
    assert len(tables.lines) == len(seen.places.lines)
    assert 0 < len(tables.spots) <= len(seen.places.spots)


def test_each_find_has_the_scores_that_training_gives_its_spot(
    both_ways: tuple[Recorder, Tables, Shot],
) -> None:
    seen, tables, shot = both_ways
    tail = suffix(shot.setup["lighting"])
    heads, _ = load()
    rows = [kind_scores(row) for row in spot_rows(heads, tail, tables)]
    lines = naming.class_scores(heads[f"line_{tail}"], tables.lines, tables.line_names)
    rows += [kind_scores(row) for row in lines] if len(tables.lines) else []
    assert len(seen.found) > 2
    assert all(found.kind_scores in rows for found in seen.found)


def test_a_fitted_head_says_the_same_when_it_comes_back_from_its_file(tmp_path: Path) -> None:
    """Three blobs to tell apart: the head in memory, the one read back, and the classes that were drawn."""
    rng = np.random.default_rng(2)
    label = rng.integers(0, 3, 900)
    table = (rng.normal(0, 1, (900, 4)) + 2.5 * np.eye(4)[label]).astype(np.float32)
    names, weight = ["a", "b", "c", "d"], np.ones(len(label))
    head = fit_classes(table, names, label, CLASSES, weight, seed=1, members=2, rounds=30)
    head = calibrated(head, table, label, CLASSES, weight)
    said = head.probabilities(table, names)
    assert head.outputs == CLASSES[:3]
    assert np.mean(said.argmax(1) == label) > 0.9
    assert said.mean(0) == pytest.approx(np.bincount(label) / len(label), abs=0.03)
    write(tmp_path / "weights.npz", {"spot_dark": head}, {})
    again = load(tmp_path / "weights.npz")[0]["spot_dark"]
    assert np.array_equal(again.probabilities(table, names), said)


def test_numbers_and_their_uncertainty_stand_side_by_side_in_one_head() -> None:
    rng = np.random.default_rng(3)
    table = rng.normal(0, 1, (400, 3)).astype(np.float32)
    names, targets = ["a", "b", "c"], np.column_stack((table[:, 0], table[:, 1] - 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # sums are asked for, not a good fit
        first = fit_numbers(table, names, targets, ("x", "y"), seed=1, members=2)
        second = fit_numbers(table, names, -targets, ("x_sd", "y_sd"), seed=2, members=2)
    # of one file, so of one standardisation
    second = replace(second, middle=first.middle, spread=first.spread)
    both = side_by_side(first, second, np.array([0.5, -0.25]), ("x", "y", "x_sd", "y_sd"))
    shifted = second.numbers(table, names) + np.array([0.5, -0.25])
    assert both.numbers(table, names)[:, :2] == pytest.approx(first.numbers(table, names), abs=1e-4)
    assert both.numbers(table, names)[:, 2:] == pytest.approx(shifted, abs=1e-4)


def test_one_network_is_its_own_ensemble() -> None:
    head = load()[0]["line_dark"]
    table = np.random.default_rng(4).standard_normal((5, len(head.names))).astype(np.float32)
    one = replace(head, networks=head.networks[:1], sharpness=1.0, prior=np.zeros_like(head.prior))
    assert one.probabilities(table, list(head.names)) == pytest.approx(
        softmax(head.raw(table, list(head.names))[0]), abs=1e-5
    )
