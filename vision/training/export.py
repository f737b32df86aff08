"""Small networks fitted with scikit-learn, as the heads that `classification.networks` evaluates.

Once fitted, a network is known by its `Head` alone: what training asks of it is what an inspection will ask.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.neural_network import MLPClassifier, MLPRegressor  # type: ignore[import-untyped]

from vision.classification.networks import CLIP_SD, Head, softmax

Array = NDArray[Any]
FEWEST_ROWS = 5
"""A class of fewer rows gets no output (by hand)."""


def standardisation(table: Array) -> tuple[Array, Array]:
    """Median and a robust spread of each column (never 0), shapes (F,)."""
    middle = np.median(table, 0)
    low, high = np.quantile(table, [0.05, 0.95], axis=0)
    spread = np.maximum((high - low) / 3.29, table.std(0) * 0.3)
    return middle.astype(np.float32), np.where(spread > 1e-6, spread, 1.0).astype(np.float32)


def fit_classes(
    table: Array,
    names: list[str],
    label: Array,
    classes: tuple[str, ...],
    weight: Array,
    *,
    seed: int,
    members: int = 3,
    hidden: tuple[int, ...] = (64, 32),
    alpha: float = 1e-3,
    rounds: int = 40,
) -> Head:
    """An ensemble of classifiers. label : index into classes (N,), every class that occurs gets an output."""
    middle, spread = standardisation(table)
    x = np.clip((table - middle) / spread, -CLIP_SD, CLIP_SD)
    present = [i for i in range(len(classes)) if np.sum(label == i) >= FEWEST_ROWS]
    keep = np.isin(label, present)
    nets = []
    for k in range(members):
        net = MLPClassifier(
            hidden_layer_sizes=hidden,
            alpha=alpha,
            batch_size=256,
            learning_rate_init=2e-3,
            max_iter=rounds,
            early_stopping=True,
            validation_fraction=0.1,
            n_iter_no_change=6,
            random_state=seed + k,
        )
        nets.append(net.fit(x[keep], label[keep], sample_weight=weight[keep]))
    return _head(nets, names, [classes[i] for i in nets[0].classes_], middle, spread)


def fit_numbers(
    table: Array,
    names: list[str],
    targets: Array,
    outputs: tuple[str, ...],
    *,
    seed: int,
    members: int = 3,
    hidden: tuple[int, ...] = (64, 32),
    rounds: int = 60,
    alpha: float = 1e-3,
) -> Head:
    """An ensemble of regressions, targets (N, outputs)."""
    middle, spread = standardisation(table)
    x = np.clip((table - middle) / spread, -CLIP_SD, CLIP_SD)
    nets = []
    for k in range(members):
        net = MLPRegressor(
            hidden_layer_sizes=hidden,
            alpha=alpha,
            batch_size=128,
            learning_rate_init=2e-3,
            max_iter=rounds,
            early_stopping=True,
            validation_fraction=0.1,
            n_iter_no_change=8,
            random_state=seed + k,
        )
        nets.append(net.fit(x, targets))
    return _head(nets, names, list(outputs), middle, spread)


def _head(nets: list[Any], names: list[str], outputs: list[str], middle: Array, spread: Array) -> Head:
    return Head(
        names=tuple(names),
        outputs=tuple(outputs),
        middle=middle,
        spread=spread,
        networks=tuple(
            tuple(
                (_stored(weight), bias.astype(np.float32))
                for weight, bias in zip(net.coefs_, net.intercepts_, strict=True)
            )
            for net in nets
        ),
        sharpness=1.0,
        prior=np.zeros(len(outputs), np.float32),
    )


def _stored(weight: Array) -> Array:
    """Weights as they come back from the file, which holds them in half precision."""
    return weight.astype(np.float16).astype(np.float32)


def calibrated(head: Head, table: Array, label: Array, classes: tuple[str, ...], weight: Array) -> Head:
    """The head with sharpness and prior at which held-out log loss is least (temperature scaling with a bias
    for each class).

    C. Guo et al., "On calibration of modern neural networks", ICML 2017, section 4.2 (vector scaling with
    one scale).
    """
    index = {name: i for i, name in enumerate(head.outputs)}
    target = np.array([index.get(classes[v], -1) for v in label])
    good = target >= 0
    logs = head.log_means(table, list(head.names))[good].astype(np.float64)
    target, w = target[good], weight[good] / weight[good].mean()
    sharp, prior = 1.0, np.zeros(len(head.outputs))
    one_hot = np.eye(len(head.outputs))[target]
    for step in range(400):
        p = softmax(logs * sharp + prior)
        error = (p - one_hot) * w[:, None]
        rate = 0.5 / (1 + step / 100)
        prior -= rate * error.mean(0)
        sharp -= 0.2 * rate * float((error * logs).sum(1).mean())
        sharp = float(np.clip(sharp, 0.4, 2.0))
    prior -= prior.mean()
    return replace(head, sharpness=sharp, prior=prior.astype(np.float32))


def side_by_side(first: Head, second: Head, shift: Array, outputs: tuple[str, ...]) -> Head:
    """One head that gives the numbers of both (same columns, same layers), the second's shifted by
    `shift`."""
    networks = []
    for one, other in zip(first.networks, second.networks, strict=True):
        layers = []
        for k, ((a, a_bias), (b, b_bias)) in enumerate(zip(one, other, strict=True)):
            if k == 0:
                weight = np.hstack((a, b))
            else:
                weight = np.block([[a, np.zeros((len(a), b.shape[1]))], [np.zeros((len(b), a.shape[1])), b]])
            last = k == len(one) - 1
            bias = np.concatenate((a_bias, b_bias + (shift if last else 0)))
            layers.append((weight.astype(np.float32), bias.astype(np.float32)))
        networks.append(tuple(layers))
    prior = np.zeros(len(outputs), np.float32)
    return replace(first, outputs=outputs, networks=tuple(networks), prior=prior)
