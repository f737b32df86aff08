"""One rule of a grade file into one of the rule shapes."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from models.grades.allowance import Allowance, ByArea, Count, PerArea, PerPerimeter, Sloped, Unlimited
from models.grades.case import Zone
from models.grades.classes import ClassTable, SizeClass, Spaced
from models.grades.edges import EdgeFault, OpticalAngle, PerSide, Reach
from models.grades.errors import BadGrade
from models.grades.explain import REMEMBERED
from models.grades.lines import Lengths
from models.grades.numbers import Interval
from models.grades.questions import AnyOf, NotTogether, Question, SeenFrom
from models.grades.rules import Origin, Rule, When, Who
from models.grades.sheet import USES
from models.grades.spacing import Cluster, Separation
from models.grades.table import Table

Area = tuple[int | None, str]
Intensities = tuple[tuple[str, Interval], ...]


def read_rule(
    table: Table,
    place: int,
    *,
    source: str,
    remembered: bool,
    area: Area,
    zones: tuple[Zone, ...],
    intensities: Intensities,
) -> Rule:
    """The rule in `table`; raises BadGrade naming file and key."""
    shape = table.text("shape")
    reader = SHAPES.get(shape)
    if reader is None:
        raise table.fail("shape", f"one of {', '.join(SHAPES)}")
    remembered = table.flag("remembered", remembered)
    origin = Origin(
        table.text("name", f"rule {place + 1}"),
        table.text("clause"),
        table.text("source", source),
        remembered,
        table.text("doubt", REMEMBERED if remembered else ""),
    )
    context = _Context(source, remembered, area, zones, intensities)
    rule = reader(table, origin, _when(table), context)
    table.done()
    return rule


class _Context:
    def __init__(
        self, source: str, remembered: bool, area: Area, zones: tuple[Zone, ...], intensities: Intensities
    ) -> None:
        self.source, self.remembered, self.area = source, remembered, area
        self.zones = tuple(zone.name for zone in zones)
        self.all_zones = zones
        self.intensities = tuple(name for name, _ in intensities)
        self.all_intensities = intensities


def _when(table: Table) -> When:
    use = table.raw("use")
    if use is not None and use not in USES:
        raise table.fail("use", "stock or cut_size")
    return When(
        table.interval("thickness"),
        table.interval("pane"),
        table.interval("panes"),
        table.interval("longest_side"),
        use,
    )


def _who(table: Table, context: _Context, *, sized: bool = True) -> Who:
    zones = table.texts("zones")
    for zone in zones:
        if zone not in context.zones:
            raise table.fail("zones", f"zones of this grade ({', '.join(context.zones) or 'it has none'})")
    size = table.interval("size") if sized else None
    return Who(table.kinds("kinds"), table.kinds("but_not"), zones, size)


def _class_table(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    who = _who(table, context, sized=False)
    rounding = table.rounding("product", "none")
    open_rounding = table.raw("product_open")
    if open_rounding is not None:
        table.rounding("product_open", "half_even")
    rows = table.tables("classes")
    if not rows:
        raise table.fail("classes", "a list of classes")
    return ClassTable(origin, who, when, tuple(_row(row, rounding, open_rounding, context) for row in rows))


def _row(table: Table, rounding: str, open_rounding: str | None, context: _Context) -> SizeClass:
    intensity = table.raw("intensity")
    if intensity is not None and intensity not in context.intensities:
        raise table.fail(
            "intensity", f"one of {', '.join(context.intensities) or 'the intensities (none given)'}"
        )
    row = SizeClass(
        _allowance_or_spacing(table, rounding, open_rounding, context),
        table.interval("size"),
        table.interval("length"),
        table.interval("width"),
        table.interval("halo"),
        intensity,
    )
    table.done()
    return row


def _allowance_or_spacing(
    table: Table, rounding: str, open_rounding: str | None, context: _Context
) -> Allowance | Spaced:
    if "apart_mm" in table or "more_than_mm_apart" in table:
        return _spaced(table)
    return _allowance(table, rounding, open_rounding)


def _spaced(table: Table) -> Spaced:
    inclusive = "apart_mm" in table
    apart = table.number("apart_mm" if inclusive else "more_than_mm_apart")
    measured = table.choice("measured", ("centres", "rims"), "centres")
    return Spaced(apart, inclusive, measured == "rims", table.maybe("times_smaller") or Decimal(0))


def _allowance(table: Table, rounding: str, open_rounding: str | None) -> Allowance:
    keys = [
        key
        for key in ("allow", "count", "per_m2", "density_per_m2", "per_m_edge", "base", "by_area")
        if key in table
    ]
    if len(keys) != 1:
        raise BadGrade(
            f"{table.where}: expected exactly one of allow, count, per_m2, density_per_m2, per_m_edge, base, "
            f"by_area or a distance apart, got {', '.join(keys) or 'none'}"
        )
    key = keys[0]
    if key == "allow":
        word = table.choice("allow", ("unlimited", "not counted", "none"), "none")
        return Count(Decimal(0)) if word == "none" else Unlimited(word == "unlimited")
    if key == "count":
        return Count(Decimal(table.whole("count")))
    if key == "per_m2":
        return PerArea(table.number("per_m2"), rounding, False, open_rounding)
    if key == "density_per_m2":
        return PerArea(table.number("density_per_m2"), "none", True)
    if key == "per_m_edge":
        return PerPerimeter(table.number("per_m_edge"), table.rounding("rounding", "none"))
    if key == "base":
        return Sloped(
            table.number("base"),
            table.number("plus_per_m2"),
            table.number("above_m2"),
            table.flag("full_m2_only", False),
        )
    steps = []
    for step in table.tables("by_area"):
        steps.append((_pane(step), _allowance(step, rounding, open_rounding)))
        step.done()
    return ByArea(tuple(steps))


def _pane(step: Table) -> Interval:
    pane = step.interval("pane")
    if pane is None:
        raise step.fail("pane", "an interval of m2 such as (1, 2]")
    return pane


def _parties(table: Table, context: _Context) -> tuple[Who, ...]:
    parties = []
    for one in table.tables("parties"):
        parties.append(_who(one, context))
        one.done()
    if not parties:
        parties.append(_who(table, context))
    return tuple(parties)


def _separation(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    parties = _parties(table, context)
    between = set()
    for pair in table.raw("between") or []:
        if (
            not isinstance(pair, list)
            or len(pair) != 2
            or not all(isinstance(i, int) and 0 <= i < len(parties) for i in pair)
        ):
            raise table.fail("between", "pairs of places in parties such as [[0, 0], [0, 1]]")
        between.add((pair[0], pair[1]))
    return Separation(origin, Who(), when, _spaced(table), parties, frozenset(between))


def _cluster(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    parties = _parties(table, context)
    mutual = "within_mm" in table
    across = table.number("within_mm" if mutual else "circle_mm")
    return Cluster(
        origin, Who(), when, parties, table.whole("most"), across, mutual, table.flag("exactly_in", True)
    )


def _lengths(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    single, total = table.maybe("single_mm"), table.maybe("total_mm")
    steps = []
    for step in table.tables("total_by_area"):
        steps.append((_pane(step), step.number("mm")))
        step.done()
    if single is None and total is None and not steps:
        raise table.fail("single_mm", "single_mm, total_mm, total_by_area or several of them")
    return Lengths(origin, _who(table, context), when, single, total, tuple(steps))


def _reach(table: Table | None) -> Reach | None:
    if table is None:
        return None
    reach = Reach(table.maybe("times_thickness"), table.maybe("mm"), table.flag("lesser", False))
    if reach.times_t is None and reach.mm is None:
        raise table.fail("mm", "times_thickness, mm or both")
    table.done()
    return reach


def _edge(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    rule = EdgeFault(
        origin, _who(table, context), when,
        _reach(table.table("depth")), _reach(table.table("width")), _reach(table.table("length")),
        _reach(table.table("largest")), table.maybe("length_times_width"),
    )  # fmt: skip
    if not rule.words():
        raise table.fail("largest", "depth, width, length, largest or length_times_width")
    return rule


def _angle(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    least = []
    for one in table.tables("least"):
        thick = one.interval("thickness")
        if thick is None:
            raise one.fail("thickness", "an interval of mm such as [4, inf)")
        least.append((thick, one.number("angle_deg")))
        one.done()
    if not least:
        raise table.fail("least", "a list of thickness and angle_deg")
    return OpticalAngle(origin, Who(), When(), tuple(least))


def _question(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    more_than = table.whole("more_than") if "more_than" in table else 0
    return Question(origin, _who(table, context), when, origin.name, table.text("asks"), more_than)


def _seen_from(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    return SeenFrom(origin, _who(table, context), when, table.number("distance_mm"))


def _any_of(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    rules = tuple(
        read_rule(
            one, i, source=origin.source, remembered=origin.remembered, area=context.area,
            zones=context.all_zones, intensities=context.all_intensities,
        )
        for i, one in enumerate(table.tables("rules"))
    )  # fmt: skip
    if len(rules) < 2:
        raise table.fail("rules", "at least two rules")
    return AnyOf(origin, Who(), when, rules)


def _not_together(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    return NotTogether(origin, Who(), when)


def _per_side(table: Table, origin: Origin, when: When, context: _Context) -> Rule:
    return PerSide(
        origin, _who(table, context), when, table.number("per_m"), table.rounding("rounding", "none")
    )


SHAPES: dict[str, Callable[[Table, Origin, When, _Context], Rule]] = {
    "classes": _class_table,
    "separation": _separation,
    "cluster": _cluster,
    "lengths": _lengths,
    "edge": _edge,
    "per side": _per_side,
    "angle": _angle,
    "question": _question,
    "seen from": _seen_from,
    "any of": _any_of,
    "not together": _not_together,
}
"""The shapes a rule may have, by the word in the file."""


def smallest_class(rules: list[Rule]) -> Decimal | None:
    """The smallest size above which a point fault can decide; None where sizes do not matter."""
    lows: list[Decimal] = []
    for rule in rules:
        if isinstance(rule, ClassTable):
            for row in rule.classes:
                free = isinstance(row.allowance, Unlimited)
                if row.size is not None and not free and row.size.low > 0:
                    lows.append(row.size.low)
        elif isinstance(rule, Separation | Cluster):
            lows += [p.size.low for p in rule.parties if p.size is not None and p.size.low > 0]
    return min(lows, default=None)
