"""Finds that can be put together in several ways: one answer in each, or none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from models.grades.sheet import Reading
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, SAID, Reason, outcome_of


def in_every_reading(
    reasons: list[Reason], readings: Sequence[Reading], others: Sequence[list[Reason]]
) -> list[Reason]:
    """The reasons if all readings come to the same; else what keeps the sheet from being judged.

    reasons : of the sheet as it is given.  others : of the sheet in each of its other readings, whose finds
    are places in the reading's own list and are not handed on.
    """
    outcome = outcome_of(reasons)
    apart = [
        _apart(outcome, reading, other)
        for reading, other in zip(readings, others, strict=True)
        if outcome_of(other) != outcome
    ]
    if not apart:
        return reasons
    return apart + [_not_sure(reason) if reason.outcome == REJECT else reason for reason in reasons]


def _apart(outcome: str, reading: Reading, other: list[Reason]) -> Reason:
    otherwise = outcome_of(other)
    why = next((reason.says for reason in other if reason.outcome == otherwise != ACCEPT), "")
    says = (
        f"{reading.says.rstrip('.')}; as the finds are put together here the sheet would be "
        f"{SAID[outcome]}, the other way {SAID[otherwise]}{f' ({why})' if why else ''}"
    )
    return Reason(
        "how the finds belong together", says, reading.finds, None, len(reading.finds), NOT_JUDGED,
        "readings", "the photos of this sheet",
    )  # fmt: skip


def _not_sure(reason: Reason) -> Reason:
    return replace(reason, outcome=NOT_JUDGED, says=f"{reason.says}; not so in another reading of the finds")
