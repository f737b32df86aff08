"""The reasons of all rules on a sheet, in one world or in all worlds that its unknown sizes allow.

A rule that gives one answer in all worlds gives it, with a word on what was assumed. A rule that does not
is left open, and says which fault must be looked at. If some rule rejects in all worlds the sheet is
rejected; if every rule accepts in all worlds it is accepted. Where rules are left open all worlds may still
be rejected, now by one rule, now by another: that is looked for at the end. What cannot be shown is not
judged.

NotTogether looks at what all other rules count. It is kept in all worlds where some kind of fault has a
number allowed on the pane that none of its rules reaches even at its worst; else all worlds are judged, if
they are few.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field

from models.grades.case import Case, Sized
from models.grades.classes import ClassTable
from models.grades.questions import AnyOf, NotTogether, Question
from models.grades.rules import Origin, Rule, those
from models.grades.undecided import Asked, assumed, undecided
from models.grades.verdict import ACCEPT, NOT_JUDGED, REJECT, WEIGHT, Reason, outcome_of
from models.grades.worlds import Worlds, always, never_broken, worst_of


def settled(worlds: Worlds, counts: Callable[[Reason], bool]) -> list[Reason]:
    """The reasons of the grade's rules.

    counts : whether a reason that rejects may do so (one from memory may not).
    """
    rules = [rule for rule in worlds.pane.grade.rules if rule.when.holds(worlds.pane)]
    if not worlds.varying:
        return assumed(spoken(worlds.case(), rules), worlds)
    return _Settling(worlds, rules, counts).reasons()


def spoken(case: Case, rules: list[Rule]) -> list[Reason]:
    """What the rules say of one world."""
    reasons: list[Reason] = []
    for rule in rules:
        reasons += rule.judge(case)
    for rule in rules:
        if isinstance(rule, NotTogether):
            reasons += rule.after(reasons, rules)
    return reasons + uncovered(case)


def uncovered(case: Case) -> list[Reason]:
    """Faults on which no rule of the grade has a word."""
    ignored = {zone.name for zone in case.grade.zones if zone.ignored}
    left: dict[str, list[Sized]] = {}
    for fault in case.defects:
        if fault.index not in case.claimed and fault.zone not in ignored:
            where = f" in zone {fault.zone}" if fault.zone else ""
            left.setdefault(f"a {fault.kind}{where}", []).append(fault)
    return [
        Reason(
            "whole grade", f"no rule covers this: {what} ({those(faults)})",
            tuple(f.index for f in faults), None, len(faults), NOT_JUDGED, "uncovered", case.grade.source,
        )
        for what, faults in left.items()
    ]  # fmt: skip


@dataclass(slots=True)
class _Settling:
    worlds: Worlds
    rules: list[Rule]
    counts: Callable[[Reason], bool]
    sure: list[Reason] = field(default_factory=list)
    left_open: list[tuple[Asked, Worlds, Case]] = field(default_factory=list)
    at_worst: dict[str, list[list[Reason]]] = field(default_factory=dict)
    claimed: dict[Hashable, bool] = field(default_factory=dict)

    def reasons(self) -> list[Reason]:
        for rule in self.rules:
            if not isinstance(rule, NotTogether):
                self._rule(rule)
        for rule in self.rules:
            if isinstance(rule, NotTogether):
                self._together(rule)
        self._uncovered()
        sure = assumed(self.sure, self.worlds)
        if any(reason.outcome == REJECT and self.counts(reason) for reason in sure):
            return sure
        if len(self.left_open) > 1 and always(
            self.worlds, lambda case: self._rejects(case, whole=False), self._rejects
        ):
            return [*sure, self._in_each_world()]
        return sure + [reason for one in self.left_open for reason in undecided(*one)]

    def _rule(self, rule: Rule) -> None:
        worlds = self.worlds
        cases = worst_of(rule, worlds)
        answers = [rule.judge(case) for case in cases]
        self.at_worst[rule.origin.name] = [*answers, rule.judge(worlds.case())]
        weights = [WEIGHT[outcome_of(answer)] for answer in answers]
        most = max(weights)

        def as_bad(case: Case) -> bool:
            return WEIGHT[outcome_of(rule.judge(case))] >= most

        if most == WEIGHT[ACCEPT] and self._kept(rule):
            self.sure += answers[0]
        elif most > WEIGHT[ACCEPT] and always(worlds.before(rule), as_bad):
            self.sure += rule.judge(worlds.shortest())
        else:
            self.sure += rule.judge(worlds.case())
            worst = cases[weights.index(most)]
            asked = Asked(rule.origin, rule.judge, lambda way: rule.part(way, worlds.pane), rule)
            self.left_open.append((asked, worlds, worst))

    def _kept(self, rule: Rule) -> bool:
        """Whether a rule that accepts in the worlds looked at accepts in all."""
        if not isinstance(rule, AnyOf) or never_broken(rule, self.worlds):
            return True
        return self._same_in_all(rule.judge)

    def _same_in_all(self, says: Callable[[Case], list[Reason]]) -> bool:
        cases = self.worlds.all()
        return cases is not None and len({outcome_of(says(case)) for case in cases}) == 1

    def _together(self, rule: NotTogether) -> None:
        worlds = self.worlds

        def says(case: Case) -> list[Reason]:
            return rule.after([r for one in self.rules for r in one.judge(case)], self.rules)

        if self._never_all_full() or self._same_in_all(says):
            self.sure += says(worlds.longest())
        else:
            self.left_open.append((Asked(rule.origin, says, lambda way: True), worlds, worlds.longest()))

    def _never_all_full(self) -> bool:
        """Whether some kind surely has a number allowed, and none of its rules is ever at its maximum."""
        kinds = {
            rule.who.kinds
            for rule in self.rules
            if isinstance(rule, ClassTable) and any(r.limit for r in self.at_worst[rule.origin.name][-1])
        }
        for rule in self.rules:
            answers = self.at_worst.get(rule.origin.name, [])
            if any(r.limit and r.counted is not None and r.counted >= r.limit for a in answers for r in a):
                kinds.discard(rule.who.kinds)
            if isinstance(rule, Question) and rule.more_than:
                kinds.discard(rule.who.kinds)  # at its maximum below its worst, where it only asks
        return bool(kinds - {()})

    def _uncovered(self) -> None:
        """Faults on which no rule has a word, or none if they have some size."""
        worlds = self.worlds
        known = worlds.case()
        self._claims(known)
        self.sure += uncovered(known)
        ignored = {zone.name for zone in worlds.pane.grade.zones if zone.ignored}
        origin = Origin("uncovered", "whole grade", worlds.pane.grade.source)

        def says(case: Case) -> list[Reason]:
            self._claims(case)
            return [r for r in uncovered(case) if any(f.index in r.finds for f in worlds.varying)]

        for fault in worlds.varying:
            free = [way for way in fault.ways if way.zone not in ignored and not self._claimed(way)]
            if len(free) == len(fault.ways):
                self.sure += uncovered(worlds.pane.with_defects([fault.longest]))
            elif free:
                alone = Worlds(worlds.pane, (), (fault,), (fault,))
                asked = Asked(origin, says, lambda way: None if self._claimed(way) else True)
                self.left_open.append((asked, alone, alone.case([free[-1]])))

    def _claimed(self, way: Sized) -> bool:
        """Whether some rule has a word on the fault, which hangs on which rules look at it."""
        looked_at = tuple(rule.part(way, self.worlds.pane) is not None for rule in self.rules)
        if looked_at not in self.claimed:
            case = self.worlds.pane.with_defects([way])
            self._claims(case)
            self.claimed[looked_at] = bool(case.claimed)
        return self.claimed[looked_at]

    def _claims(self, case: Case) -> None:
        for rule in self.rules:
            rule.judge(case)

    def _rejects(self, case: Case, *, whole: bool = True) -> bool:
        """Whether the grade rejects a case; rules that hang on more than more faults only if it is whole."""
        rules = self.rules if whole else [rule for rule in self.rules if not isinstance(rule, NotTogether)]
        return any(reason.outcome == REJECT for reason in self._counting(spoken(case, rules)))

    def _counting(self, reasons: Iterable[Reason]) -> list[Reason]:
        return [reason for reason in reasons if reason.outcome != REJECT or self.counts(reason)]

    def _in_each_world(self) -> Reason:
        """The reason for a sheet that one rule rejects in some worlds and another in the others."""
        found = []
        for case in (self.worlds.shortest(), self.worlds.longest()):
            rejecting = [r for r in self._counting(spoken(case, self.rules)) if r.outcome == REJECT]
            found.append(rejecting[0])
        first, last = found
        unsure = [fault.longest for fault in self.worlds.varying]
        says = f"whatever the size of {those(unsure)}, a rule rejects: {first.says}"
        if last.says != first.says:
            says += f"; or else: {last.says}"
        finds = tuple(sorted({i for one in found for i in one.finds} | {f.index for f in unsure}))
        return Reason(
            first.clause, says, finds, None, None, REJECT, first.rule, first.source,
            all(one.remembered for one in found),
        )  # fmt: skip
