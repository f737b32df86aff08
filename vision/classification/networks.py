"""Small networks read from a file of weights and evaluated with numpy.

The weights beside this file are made by `python -m vision.training`, which also writes how they were made
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
from vision.one_thread import product

WEIGHTS = Path(__file__).with_name("weights.npz")
VERSION = 3
CLIP_SD = 5.0
"""Features are cut off here, in spreads from the middle (by hand: what no training photo showed is not
extrapolated far)."""
# Names in files of version 2, written before the heads had the names of the field. Its weights were fitted on
# masks without the sheet's far edges (`field.cut_edges`), which training looks for since; the next run of
# training writes version 3.
OLD_HEADS = {"again_dark": "spot_context_dark", "again_bright": "spot_context_bright"}
OLD_MORE = {
    "usual_mean": "dust_mean",
    "usual_variance": "dust_variance",
    "shares": "class_priors",
    "settle": "platt",
}
Array = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Head:
    """One question that the features answer.

    names : feature columns it reads, in order; outputs : class names or names of the numbers it gives
    middle, spread : standardisation of each column
    networks : for each member of the ensemble its layers (weight (in, out), bias (out,))
    sharpness : what the logarithms of the probabilities are multiplied with (calibration)
    prior : added to them (how often each class is met at work, against how often in training)
    more : further arrays that its question needs, by name (see `naming`)
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
            msg = f"networks: no feature column {missing[0]!r}; expected every column of the weights"
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
        """Class probabilities, float32 (N, outputs); each row sums to 1. No rows give no rows.

        table : features (N, F); names : of its columns, in any order, more than are needed allowed
        Raises StageError for a column that is missing.
        """
        if not len(table):
            return np.zeros((0, len(self.outputs)), np.float32)
        return softmax(self.log_means(table, names) * self.sharpness + self.prior)

    def log_means(self, table: Array, names: list[str]) -> Array:
        """Logarithms of the ensemble's mean probabilities before calibration, float32 (N, outputs)."""
        mean = softmax(self.raw(table, names)).mean(0)
        return np.asarray(np.log(np.maximum(mean, 1e-9)))

    def numbers(self, table: Array, names: list[str]) -> Array:
        """Estimated numbers, float32 (N, outputs); arguments as for `probabilities`."""
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

    Raises StageError when the file is missing or is not one that `python -m vision.training` wrote.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            about = json.loads(str(data["about"]))
            heads = {OLD_HEADS.get(name, name): _head(data, name) for name in about["heads"]}
    except (OSError, KeyError, ValueError) as error:
        msg = f"networks: {path.name} unreadable ({error}); expected what python -m vision.training writes"
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
        more={
            OLD_MORE.get(key[len(head) :], key[len(head) :]): data[key]
            for key in data.files
            if key.startswith(head)
        },
    )


def write(path: Path, heads: dict[str, Head], about: dict[str, Any]) -> None:
    """Write heads so that `load` reads them back, weights in half precision; a file cut short never takes the
    place of a whole one.

    about : how they were made; "heads" and "version" are added
    """
    data: dict[str, Any] = {"about": json.dumps({"version": VERSION, "heads": list(heads), **about})}
    for name, head in heads.items():
        data |= {f"{name}/{key}": value for key, value in _arrays(head).items()}
    part = path.with_suffix(".part.npz")
    np.savez_compressed(part, **data)
    part.replace(path)


def _arrays(head: Head) -> dict[str, Any]:
    arrays: dict[str, Any] = {
        "names": np.array(head.names),
        "outputs": np.array(head.outputs),
        "middle": head.middle,
        "spread": head.spread,
        "members": len(head.networks),
        "layers": len(head.networks[0]),
        "sharpness": head.sharpness,
        "prior": head.prior,
    }
    for member, layers in enumerate(head.networks):
        for layer, (weight, bias) in enumerate(layers):
            arrays[f"{member}/{layer}/weight"] = weight.astype(np.float16)
            arrays[f"{member}/{layer}/bias"] = bias.astype(np.float32)
    return arrays | {f"more/{name}": value for name, value in head.more.items()}
