"""Fit all heads on tables of many photos. What they say is asked of them as an inspection asks (`naming`)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression  # type: ignore[import-untyped]

from vision.classification import naming
from vision.classification.calibration import log_odds
from vision.classification.classes import CLASSES, DUST, SPOT_DEFECTS, without_scratch
from vision.classification.context import compared, context_features
from vision.classification.networks import Head
from vision.classification.priors import with_photo_priors
from vision.detection.spot_sizes import LARGEST_CORRECTION, SIZE_OUTPUTS, apparent_px
from vision.training.export import calibrated, fit_classes, fit_numbers, side_by_side
from vision.training.gather import Tables

Array = NDArray[Any]
UNSEEN_WEIGHT = 0.15
"""Weight of a defect that nobody can see, against 1 of one that shows (by hand)."""
SMALLEST_MISS = 0.004
"""Log ratios of sizes nearer than this count as equal (by hand)."""
SIZED = ("bubble", "stone")
SPOT_LAYERS, LINE_LAYERS = (96, 48), (48, 24)
FOLDS = 3


def fit_all(training: list[Tables], choosing: list[Tables], seed: int, members: int = 3) -> dict[str, Head]:
    """Heads by name: spot_*, spot_context_*, line_* (classes), bubble_* and stone_* (sizes) for dark and
    bright field.

    training : crowded photos; choosing : photos as they come from the line, which set the calibration
    """
    heads: dict[str, Head] = {}
    for tail, dark in (("dark", True), ("bright", False)):
        some = [t for t in training if t.dark == dark]
        other = [t for t in choosing if t.dark == dark]
        heads[f"spot_{tail}"] = _classes(some, other, "spot", seed, members)
        heads[f"spot_context_{tail}"] = _context(some, other, heads[f"spot_{tail}"], seed + 300, members)
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


def _classes(some: list[Tables], other: list[Tables], what: str, seed: int, members: int) -> Head:
    table, names, label, weight = columns(some, what)
    hidden = SPOT_LAYERS if what == "spot" else LINE_LAYERS
    head = fit_classes(table, names, label, CLASSES, weight, seed=seed, members=members, hidden=hidden)
    table, _, label, weight = columns(other, what)
    return calibrated(head, table, label, CLASSES, weight)


def _context(some: list[Tables], other: list[Tables], first: Head, seed: int, members: int) -> Head:
    """Scores in the context of the photo: what the other spots of a photo are by themselves comes from
    networks that were not trained on that photo, as it is at work.
    """
    some, other = [t for t in some if len(t.spots)], [t for t in other if len(t.spots)]
    table, names, label, weight = columns(some, "spot")
    dust = compared(table, names)[label == DUST]
    general = (dust.mean(0), dust.var(0))
    # a photo and its twin, of one seed, stay together; even and odd seeds are the two lightings
    fold = np.array([t.seed // 2 % FOLDS for t in some])
    rows: list[Array] = [np.empty(0)] * len(some)
    for k in range(FOLDS):
        part, _, part_label, part_weight = columns(
            [t for t, f in zip(some, fold, strict=True) if f != k], "spot"
        )
        helper = fit_classes(
            part, names, part_label, CLASSES, part_weight, seed=seed + k, members=1, hidden=SPOT_LAYERS
        )
        for i in np.flatnonzero(fold == k):
            rows[i] = naming.class_scores(helper, some[i].spots, names)
    more = [context_features(t.spots, names, r, general) for t, r in zip(some, rows, strict=True)]
    head = fit_classes(
        np.concatenate([m[0] for m in more]),
        more[0][1],
        label,
        CLASSES,
        weight,
        seed=seed,
        members=members,
        hidden=SPOT_LAYERS,
    )
    head = replace(head, more={"dust_mean": general[0], "dust_variance": general[1]})
    by_itself = [naming.class_scores(first, t.spots, names) for t in other]
    held = [context_features(t.spots, names, r, general)[0] for t, r in zip(other, by_itself, strict=True)]
    _, _, label, weight = columns(other, "spot")
    head = calibrated(head, np.concatenate(held), label, CLASSES, weight)
    scored = [
        without_scratch(naming.context_scores(head, t.spots, names, r))
        for t, r in zip(other, by_itself, strict=True)
    ]
    priors = np.concatenate(scored).mean(0)
    after = np.concatenate([with_photo_priors(rows, priors) for rows in scored])
    score = log_odds(after[:, SPOT_DEFECTS].sum(1))
    line = LogisticRegression(C=1e6).fit(score[:, None], np.isin(label, SPOT_DEFECTS), weight)
    platt = np.array([line.coef_[0, 0], line.intercept_[0]])
    return replace(head, more={**head.more, "class_priors": priors, "platt": platt})


def size_rows(tables: list[Tables], kind: int) -> tuple[Array, list[str], Array]:
    """Features and log(true / apparent) length and width of all visible defects of one kind."""
    table = np.concatenate([t.spots for t in tables])
    size = np.concatenate([t.size for t in tables])
    label = np.concatenate([t.spot_label for t in tables])
    visible = np.concatenate([t.spot_visible for t in tables])
    good = (label == kind) & visible & np.isfinite(size[:, 0])
    table, size = table[good], size[good]
    blur = size[:, 4]
    length, width = apparent_px(size[:, 2], blur), apparent_px(size[:, 3], blur)
    target = np.column_stack((np.log(size[:, 0] / length), np.log(size[:, 1] / width)))
    return table, tables[0].spot_names, np.clip(target, -LARGEST_CORRECTION, LARGEST_CORRECTION)


def _sizes(some: list[Tables], other: list[Tables], kind: int, seed: int, members: int) -> Head:
    table, names, target = size_rows(some, kind)
    head = fit_numbers(table, names, target, SIZE_OUTPUTS[:2], seed=seed, members=members)
    folds = np.random.default_rng(seed).integers(0, 4, len(table))
    miss = np.zeros_like(target)
    for k in range(4):
        part = fit_numbers(
            table[folds != k], names, target[folds != k], SIZE_OUTPUTS[:2], seed=seed + 7, members=1
        )
        miss[folds == k] = part.numbers(table[folds == k], names) - target[folds == k]
    spread = np.log(np.maximum(np.abs(miss), SMALLEST_MISS))
    sd = fit_numbers(table, names, spread, SIZE_OUTPUTS[2:], seed=seed + 50, members=members, alpha=0.03)
    held, _, truth = size_rows(other, kind)
    ratio = np.abs(head.numbers(held, names) - truth) / np.exp(sd.numbers(held, names))
    # one factor for each size, so that 68 and 95 of 100 held-out sizes lie within one and 1.96 sd
    share = np.quantile(ratio, [0.68, 0.95], axis=0)
    return side_by_side(head, sd, np.log(np.maximum(share[0], share[1] / 1.96)), SIZE_OUTPUTS)


def spot_rows(heads: dict[str, Head], tail: str, photo: Tables) -> Array:
    """Class probabilities (N, classes) of one photo's spots, as an inspection gives them."""
    pair = heads[f"spot_{tail}"], heads[f"spot_context_{tail}"]
    return naming.spot_scores(pair, photo.spots, photo.spot_names)


def figures(heads: dict[str, Head], tables: list[Tables]) -> dict[str, float]:
    """Held-out figures that go into the file: how often the likeliest kind is right, and calibration
    error."""
    out: dict[str, float] = {}
    for tail, dark in (("dark", True), ("bright", False)):
        some = [t for t in tables if t.dark == dark]
        _, _, label, weight = columns(some, "spot")
        rows = np.concatenate([spot_rows(heads, tail, t) for t in some if len(t.spots)])
        glass = (label < 2) & (weight == 1)
        score = rows[:, :2].sum(1)
        out[f"kind_right_{tail}"] = float(np.mean(rows[glass, :3].argmax(1) == label[glass]))
        out[f"calibration_error_{tail}"] = calibration_error(score, label < 2)
        for kind in SIZED:
            held, names, truth = size_rows(some, CLASSES.index(kind))
            estimate = heads[f"{kind}_{tail}"].numbers(held, names)
            miss = np.abs(np.exp(estimate[:, 0] - truth[:, 0]) - 1)
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
