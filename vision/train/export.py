"""Fit small networks with scikit-learn and write them as arrays that `vision.learner` reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from sklearn.neural_network import MLPClassifier, MLPRegressor  # type: ignore[import-untyped]

from vision.learner import CLIP_SD, softmax


@dataclass
class Fitted:
    """A head before it is written: arrays under the names that `vision.learner` expects."""

    arrays: dict[str, Any]
    members: list[Any]
    middle: np.ndarray
    spread: np.ndarray

    def standard(self, table: np.ndarray) -> np.ndarray:
        return np.clip((table - self.middle) / self.spread, -CLIP_SD, CLIP_SD)


def standardisation(table: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median and a robust spread of each column (never 0)."""
    middle = np.median(table, 0)
    low, high = np.quantile(table, [0.05, 0.95], axis=0)
    spread = np.maximum((high - low) / 3.29, table.std(0) * 0.3)
    return middle.astype(np.float32), np.where(spread > 1e-6, spread, 1.0).astype(np.float32)


def fit_classes(
    table: np.ndarray,
    names: list[str],
    label: np.ndarray,
    classes: tuple[str, ...],
    weight: np.ndarray,
    *,
    seed: int,
    members: int = 3,
    hidden: tuple[int, ...] = (64, 32),
    alpha: float = 1e-3,
    rounds: int = 40,
) -> Fitted:
    """An ensemble of classifiers. label : index into classes, every class that occurs gets an output."""
    middle, spread = standardisation(table)
    x = np.clip((table - middle) / spread, -CLIP_SD, CLIP_SD)
    present = [i for i in range(len(classes)) if np.sum(label == i) >= 5]
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
    return _fitted(nets, names, [classes[i] for i in nets[0].classes_], middle, spread)


def fit_numbers(
    table: np.ndarray,
    names: list[str],
    targets: np.ndarray,
    outputs: tuple[str, ...],
    *,
    seed: int,
    members: int = 3,
    hidden: tuple[int, ...] = (64, 32),
    rounds: int = 60,
    alpha: float = 1e-3,
) -> Fitted:
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
    return _fitted(nets, names, list(outputs), middle, spread)


def _fitted(
    nets: list[Any], names: list[str], outputs: list[str], middle: np.ndarray, spread: np.ndarray
) -> Fitted:
    arrays: dict[str, Any] = {
        "names": np.array(names),
        "outputs": np.array(outputs),
        "middle": middle,
        "spread": spread,
        "members": len(nets),
        "layers": len(nets[0].coefs_),
        "sharpness": 1.0,
        "prior": np.zeros(len(outputs), np.float32),
    }
    for m, net in enumerate(nets):
        for k, (weight, bias) in enumerate(zip(net.coefs_, net.intercepts_, strict=True)):
            arrays[f"{m}/{k}/weight"] = weight.astype(np.float16)
            arrays[f"{m}/{k}/bias"] = bias.astype(np.float32)
    return Fitted(arrays, nets, middle, spread)


def calibrate(
    fitted: Fitted, table: np.ndarray, label: np.ndarray, classes: tuple[str, ...], weight: np.ndarray
) -> None:
    """Set sharpness and prior so that held-out log loss is least (temperature scaling with a bias for each
    class).

    C. Guo et al., "On calibration of modern neural networks", ICML 2017, section 4.2 (vector scaling with
    one scale).
    """
    outputs = [str(v) for v in fitted.arrays["outputs"]]
    index = {name: i for i, name in enumerate(outputs)}
    target = np.array([index.get(classes[v], -1) for v in label])
    x = fitted.standard(table)
    mean = np.mean([net.predict_proba(x) for net in fitted.members], 0)
    good = target >= 0
    logs, target, w = np.log(np.maximum(mean[good], 1e-9)), target[good], weight[good] / weight[good].mean()
    sharp, prior = 1.0, np.zeros(len(outputs))
    one_hot = np.eye(len(outputs))[target]
    for step in range(400):
        p = softmax(logs * sharp + prior)
        error = (p - one_hot) * w[:, None]
        rate = 0.5 / (1 + step / 100)
        prior -= rate * error.mean(0)
        sharp -= 0.2 * rate * float((error * logs).sum(1).mean())
        sharp = float(np.clip(sharp, 0.4, 2.0))
    prior -= prior.mean()
    fitted.arrays["sharpness"] = sharp
    fitted.arrays["prior"] = prior.astype(np.float32)


def beside(first: Fitted, second: Fitted, shift: np.ndarray, outputs: tuple[str, ...]) -> Fitted:
    """One head that gives the numbers of both (same columns, same layers), the second's shifted by
    `shift`."""
    arrays = dict(first.arrays)
    arrays["outputs"] = np.array(outputs)
    arrays["prior"] = np.zeros(len(outputs), np.float32)
    last = arrays["layers"] - 1
    for m in range(arrays["members"]):
        for k in range(arrays["layers"]):
            a, b = first.members[m].coefs_[k], second.members[m].coefs_[k]
            if k == 0:
                weight = np.hstack((a, b))
            else:
                weight = np.block([[a, np.zeros((len(a), b.shape[1]))], [np.zeros((len(b), a.shape[1])), b]])
            tail = second.members[m].intercepts_[k] + (shift if k == last else 0)
            arrays[f"{m}/{k}/weight"] = weight.astype(np.float16)
            bias = np.concatenate((first.members[m].intercepts_[k], tail))
            arrays[f"{m}/{k}/bias"] = bias.astype(np.float32)
    return Fitted(arrays, first.members, first.middle, first.spread)
