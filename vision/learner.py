"""Small networks read from a file of weights and evaluated with numpy.

The weights beside this file are made by `python -m vision.train`, which also writes how they were made
(version, seed, counts, held-out figures) into the file. A head is an ensemble of networks with rectified
layers, averaged.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import StageError
from vision.products import product

WEIGHTS = Path(__file__).with_name("weights.npz")
CLIP_SD = 5.0
Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Head:
    """One question that the features answer.

    names : feature columns it reads, in order; outputs : class names or names of the numbers it gives
    middle, spread : standardisation of each column
    networks : for each member of the ensemble its layers (weight (in, out), bias (out,))
    sharpness : what the logarithms of the probabilities are multiplied with (calibration)
    prior : added to them (how often each class is met at work, against how often in training)
    more : further arrays that its question needs, by name (`second_look`)
    """

    names: tuple[str, ...]
    outputs: tuple[str, ...]
    middle: Array
    spread: Array
    networks: tuple[tuple[tuple[Array, Array], ...], ...]
    sharpness: float
    prior: Array
    more: dict[str, Array] = field(default_factory=dict)

    def raw(self, table: Array, names: list[str]) -> Array:
        """Ensemble's last layers, shape (members, N, outputs)."""
        place = {name: i for i, name in enumerate(names)}
        missing = [name for name in self.names if name not in place]
        if missing:
            msg = f"learner: no feature column {missing[0]!r}; expected every column of the weights"
            raise StageError(msg)
        if tuple(names) != self.names:
            table = table[:, [place[name] for name in self.names]]
        x = np.clip((table - self.middle) / self.spread, -CLIP_SD, CLIP_SD).astype(np.float32)
        results = []
        for layers in self.networks:
            y = x
            for i, (weight, bias) in enumerate(layers):
                y = product(y, weight) + bias
                if i < len(layers) - 1:
                    np.maximum(y, 0, out=y)
            results.append(y)
        return np.stack(results)

    def probabilities(self, table: Array, names: list[str]) -> Array:
        """Class probabilities, shape (N, classes); each row sums to 1."""
        if not len(table):
            return np.zeros((0, len(self.outputs)), np.float32)
        mean = softmax(self.raw(table, names)).mean(0)
        return softmax(np.log(np.maximum(mean, 1e-9)) * self.sharpness + self.prior)

    def numbers(self, table: Array, names: list[str]) -> Array:
        """Estimated numbers, shape (N, outputs)."""
        if not len(table):
            return np.zeros((0, len(self.outputs)), np.float32)
        mean: Array = self.raw(table, names).mean(0)
        return mean


def softmax(logits: Array) -> Array:
    """Along the last axis."""
    z = np.exp(logits - logits.max(-1, keepdims=True))
    result: Array = (z / z.sum(-1, keepdims=True)).astype(np.float32)
    return result


@lru_cache(maxsize=2)
def load(path: Path = WEIGHTS) -> tuple[dict[str, Head], dict[str, Any]]:
    """Heads by name and the file's own account of how it was made.

    Raises StageError when the file is missing or is not one that `python -m vision.train` wrote.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            about = json.loads(str(data["about"]))
            heads = {name: _head(data, name) for name in about["heads"]}
    except (OSError, KeyError, ValueError) as error:
        msg = f"learner: {path.name} unreadable ({error}); expected weights written by python -m vision.train"
        raise StageError(msg) from None
    return heads, about


def _head(data: Any, name: str) -> Head:
    networks, head = [], f"{name}/more/"
    for member in range(int(data[f"{name}/members"])):
        layers = []
        for layer in range(int(data[f"{name}/layers"])):
            weight = data[f"{name}/{member}/{layer}/weight"].astype(np.float32)
            layers.append((weight, data[f"{name}/{member}/{layer}/bias"].astype(np.float32)))
        networks.append(tuple(layers))
    return Head(
        names=tuple(str(v) for v in data[f"{name}/names"]),
        outputs=tuple(str(v) for v in data[f"{name}/outputs"]),
        middle=data[f"{name}/middle"].astype(np.float32),
        spread=data[f"{name}/spread"].astype(np.float32),
        networks=tuple(networks),
        sharpness=float(data[f"{name}/sharpness"]),
        prior=data[f"{name}/prior"].astype(np.float32),
        more={key[len(head) :]: data[key] for key in data.files if key.startswith(head)},
    )
