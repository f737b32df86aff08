"""Things on the glass or in the picture that are not in the glass: called what they are, never dropped
silently."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from vision.results import KINDS, NOT_GLASS

Array = NDArray[Any]


def not_glass_scores(row: Array) -> dict[str, float]:
    """Share of each thing in what is not glass, from one row over `kinds.CLASSES`. Noise counts as dust.

    What the learner takes for a quirk of the noise looks to the inspector like the faintest dust there is.
    """
    first = len(KINDS)
    part = row[first : first + len(NOT_GLASS)].astype(float).copy()
    part[NOT_GLASS.index("dust")] += float(row[first + len(NOT_GLASS)])
    total = float(part.sum())
    if total <= 0:
        return {name: 1.0 / len(NOT_GLASS) for name in NOT_GLASS}
    return {name: float(value / total) for name, value in zip(NOT_GLASS, part, strict=True)}


def name_of(row: Array, score: float, report_score: float) -> str | None:
    """None for a defect of the glass, else the likeliest name of what it is."""
    if score >= report_score:
        return None
    scores = not_glass_scores(row)
    return max(scores, key=lambda name: scores[name])
