"""Fit all heads on tables of many photos and write them to one file."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression  # type: ignore[import-untyped]

from vision import second_look
from vision.kinds import CLASSES, without_scratch
from vision.learner import softmax
from vision.measure import LARGEST_CORRECTION, SIZE_OUTPUTS, apparent
from vision.second_look import own_shares
from vision.train.export import Fitted, beside, calibrate, fit_classes, fit_numbers
from vision.train.gather import Tables

Array = NDArray[Any]
VERSION = 2
UNSEEN_WEIGHT = 0.15
SMALLEST_MISS = 0.004
SIZED = ("bubble", "stone")
SPOT_LAYERS, LINE_LAYERS = (96, 48), (48, 24)
FOLDS = 3


def fit_all(training: list[Tables], choosing: list[Tables], seed: int, members: int = 3) -> dict[str, Fitted]:
    """Heads by name: spot_*, again_*, line_* (classes), bubble_* and stone_* (sizes) for dark and bright
    field.

    training : crowded photos; choosing : photos as they come from the line, which set the calibration
    """
    heads: dict[str, Fitted] = {}
    for tail, dark in (("dark", True), ("bright", False)):
        some = [t for t in training if t.dark == dark]
        other = [t for t in choosing if t.dark == dark]
        heads[f"spot_{tail}"] = _classes(some, other, "spot", seed, members)
        heads[f"again_{tail}"] = _again(some, other, heads[f"spot_{tail}"], seed + 300, members)
        heads[f"line_{tail}"] = _classes(some, other, "line", seed + 100, members)
        for kind in SIZED:
            heads[f"{kind}_{tail}"] = _sizes(some, other, CLASSES.index(kind), seed + 200, members)
    return heads


def columns(tables: list[Tables], what: str) -> tuple[Array, list[str], Array, Array]:
    """Features, names, labels and weights of all rows. Defects that nobody can see count little."""
    rows = [t for t in tables if len(getattr(t, f"{what}s"))]
    table = np.concatenate([getattr(t, f"{what}s") for t in rows])
    label = np.concatenate([getattr(t, f"{what}_label") for t in rows]).astype(int)
    visible = np.concatenate([getattr(t, f"{what}_visible") for t in rows])
    return table, getattr(rows[0], f"{what}_names"), label, np.where(visible, 1.0, UNSEEN_WEIGHT)


def _classes(some: list[Tables], other: list[Tables], what: str, seed: int, members: int) -> Fitted:
    table, names, label, weight = columns(some, what)
    hidden = SPOT_LAYERS if what == "spot" else LINE_LAYERS
    fitted = fit_classes(table, names, label, CLASSES, weight, seed=seed, members=members, hidden=hidden)
    table, _, label, weight = columns(other, what)
    calibrate(fitted, table, label, CLASSES, weight)
    return fitted


def _again(some: list[Tables], other: list[Tables], first: Fitted, seed: int, members: int) -> Fitted:
    """Second look: what the first one said of other spots of the photo is told by networks that were not
    trained on that photo, as it is at work.
    """
    some, other = [t for t in some if len(t.spots)], [t for t in other if len(t.spots)]
    table, names, label, weight = columns(some, "spot")
    dust = second_look.compared(table, names)[label == second_look.DUST]
    usual = (dust.mean(0), dust.var(0))
    # a photo and its twin, of one seed, stay together; even and odd seeds are the two lightings
    fold = np.array([t.seed // 2 % FOLDS for t in some])
    rows: list[Array] = [np.empty(0)] * len(some)
    for k in range(FOLDS):
        part, _, told, heed = columns([t for t, f in zip(some, fold, strict=True) if f != k], "spot")
        helper = fit_classes(part, names, told, CLASSES, heed, seed=seed + k, members=1, hidden=SPOT_LAYERS)
        for i in np.flatnonzero(fold == k):
            rows[i] = probabilities(helper, some[i].spots)
    more = [second_look.beside_dust(t.spots, names, r, usual) for t, r in zip(some, rows, strict=True)]
    table = np.concatenate([m[0] for m in more])
    fitted = fit_classes(
        table, more[0][1], label, CLASSES, weight, seed=seed, members=members, hidden=SPOT_LAYERS
    )
    held = [second_look.beside_dust(t.spots, names, probabilities(first, t.spots), usual)[0] for t in other]
    _, _, label, weight = columns(other, "spot")
    calibrate(fitted, np.concatenate(held), label, CLASSES, weight)
    shares = without_scratch(np.concatenate([probabilities(fitted, t) for t in held])).mean(0)
    after = [own_shares(without_scratch(probabilities(fitted, t)), shares) for t in held]
    score = second_look.log_odds(np.concatenate(after)[:, second_look.DEFECTS].sum(1))
    line = LogisticRegression(C=1e6).fit(score[:, None], np.isin(label, second_look.DEFECTS), weight)
    fitted.arrays |= {
        "more/usual_mean": usual[0],
        "more/usual_variance": usual[1],
        "more/shares": shares,
        "more/settle": np.array([line.coef_[0, 0], line.intercept_[0]]),
    }
    return fitted


def size_rows(tables: list[Tables], kind: int) -> tuple[Array, list[str], Array]:
    """Features and log(true / apparent) length and width of all visible defects of one kind."""
    table = np.concatenate([t.spots for t in tables])
    size = np.concatenate([t.size for t in tables])
    label = np.concatenate([t.spot_label for t in tables])
    visible = np.concatenate([t.spot_visible for t in tables])
    good = (label == kind) & visible & np.isfinite(size[:, 0])
    table, size = table[good], size[good]
    blur = size[:, 4]
    length, width = apparent(SimpleNamespace(length_px=size[:, 2], width_px=size[:, 3]), blur)  # type: ignore[arg-type]
    target = np.column_stack((np.log(size[:, 0] / length), np.log(size[:, 1] / width)))
    return table, tables[0].spot_names, np.clip(target, -LARGEST_CORRECTION, LARGEST_CORRECTION)


def _sizes(some: list[Tables], other: list[Tables], kind: int, seed: int, members: int) -> Fitted:
    table, names, target = size_rows(some, kind)
    fitted = fit_numbers(table, names, target, SIZE_OUTPUTS[:2], seed=seed, members=members)
    folds = np.random.default_rng(seed).integers(0, 4, len(table))
    miss = np.zeros_like(target)
    for k in range(4):
        part = fit_numbers(
            table[folds != k], names, target[folds != k], SIZE_OUTPUTS[:2], seed=seed + 7, members=1
        )
        miss[folds == k] = _predict(part, table[folds == k]) - target[folds == k]
    spread = np.log(np.maximum(np.abs(miss), SMALLEST_MISS))
    sd = fit_numbers(table, names, spread, SIZE_OUTPUTS[2:], seed=seed + 50, members=members, alpha=0.03)
    held, _, truth = size_rows(other, kind)
    ratio = np.abs(_predict(fitted, held) - truth) / np.exp(_predict(sd, held))
    # one factor for each size, so that 68 and 95 of 100 held-out sizes lie within one and 1.96 sd
    share = np.quantile(ratio, [0.68, 0.95], axis=0)
    return beside(fitted, sd, np.log(np.maximum(share[0], share[1] / 1.96)), SIZE_OUTPUTS)


def _predict(fitted: Fitted, table: Array) -> Array:
    x = fitted.standard(table)
    return np.mean([net.predict(x) for net in fitted.members], 0)


def probabilities(fitted: Fitted, table: Array) -> Array:
    """Rows over CLASSES as the run-time learner will give them."""
    x = fitted.standard(table)
    mean = np.mean([net.predict_proba(x) for net in fitted.members], 0)
    known = softmax(np.log(np.maximum(mean, 1e-9)) * fitted.arrays["sharpness"] + fitted.arrays["prior"])
    out = np.zeros((len(table), len(CLASSES)))
    out[:, [CLASSES.index(str(v)) for v in fitted.arrays["outputs"]]] = known
    return out


def second_rows(heads: dict[str, Fitted], tail: str, photo: Tables) -> Array:
    """What `eye.name_spots` will say of one photo's spots."""
    again = heads[f"again_{tail}"]
    usual = (again.arrays["more/usual_mean"], again.arrays["more/usual_variance"])
    rows = probabilities(heads[f"spot_{tail}"], photo.spots)
    rows = probabilities(again, second_look.beside_dust(photo.spots, photo.spot_names, rows, usual)[0])
    rows = own_shares(without_scratch(rows), again.arrays["more/shares"])
    return second_look.settled(rows, *again.arrays["more/settle"])


def figures(heads: dict[str, Fitted], tables: list[Tables]) -> dict[str, float]:
    """Held-out figures that go into the file: how often the likeliest kind is right, and calibration
    error."""
    out: dict[str, float] = {}
    for tail, dark in (("dark", True), ("bright", False)):
        some = [t for t in tables if t.dark == dark]
        _, _, label, weight = columns(some, "spot")
        rows = np.concatenate([second_rows(heads, tail, t) for t in some if len(t.spots)])
        glass = (label < 2) & (weight == 1)
        score = rows[:, :2].sum(1)
        out[f"kind_right_{tail}"] = float(np.mean(rows[glass, :3].argmax(1) == label[glass]))
        out[f"calibration_error_{tail}"] = calibration_error(score, label < 2)
        for kind in SIZED:
            held, _, truth = size_rows(some, CLASSES.index(kind))
            miss = np.abs(np.exp(_predict(heads[f"{kind}_{tail}"], held)[:, 0] - truth[:, 0]) - 1)
            out[f"{kind}_length_median_error_{tail}"] = float(np.median(miss))
    return {name: round(float(value), 4) for name, value in out.items()}


def calibration_error(score: Array, true: Array, bins: int = 10) -> float:
    """Mean distance of stated probability and frequency, over bins of equal width weighted by their
    counts."""
    place = np.minimum((score * bins).astype(int), bins - 1)
    total = 0.0
    for k in range(bins):
        part = place == k
        if part.any():
            total += part.sum() * abs(float(score[part].mean()) - float(np.mean(true[part])))
    return total / max(len(score), 1)


def write(path: Path, heads: dict[str, Fitted], about: dict[str, Any]) -> None:
    """Write the weights; a file cut short never takes the place of a whole one."""
    data = {f"{name}/{key}": value for name, head in heads.items() for key, value in head.arrays.items()}
    data["about"] = json.dumps({"version": VERSION, "heads": list(heads), **about})
    part = path.with_suffix(".part.npz")
    np.savez_compressed(part, **data)
    part.replace(path)
