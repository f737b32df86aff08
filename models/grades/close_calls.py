"""Sizes so near to a limit that their uncertainty leaves open on which side they lie."""

from __future__ import annotations

from decimal import Decimal

from models.grades.case import Case
from models.grades.numbers import exact
from models.grades.verdict import CloseCall


def close_calls(case: Case) -> list[CloseCall]:
    """Sizes that lie within their uncertainty of a limit, the nearest limit for each fault.

    case : with the faults that have a measured size.
    """
    calls = []
    for fault in case.defects:
        d = fault.defect
        if not d.length_sd_mm and not d.width_sd_mm:
            continue
        sds = {
            "size": case.grade.sizing.sd(d),
            "length": exact(d.length_sd_mm or 0),
            "width": exact(d.width_sd_mm if d.width_sd_mm is not None else d.length_sd_mm or 0),
        }
        sizes = {"size": fault.size, "length": fault.length, "width": fault.width or fault.length}
        best: tuple[Decimal, CloseCall] | None = None
        for rule in case.grade.rules:
            if not rule.when.holds(case) or not rule.who.of_kind(fault.kinds):
                continue
            if rule.who.zones and fault.zone not in rule.who.zones:
                continue
            for measure, end in rule.ends(fault):
                size, sd = sizes[measure], sds[measure]
                if not sd or abs(size - end) > sd:
                    continue
                call = CloseCall(
                    fault.index, rule.origin.clause, float(size), float(sd), float(end), fault.name, measure
                )
                if best is None or abs(size - end) < best[0]:
                    best = (abs(size - end), call)
        if best is not None:
            calls.append(best[1])
    return calls
