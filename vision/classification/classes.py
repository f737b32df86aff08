"""What each thing is: probabilities over bubble, stone, scratch, surface artefacts and noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.results import ARTEFACTS, DARK_FIELD, KINDS

Rows = NDArray[np.floating]
NOISE = "noise"
CLASSES = (*KINDS, *ARTEFACTS, NOISE)
DUST = CLASSES.index("dust")
SPOT_DEFECTS = [CLASSES.index("bubble"), CLASSES.index("stone")]
"""Columns of the defects that are spots."""

# Probabilities, set by hand. The first is less than an even chance because a defect that ships costs more
# than a look at a grain of dust; tests/bench/detection.py counts what it misses and what it calls falsely.
REPORT_SCORE = 0.3
"""From this score on a find counts as a defect; below, as a surface artefact."""
LIST_SCORE = 0.04
"""A find of at least this score is listed whatever else it may be."""
LIST_REAL = 0.5
"""A find that is noise with less than 1 - this probability is listed."""


def suffix(lighting: str) -> str:
    """Which set of weights belongs to a lighting."""
    return "dark" if lighting == DARK_FIELD else "bright"


def spread_out(probabilities: Rows, outputs: tuple[str, ...]) -> Rows:
    """Probabilities (N, outputs) in the order of `CLASSES`, float32 (N, classes); a class without output gets
    0.

    Raises ValueError for an output that is no class.
    """
    table = np.zeros((len(probabilities), len(CLASSES)), np.float32)
    for i, name in enumerate(outputs):
        table[:, CLASSES.index(name)] = probabilities[:, i]
    return table


def defect_score(rows: Rows) -> Rows:
    """Probability of being a defect of the glass, shape (N,), from rows (N, classes)."""
    score: Rows = rows[:, : len(KINDS)].sum(1)
    return score


def without_scratch(rows: Rows) -> Rows:
    """Rows (N, classes) in which spots that look like a piece of a scratch count as noise: the line they
    belong to is a find of its own."""
    moved = rows.copy()
    scratch = CLASSES.index("scratch")
    moved[:, -1] += moved[:, scratch]
    moved[:, scratch] = 0
    return moved


def worth_listing(rows: Rows) -> NDArray[np.bool_]:
    """Rows (N,) that an inspector should see: perhaps a defect, or surely something on the glass."""
    listed: NDArray[np.bool_] = (defect_score(rows) >= LIST_SCORE) | (rows[:, -1] < 1 - LIST_REAL)
    return listed


def kind_scores(row: Rows) -> dict[str, float]:
    """The four probabilities of a result file, from one row (classes,); they sum to 1."""
    scores = {kind: float(row[i]) for i, kind in enumerate(KINDS)}
    scores["not_glass"] = max(0.0, 1.0 - sum(scores.values()))
    return scores


def artefact_scores(row: Rows) -> dict[str, float]:
    """Share of each surface artefact in what is no defect, from one row (classes,); they sum to 1.

    Noise counts as dust: what the networks take for a quirk of the noise looks to the inspector like the
    faintest dust there is. A row without any artefact gives equal shares.
    """
    first = len(KINDS)
    part = row[first : first + len(ARTEFACTS)].astype(float).copy()
    part[ARTEFACTS.index("dust")] += float(row[first + len(ARTEFACTS)])
    total = float(part.sum())
    if total <= 0:
        return {name: 1.0 / len(ARTEFACTS) for name in ARTEFACTS}
    return {name: float(value / total) for name, value in zip(ARTEFACTS, part, strict=True)}


def artefact_of(row: Rows, score: float, report_score: float = REPORT_SCORE) -> str | None:
    """The likeliest surface artefact, None for a defect of the glass: one whose score reaches the limit."""
    if score >= report_score:
        return None
    scores = artefact_scores(row)
    return max(scores, key=lambda name: scores[name])
