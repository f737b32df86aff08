"""What each thing is: probabilities over bubble, stone, scratch and everything that is not in the glass."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.results import DARK_FIELD, KINDS, NOT_GLASS

Array = NDArray[Any]
NOISE = "noise"
CLASSES = (*KINDS, *NOT_GLASS, NOISE)
# less than an even chance: a defect that ships costs more than a look at a grain of dust
REPORT_SCORE = 0.3
LIST_SCORE = 0.04
LIST_REAL = 0.5


def suffix(lighting: str) -> str:
    """Which set of weights belongs to a lighting."""
    return "dark" if lighting == DARK_FIELD else "bright"


def spread_out(probabilities: Array, outputs: tuple[str, ...]) -> Array:
    """Probabilities in the order of `CLASSES`; classes that a head does not know get 0."""
    table = np.zeros((len(probabilities), len(CLASSES)), np.float32)
    for i, name in enumerate(outputs):
        table[:, CLASSES.index(name)] = probabilities[:, i]
    return table


def defect_score(table: Array) -> Array:
    """Probability of being a defect of the glass, from rows over `CLASSES`."""
    score: Array = table[:, : len(KINDS)].sum(1)
    return score


def without_scratch(table: Array) -> Array:
    """Spots that look like a piece of a scratch count as noise: the line they belong to is a find of its
    own."""
    moved = table.copy()
    scratch = CLASSES.index("scratch")
    moved[:, -1] += moved[:, scratch]
    moved[:, scratch] = 0
    return moved


def worth_listing(table: Array) -> NDArray[np.bool_]:
    """Rows that an inspector should see: perhaps a defect, or surely something on the glass."""
    listed: NDArray[np.bool_] = (defect_score(table) >= LIST_SCORE) | (table[:, -1] < 1 - LIST_REAL)
    return listed


def kind_scores(row: Array) -> dict[str, float]:
    """The four probabilities of a result file; they sum to 1."""
    scores = {kind: float(row[i]) for i, kind in enumerate(KINDS)}
    scores["not_glass"] = max(0.0, 1.0 - sum(scores.values()))
    return scores
