"""The bench's own counting is right on cases that one can count by hand."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))

from detection_scores import Call, Shot, in_band, is_scratch, length_errors, link, pairs, recall, threshold_at


def spot(x, y, length=6.0, visible=True, kind="bubble"):
    return {
        "kind": kind, "x_px": x, "y_px": y, "length_px": length, "length_mm": length / 4, "halo_mm": None,
        "mm_per_px": 0.25, "visible": visible,
    }  # fmt: skip


def scratch(x0, x1, y, visible=True):
    course = np.column_stack([np.linspace(x0, x1, 81), np.full(81, float(y))])
    return spot((x0 + x1) / 2, y, x1 - x0, visible, "scratch") | {"path_px": course}


def line_call(x0, x1, y, score=0.9):
    path = np.column_stack([np.linspace(x0, x1, 20), np.full(20, float(y))])
    return Call((x0 + x1) / 2, y, x1 - x0, score, "scratch", path)


def shot(defects, calls, glass_m2=1.0):
    out = Shot(defects, calls, glass_m2)
    link(out)
    return out


def test_a_call_finds_one_spot_and_a_second_on_it_is_not_false():
    seen = shot([spot(50, 50)], [Call(51, 50, 6.3, 0.9), Call(49, 50, 5, 0.5), Call(80, 80, 3, 0.8)])
    assert seen.links == [(0, 0)]
    assert seen.false.tolist() == [False, False, True]


def test_an_invisible_defect_excuses_a_call_but_is_not_counted():
    seen = shot([spot(50, 50, visible=False)], [Call(50, 50, 6, 0.9)])
    assert recall([seen], 0.0) == (0, 0)
    assert not seen.false.any()


@pytest.mark.parametrize(("x0", "x1", "found"), [(100, 300, 1), (100, 225, 1), (100, 200, 0)])
def test_a_scratch_is_found_by_one_call_along_most_of_it(x0, x1, found):
    seen = shot([scratch(100, 300, 40)], [line_call(x0, x1, 42)])
    assert recall([seen], 0.0, is_scratch) == (found, 1)
    assert not seen.false.any()


def test_twenty_pieces_of_a_scratch_are_neither_a_find_nor_false():
    pieces = [line_call(100 + 10 * k, 108 + 10 * k, 40) for k in range(20)]
    seen = shot([scratch(100, 300, 40)], pieces)
    assert recall([seen], 0.0, is_scratch) == (0, 1)
    assert not seen.false.any()


def test_the_threshold_leaves_the_asked_rate_of_false_calls():
    calls = [Call(10.0 * k, 500, 3, score) for k, score in enumerate([0.9, 0.8, 0.7, 0.6])]
    photos = [shot([spot(900, 900)], [*calls, Call(900, 900, 6, 0.65)], glass_m2=2.0)]
    limit = threshold_at(photos, 1.0)
    assert sum(call.score >= limit for call in calls) == 2
    assert recall(photos, limit) == (0, 1)
    assert recall(photos, threshold_at(photos, 1.5)) == (1, 1)
    assert threshold_at(photos, 3.0) == -np.inf


def test_size_errors_are_relative_and_by_band():
    seen = shot([spot(50, 50, 5.0), spot(150, 50, 1.5)], [Call(50, 50, 5.5, 0.9), Call(150, 50, 3.0, 0.9)])
    assert length_errors(pairs([seen], 0.0, in_band(4, np.inf))) == pytest.approx([0.1])
    assert length_errors(pairs([seen], 0.0, in_band(0, 2))) == pytest.approx([1.0])
