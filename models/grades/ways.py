"""The sizes that a fault can have where the photos do not tell, as few of them as a grade can tell apart.

A fault too small to be sized has any length above 0 and below the smallest that its photo can measure: a
fault of that very length has been measured. A fault that runs out of the photos has at least the length that
they show. No rule looks at a length but through its limits (`Rule.turns`) or, where it `grows`, as a sum or
a rim, for which more is never better. So it is enough to look at each limit, at a hair (a millionth of a
millimetre) on either side of it, and at both ends of the range; of all these the ones are kept that differ
in what some rule takes the fault for (`Rule.part`) or in whether their zone is judged at all, and where a
rule grows the shortest, longest, smallest and largest of each kind.

A limit on the size is brought back to the length: size s is met by length s, by s / f where a halo makes the
size f times the nucleus, and by 2 s - w where length and width w are averaged. One solution too many does no
harm, so all are tried.

An open line goes on straight from its open end, at the most to the sheet's edge, and may reach zones further
in on its way; its length may grow by the sheet's diagonal for each open end. An open spot may be larger in
all that was measured of it: length, width and halo.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise, product
from typing import Protocol

from models.grades.case import Case, Sized, sized
from models.grades.numbers import exact, plain
from models.grades.onward import goes_on_as_line, going_on
from models.grades.sheet import DefectToJudge, SheetToJudge, size_at_most

HAIR_MM = Decimal("0.000001")
"""How near a limit is looked at on either side; far below what any photo can measure."""

FAR_MM = Decimal(1_000_000)
"""Stands for a size that nothing bounds: a kilometre, beyond every limit of every grade."""


class Asker(Protocol):
    """What asks for a fault's size: a rule, or an average over a pack."""

    @property
    def grows(self) -> bool: ...

    def part(self, fault: Sized, case: Case) -> Hashable: ...

    def turns(self, fault: Sized, case: Case) -> list[tuple[str, Decimal]]: ...


@dataclass(frozen=True, slots=True)
class Unsure:
    """A fault whose size is not known, with one way for each size that makes a difference.

    ways : by length.  steps : first and last length of each stretch in which nothing changes, by length;
    one list for what is seen of the fault, and one for each other course or width that it may have.
    low, high : the range of its length in mm; high FAR_MM where nothing bounds it.
    """

    index: int
    defect: DefectToJudge
    ways: tuple[Sized, ...]
    steps: tuple[tuple[Sized, ...], ...]
    low: Decimal
    high: Decimal

    @property
    def name(self) -> str:
        return self.ways[0].name

    @property
    def is_open(self) -> bool:
        return bool(self.defect.open_at_mm)

    @property
    def bounded(self) -> bool:
        return self.high < FAR_MM

    @property
    def longest(self) -> Sized:
        return self.ways[-1]


def is_unsure(defect: DefectToJudge) -> bool:
    """Whether the defect may have more than one size."""
    return defect.length_mm is None or bool(defect.open_at_mm)


def length_range(defect: DefectToJudge, sheet: SheetToJudge) -> tuple[Decimal, Decimal]:
    """(low, high) in mm of the length of a defect whose size is not known.

    Not 0 itself, and not `high` itself where that is the smallest size that can be measured.
    """
    if defect.length_mm is None:
        at_most = size_at_most(defect, sheet)
        low, high = Decimal(0), FAR_MM if at_most is None else at_most
    else:
        low = high = exact(defect.length_mm)
    if defect.open_at_mm and high < FAR_MM:
        width, length = exact(sheet.width_mm), exact(sheet.length_mm)
        high += (width * width + length * length).sqrt() * len(defect.open_at_mm)
    return low, high


class WaysOf:
    """Finds the ways of faults before a list of rules; `anywhere` tells them apart in every zone, as on
    pieces.
    """

    def __init__(self, case: Case, rules: Sequence[Asker], *, anywhere: bool = False) -> None:
        self.case, self.rules = case, rules
        self.zones = [zone.name for zone, _, _ in case.bands] if anywhere else []
        # in a zone that is not judged a fault needs no rule that has a word on it
        self.ignored = {zone.name for zone, _, _ in case.bands if zone.ignored}
        self._alike: dict[Hashable, tuple[list[Sized], list[list[Sized]]]] = {}

    def find(self, index: int, defect: DefectToJudge) -> Unsure:
        """The fault with its ways."""
        low, high = length_range(defect, self.case.sheet)
        bounds = _bounds(defect, high)
        if defect.open_at_mm:
            ways, steps = self._told_apart(self._open(index, defect, low, high, bounds))
        else:
            base = sized(index, replace(defect, length_mm=float(high)), self.case, bounds)
            key = (
                base.kind, base.zone, base.intensity, base.width, defect.halo_mm, defect.depth_mm, low, high,
            )  # fmt: skip
            if key not in self._alike:
                self._alike[key] = self._told_apart([self._along(base, low, high, bounds)])

            def own(like: Sized) -> Sized:
                length = like.defect.length_mm
                return replace(
                    like, index=index, x=base.x, y=base.y, defect=replace(defect, length_mm=length)
                )

            ways, steps = self._alike[key]
            if ways[0].index != index:
                ways, steps = [own(way) for way in ways], [[own(step) for step in line] for line in steps]
        return Unsure(index, defect, tuple(ways), tuple(tuple(line) for line in steps), low, high)

    def _along(self, base: Sized, low: Decimal, high: Decimal, bounds: str) -> Iterator[Sized]:
        """The fault with every length that may make a difference, the shortest first."""
        end_in = base.defect.open_at_mm or low == high
        for length in _lengths(self._limits(base), low, high, end_in=bool(end_in)):
            yield sized(base.index, replace(base.defect, length_mm=float(length)), self.case, bounds)

    def _open(
        self, index: int, defect: DefectToJudge, low: Decimal, high: Decimal, bounds: str
    ) -> Iterator[Iterator[Sized]]:
        for further, longer in self._variants(index, defect, low):
            base = sized(index, replace(longer, length_mm=float(high)), self.case, bounds)
            yield self._along(base, min(low + further, high), high, bounds)

    def _variants(
        self, index: int, defect: DefectToJudge, low: Decimal
    ) -> Iterator[tuple[Decimal, DefectToJudge]]:
        """The open fault as it is seen and as it may be, with the least mm that it must then be longer."""
        if goes_on_as_line(defect):
            yield Decimal(0), defect
            for further, point in going_on(defect, self.case):
                yield further, replace(defect, path_mm=(*defect.path_mm, point))
            return
        base = sized(index, replace(defect, length_mm=float(low)), self.case)
        turns = [turn for rule in self.rules for turn in rule.turns(base, self.case)]
        across = self._larger(defect.width_mm, [end for measure, end in turns if measure == "width"])
        halos = self._larger(defect.halo_mm, [end for measure, end in turns if measure == "halo"])
        for width, halo in product(across, halos):
            yield Decimal(0), replace(defect, width_mm=width, halo_mm=halo)

    def _larger(self, least: float | None, limits: list[Decimal]) -> list[float | None]:
        if least is None or not limits:
            return [least]
        return [float(value) for value in _lengths(set(limits), exact(least), FAR_MM, end_in=True)]

    def _limits(self, base: Sized) -> set[Decimal]:
        """The lengths at which something may turn."""
        width, halo = base.width, base.defect.halo_mm
        factor = self.case.grade.sizing.halo_factor
        found = {value for value in (width, None if halo is None else exact(halo)) if value is not None}
        for rule in self.rules:
            for measure, end in rule.turns(base, self.case):
                found.add(end)
                if measure == "size":
                    for size in (end, end / factor) if halo is not None and factor else (end,):
                        found.add(size)
                        if width is not None:
                            found.add(2 * size - width)
        return found

    def _told_apart(self, lines: Iterable[Iterator[Sized]]) -> tuple[list[Sized], list[list[Sized]]]:
        """(ways, steps): one of each kind, the longest, or where a rule grows the shortest as well; and of
        each line of lengths the ends of its stretches.
        """
        askers = [rule for _ in self.zones or [""] for rule in self.rules]
        kinds: dict[tuple[bool, tuple[Hashable, ...]], list[Sized]] = {}
        steps = []
        for line in lines:
            stretches: list[list[Sized]] = []
            before: tuple[Hashable, ...] = ()
            for way in line:
                parts = self._parts(way)
                kinds.setdefault((way.zone in self.ignored, parts), []).append(way)
                if not stretches or parts != before:
                    stretches.append([])
                stretches[-1].append(way)
                before = parts
            steps.append([end for stretch in stretches for end in (stretch[0], stretch[-1])])
        ways = []
        for (_, parts), of_kind in kinds.items():
            grows = any(rule.grows and part is not None for rule, part in zip(askers, parts, strict=True))
            ways += extremes(of_kind) if grows else [max(of_kind, key=by_length)]
        return sorted(ways, key=by_length), steps

    def _parts(self, way: Sized) -> tuple[Hashable, ...]:
        places = [replace(way, zone=zone) for zone in self.zones] or [way]
        return tuple(rule.part(placed, self.case) for placed in places for rule in self.rules)


def by_length(way: Sized) -> tuple[Decimal, Decimal]:
    """(length, size) of a way: how the ways of a fault are ordered."""
    return way.length, way.size


def by_size(way: Sized) -> tuple[Decimal, Decimal]:
    """(size, length) of a way: a halo may make the shorter of two the larger one."""
    return way.size, way.length


def extremes(ways: Sequence[Sized]) -> list[Sized]:
    """The shortest, the longest, the smallest and the largest of some ways, each once."""
    found = [pick(ways, key=key) for key in (by_length, by_size) for pick in (min, max)]
    return list({id(way): way for way in found}.values())


def _lengths(limits: set[Decimal], low: Decimal, high: Decimal, *, end_in: bool) -> list[Decimal]:
    """`low`, each limit up to `high`, and a hair on either side of each; `high` itself where it is in.

    0 is left out unless there is nothing else.
    """
    ends = [low, *sorted(limit for limit in limits if low < limit < high), high]
    found = {low, high}
    for start, end in pairwise(ends):
        found |= {start, end}
        if end - start > 2 * HAIR_MM:
            found |= {start + HAIR_MM, end - HAIR_MM}
        elif end > start:
            found.add((start + end) / 2)
    if not end_in:
        found.discard(high)
    return sorted(length for length in found if length > 0 or high == 0)


def _bounds(defect: DefectToJudge, high: Decimal) -> str:
    if defect.open_at_mm:
        return "" if defect.length_mm is None else f"at least {plain(exact(defect.length_mm))} mm"
    return f"at most {at_most_words(high)}" if high < FAR_MM else ""


def at_most_words(high: Decimal) -> str:
    """An upper bound in mm, kept to hundredths and never below itself."""
    step = Decimal("0.01")
    kept = high.quantize(step)
    return f"{plain(kept if kept >= high else kept + step)} mm"
