"""The networks' arithmetic, their file, and what keeps training and testing apart."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from vision.classification.networks import CLIP_SD, VERSION, WEIGHTS, Head, load, softmax, write
from vision.errors import StageError
from vision.synthetic.photos import CHOOSING, TESTING, TRAINING

KINDS_OF_HEAD = ("spot", "spot_context", "line", "bubble", "stone")
HEADS = {f"{what}_{tail}" for what in KINDS_OF_HEAD for tail in ("dark", "bright")}


def slowly(head: Head, row: np.ndarray) -> np.ndarray:
    """The obvious way, one row and one number at a time: what the fast one must equal."""
    x = [
        min(max((v - m) / s, -CLIP_SD), CLIP_SD)
        for v, m, s in zip(row, head.middle, head.spread, strict=True)
    ]
    total = np.zeros(len(head.outputs))
    for layers in head.networks:
        y = list(x)
        for k, (weight, bias) in enumerate(layers):
            y = [sum(y[i] * weight[i, j] for i in range(len(y))) + bias[j] for j in range(len(bias))]
            if k < len(layers) - 1:
                y = [max(v, 0.0) for v in y]
        e = np.exp(np.array(y) - max(y))
        total += e / e.sum()
    logits = np.log(total / len(head.networks)) * head.sharpness + head.prior
    return np.exp(logits) / np.exp(logits).sum()


def test_the_weights_hold_all_heads_and_tell_how_they_were_made() -> None:
    heads, about = load()
    assert set(heads) == HEADS
    assert {"version", "seed", "training_photos", "choosing_photos", "figures"} <= set(about)
    assert WEIGHTS.stat().st_size < 1_000_000


@pytest.mark.parametrize("name", sorted(n for n in HEADS if n.startswith(("spot", "line"))))
def test_probabilities_sum_to_one_and_equal_the_slow_way(name: str) -> None:
    head = load()[0][name]
    rng = np.random.default_rng(4)
    table = (head.middle + 1.5 * head.spread * rng.standard_normal((5, len(head.names)))).astype(np.float32)
    fast = head.probabilities(table, list(head.names))
    assert fast.sum(1) == pytest.approx(np.ones(5), abs=1e-5)
    assert fast[0] == pytest.approx(slowly(head, table[0].astype(float)), abs=2e-3)


def test_columns_are_read_by_name_in_any_order() -> None:
    head = load()[0]["spot_dark"]
    rng = np.random.default_rng(5)
    table = rng.standard_normal((3, len(head.names))).astype(np.float32)
    turned = rng.permutation(len(head.names))
    names = [head.names[i] for i in turned] + ["something new"]
    wider = np.column_stack((table[:, turned], np.ones(3)))
    assert head.probabilities(wider, names) == pytest.approx(
        head.probabilities(table, list(head.names)), abs=1e-6
    )


def test_a_missing_column_is_named() -> None:
    head = load()[0]["spot_dark"]
    with pytest.raises(StageError, match=head.names[0]):
        head.probabilities(np.zeros((1, len(head.names) - 1), np.float32), list(head.names[1:]))


def test_a_file_that_holds_no_weights_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "weights.npz"
    path.write_bytes(b"not weights")
    with pytest.raises(StageError, match=r"weights\.npz unreadable"):
        load(path)


def test_no_rows_give_no_probabilities() -> None:
    head = load()[0]["line_bright"]
    assert head.probabilities(np.zeros((0, len(head.names)), np.float32), list(head.names)).shape[0] == 0


def test_softmax_of_equal_logits_is_even() -> None:
    assert softmax(np.zeros((2, 4), np.float32)) == pytest.approx(np.full((2, 4), 0.25))


def test_heads_that_are_written_are_read_back_and_say_the_same(tmp_path: Path) -> None:
    heads, _ = load()
    some = {name: heads[name] for name in ("spot_context_dark", "line_bright", "stone_dark")}
    path = tmp_path / "weights.npz"
    write(path, some, {"seed": 1})
    again, about = load(path)
    assert about == {"version": VERSION, "heads": list(some), "seed": 1}
    for name, head in some.items():
        table = np.random.default_rng(7).standard_normal((6, len(head.names))).astype(np.float32)
        assert np.array_equal(head.raw(table, list(head.names)), again[name].raw(table, list(head.names)))
        assert set(again[name].more) == set(head.more)
        assert all(np.array_equal(again[name].more[key], value) for key, value in head.more.items())
    assert not path.with_suffix(".part.npz").exists()


def test_photos_to_learn_to_choose_and_to_test_never_meet() -> None:
    ranges = sorted((r.start, r.stop) for r in (TRAINING, CHOOSING, TESTING))
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(ranges))
    about = load()[1]
    for _, first, count in about["plan"]:
        assert any(first in r and first + count - 1 in r for r in (TRAINING, CHOOSING))
        assert first not in TESTING
