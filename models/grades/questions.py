"""Rules that a person answers, rules seen from a distance, and rules made of other rules."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal

from models.grades.case import Case, Sized
from models.grades.numbers import exact, plain
from models.grades.rules import Origin, Rule, Turn, When, Who, naming, reason, those
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, WEIGHT, Reason, outcome_of


@dataclass(frozen=True, slots=True)
class Question:
    """Something only a person can say: disturbing, bunched. An answer true means objectionable.

    The question arises when more than `more_than` faults that the rule is about are on the pane.
    """

    origin: Origin
    who: Who
    when: When
    name: str
    asks: str
    more_than: int = 0

    def judge(self, case: Case) -> list[Reason]:
        faults = self.who.members(case)
        case.claimed.update(fault.index for fault in faults)
        if not faults:
            return []
        if len(faults) <= self.more_than:
            says = f"{self.who.words()}: {len(faults)}, allowed without a question up to {self.more_than}"
            return [reason(self.origin, says, faults, limit=self.more_than, counted=len(faults))]
        answer = case.sheet.answers.get(self.name)
        if answer is None:
            says = f"{self.asks} ({those(faults)}): a person must answer"
            return [
                reason(
                    self.origin,
                    says,
                    faults,
                    outcome=NOT_JUDGED,
                    counted=len(faults),
                    open_question=self.name,
                )
            ]
        says = f"{self.asks} The answer was {'yes' if answer else 'no'}."
        outcome = REJECT if answer else ACCEPT
        return [reason(self.origin, says, faults, outcome=outcome, counted=len(faults))]

    def words(self) -> list[str]:
        return [f"{self.who.words()}: {self.asks} A person answers; yes rejects."]

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return True if self.who.takes(fault) else None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return self.who.turns(fault)


@dataclass(frozen=True, slots=True)
class SeenFrom:
    """Nothing of the kind may be seen from this distance; what is only seen closer is allowed."""

    origin: Origin
    who: Who
    when: When
    distance: Decimal

    def judge(self, case: Case) -> list[Reason]:
        faults = self.who.members(case)
        case.claimed.update(fault.index for fault in faults)
        unknown = [f for f in faults if f.defect.detection_distance_mm is None]
        seen = [f for f in faults if f not in unknown and self.forbids(f)]
        reasons = [
            reason(
                self.origin,
                f"{naming(f)}: its detection distance has not been entered, "
                f"{plain(self.distance)} mm decides",
                [f],
                outcome=NOT_JUDGED,
                counted=1,
            )
            for f in unknown
        ]
        closer = [f for f in faults if f not in seen and f not in unknown]
        if seen or closer:
            what = f"{self.who.words()} seen from {plain(self.distance)} mm"
            says = f"{what}: {len(seen)} counted, none allowed"
            outcome = REJECT if seen else ACCEPT
            reasons.append(
                reason(self.origin, says, seen or closer, outcome=outcome, limit=0, counted=len(seen))
            )
        return reasons

    def forbids(self, fault: Sized) -> bool:
        """Whether the fault may not be on the pane: seen from the distance, or nobody knows."""
        seen_at = fault.defect.detection_distance_mm
        return seen_at is None or exact(seen_at) >= self.distance

    def words(self) -> list[str]:
        return [f"{self.who.words()}: none may be seen from {plain(self.distance)} mm"]

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return True if self.who.takes(fault) else None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return self.who.turns(fault)


@dataclass(frozen=True, slots=True)
class AnyOf:
    """Kept if one of several rules is kept."""

    origin: Origin
    who: Who
    when: When
    rules: tuple[Rule, ...]

    def judge(self, case: Case) -> list[Reason]:
        answers = [rule.judge(case) for rule in self.rules if rule.when.holds(case)]
        return min(answers, key=lambda reasons: WEIGHT[outcome_of(reasons)], default=[])

    def words(self) -> list[str]:
        return ["either " + "; or ".join("; ".join(rule.words()) for rule in self.rules)]

    def ends(self, fault: Sized) -> list[Turn]:
        return [end for rule in self.rules for end in rule.ends(fault)]

    @property
    def grows(self) -> bool:
        return any(rule.grows for rule in self.rules)

    def part(self, fault: Sized, case: Case) -> Hashable:
        parts = tuple(rule.part(fault, case) for rule in self.rules if rule.when.holds(case))
        return parts if any(part is not None for part in parts) else None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return [turn for rule in self.rules for turn in rule.turns(fault, case)]


@dataclass(frozen=True, slots=True)
class NotTogether:
    """The permitted faults may not all be at their maximum in one pane.

    Looked at when the other rules have spoken: it rejects when every kind for which a number is allowed on
    such a pane has one of its classes full, and there are two such kinds or more.
    """

    origin: Origin
    who: Who
    when: When

    def judge(self, case: Case) -> list[Reason]:
        return []

    def after(self, reasons: list[Reason], rules: list[Rule]) -> list[Reason]:
        """The rule's word once all other reasons are known."""
        kind = {rule.origin.name: rule.who.kinds for rule in rules}
        limited = [r for r in reasons if r.limit and r.counted is not None and kind.get(r.rule)]
        full = [r for r in limited if r.counted is not None and r.limit and r.counted >= r.limit]
        kinds_limited, kinds_full = {kind[r.rule] for r in limited}, {kind[r.rule] for r in full}
        if not full:
            return []
        finds = tuple(sorted({i for r in full for i in r.finds}))
        says = (
            f"permitted faults may not all be at their maximum in one pane: "
            f"{len(kinds_full)} of {len(kinds_limited)} kinds are"
        )
        outcome = REJECT if kinds_full == kinds_limited and len(kinds_full) > 1 else ACCEPT
        o = self.origin
        return [
            Reason(
                o.clause,
                says,
                finds,
                len(kinds_limited) - 1,
                len(kinds_full),
                outcome,
                o.name,
                o.source,
                o.remembered,
            )
        ]

    def words(self) -> list[str]:
        return ["permitted faults may not all be at their maximum in one pane"]

    def ends(self, fault: Sized) -> list[Turn]:
        return []

    @property
    def grows(self) -> bool:
        return False

    def part(self, fault: Sized, case: Case) -> Hashable:
        return None

    def turns(self, fault: Sized, case: Case) -> list[Turn]:
        return []
