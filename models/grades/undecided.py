"""What is said where a fault's size decides and is not known: which fault, from which size on, what to do."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_FLOOR, Decimal
from itertools import pairwise

from models.grades.case import Case, Sized, sized
from models.grades.names import called
from models.grades.numbers import plain
from models.grades.onward import goes_on_as_line
from models.grades.rules import Origin, Rule, reason, those
from models.grades.verdict import ACCEPT, NOT_JUDGED, WEIGHT, Reason, outcome_of
from models.grades.ways import HAIR_MM, Unsure, at_most_words
from models.grades.worlds import Worlds, same_in_all

OPEN_LINE = "its end lies outside the photos: photograph there"
OPEN_SPOT = "it lies on the border of its photo and may be larger: photograph there"

_EACH_BY_ITSELF = 12
_HALVINGS = 40
_KEPT = Decimal("0.001")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a rule makes of a case and takes one fault for; `rule` itself, if it stands for itself."""

    origin: Origin
    says: Callable[[Case], list[Reason]]
    part: Callable[[Sized], Hashable]
    rule: Rule | None = None


def undecided(asked: Asked, worlds: Worlds, worst: Case) -> list[Reason]:
    """One reason for all faults too small to size that are alike, and one for each that is open.

    worst : a world in which the answer is worse than in another.
    """
    grouped: dict[tuple[Decimal, Decimal | None], list[Unsure]] = {}
    reasons = []
    worst_says = asked.says(worst)
    heaviest = max(worst_says, key=lambda r: WEIGHT.get(r.outcome, 0), default=None)
    at_worst = "" if heaviest is None or heaviest.outcome == ACCEPT else f"; at worst: {heaviest.says}"
    question = "" if heaviest is None else heaviest.open_question
    for fault, limit in _limits(asked, worlds, worst):
        if fault.is_open:
            says = _open(fault, limit) + at_worst
            reasons.append(_reason(asked.origin, says, [fault], question))
        else:
            grouped.setdefault((fault.high, limit), []).append(fault)
    for (_, limit), faults in grouped.items():
        says = _too_small(faults, limit) + at_worst
        reasons.append(_reason(asked.origin, says, faults, question))
    return reasons


def assumed(reasons: Iterable[Reason], worlds: Worlds) -> list[Reason]:
    """The reasons, each with a word on those of its faults whose size is unknown and makes no difference."""
    unsure = {fault.index: fault for fault in worlds.unsure}
    if not unsure:
        return list(reasons)
    told = []
    for one in reasons:
        grouped: dict[tuple[bool, Decimal], list[Unsure]] = {}
        for fault in (unsure[i] for i in one.finds if i in unsure):
            grouped.setdefault((fault.is_open, Decimal(0) if fault.is_open else fault.high), []).append(fault)
        more = "".join(f"; so with {_whatever(faults)}" for faults in grouped.values())
        told.append(replace(one, says=one.says + more) if more else one)
    return told


def _reason(origin: Origin, says: str, faults: list[Unsure], question: str) -> Reason:
    marks = tuple({"open_end": [x, y]} for fault in faults for x, y in fault.defect.open_at_mm)
    return reason(
        origin, says, [fault.longest for fault in faults], outcome=NOT_JUDGED, counted=len(faults),
        marks=marks, open_question=question,
    )  # fmt: skip


def _open(fault: Unsure, limit: Decimal | None) -> str:
    line = goes_on_as_line(fault.defect)
    says = f"{called([fault.name])}: {OPEN_LINE if line else OPEN_SPOT}"
    if limit is not None:
        says += f"; the answer changes at {'a length' if line else 'a size'} of {plain(limit)} mm"
    return says


def _too_small(faults: list[Unsure], limit: Decimal | None) -> str:
    one, high = len(faults) == 1, faults[0].high
    names = those([fault.longest for fault in faults])
    if faults[0].bounded:
        says = f"{names} {'is' if one else 'are'} too small to size in {'its' if one else 'their'} photo"
        says += f" (at most {at_most_words(high)})"
        how = ""
    else:
        says = f"{names} {'has' if one else 'have'} no size"
        how = ", or measure by hand"
    if limit is None:
        return f"{says} and the answer depends on it: take a close-up{how}"
    from_mm = plain(limit)
    return f"{says}; the answer changes at {from_mm} mm: take a close-up that sizes from {from_mm} mm{how}"


def _whatever(faults: list[Unsure]) -> str:
    names, first = those([fault.longest for fault in faults]), faults[0]
    its = "its" if len(faults) == 1 else "their"
    if first.is_open:
        goes = "however far it goes" if len(faults) == 1 else "however far they go"
        return f"{names}, {goes} on outside the photos"
    up_to = f" up to {at_most_words(first.high)}" if first.bounded else ""
    return f"{names}, whatever {its} size{up_to}"


def _limits(asked: Asked, worlds: Worlds, worst: Case) -> list[tuple[Unsure, Decimal | None]]:
    """The faults on which the answer hangs, each with the least length in mm at which it changes.

    Those that change it by themselves, beside the known faults alone or beside all others at their worst;
    and all that are looked at, where the others still change it together. A close-up must size from a length
    below which all faults too small to size together change nothing.
    """
    looked_at = [
        f for f in worlds.varying if any(asked.part(s) is not None for line in f.steps for s in line)
    ]
    alone: dict[int, tuple[bool, Decimal | None]] = {}
    if len(looked_at) <= _EACH_BY_ITSELF:
        beside = {way.index: way for way in worst.defects}
        for fault in looked_at:
            others = [beside[one.index] for one in worlds.varying if one.index != fault.index]
            least = [_by_itself(asked, worlds, fault, company) for company in ([], others)]
            limits = [limit for _, limit in least if limit is not None]
            alone[fault.index] = any(changes for changes, _ in least), min(limits, default=None)
    hanging = [fault for fault in looked_at if alone.get(fault.index, (False, None))[0]]
    if not hanging or asked.rule is None or not _enough(hanging, looked_at, asked.rule, worlds):
        hanging = looked_at
    together = None if asked.rule is None else _first_change(asked.rule, asked, worlds)
    return [
        (
            fault,
            together if together is not None and not fault.is_open else alone.get(fault.index, (0, None))[1],
        )
        for fault in hanging
    ]


def _enough(hanging: list[Unsure], looked_at: list[Unsure], rule: Rule, worlds: Worlds) -> bool:
    """Whether the other faults that a rule looks at change nothing without those on which it hangs."""
    named = {fault.index for fault in hanging}
    others = tuple(fault for fault in looked_at if fault.index not in named)
    return not others or same_in_all(rule, replace(worlds, varying=others))


def _first_change(rule: Rule, asked: Asked, worlds: Worlds) -> Decimal | None:
    """The largest length such that it makes no difference how large the faults below it are; None where the
    rule takes them for the same whatever their size.
    """
    small = [fault for fault in worlds.varying if not fault.is_open]
    turns = sorted(
        {
            _cut(a, b)
            for fault in small
            for line in fault.steps
            for a, b in pairwise(line)
            if asked.part(a) != asked.part(b)
        }
    )
    for turn, following in pairwise(turns):
        ways = [[step for line in f.steps for step in line if step.length < following] for f in small]
        below = [replace(f, ways=tuple(w)) for f, w in zip(small, ways, strict=True) if w]
        if not same_in_all(rule, replace(worlds, varying=tuple(below))):
            return turn
    return turns[-1] if turns else None


def _by_itself(
    asked: Asked, worlds: Worlds, fault: Unsure, company: Sequence[Sized]
) -> tuple[bool, Decimal | None]:
    """(whether the answer hangs on the fault beside this company, the least length at which it changes)."""

    def weight(way: Sized) -> int:
        return WEIGHT[outcome_of(asked.says(worlds.case([*company, way])))]

    outcomes, limits = set(), []
    for line in fault.steps:
        weights = [weight(step) for step in line]
        outcomes |= set(weights)
        for (a, b), (before, after) in zip(pairwise(line), pairwise(weights), strict=True):
            if before != after:
                narrow = _narrowed(a, b, before, weight, worlds.pane)
                limits.append(_cut(*narrow))
    return len(outcomes) > 1, min(limits, default=None)


def _narrowed(
    a: Sized, b: Sized, before: int, weight: Callable[[Sized], int], pane: Case
) -> tuple[Sized, Sized]:
    """Two lengths a hair apart between which the answer changes, from two further apart."""
    for _ in range(_HALVINGS):
        if b.length - a.length <= 2 * HAIR_MM:
            break
        middle = float((a.length + b.length) / 2)
        way = sized(a.index, replace(a.defect, length_mm=middle), pane, a.bounds)
        if weight(way) == before:
            a = way
        else:
            b = way
    return a, b


def _cut(a: Sized, b: Sized) -> Decimal:
    """The limit between two lengths: a number of few digits near both, else the longer one rounded down."""
    for digits in range(4):
        value = a.length.quantize(Decimal(1).scaleb(-digits))
        if max(abs(value - a.length), abs(value - b.length)) <= 2 * HAIR_MM:
            return value
    return b.length.quantize(_KEPT, rounding=ROUND_FLOOR)
