"""What speaks against a sheet, worked out once: which defects decide, and what reasons show in a drawing."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from models.grades import Reason

__all__ = ["AGAINST", "Against", "against"]

#: outcomes of a reason that keep a sheet from being accepted
AGAINST = ("reject", "not_judged")


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """All reasons against a sheet together.

    defects : places in the judged list of defects on which such a reason rests.
    circles_mm : (x, y, radius).  lines_mm : (x0, y0, x1, y1).  photograph_mm : (x, y) of open ends that keep
    the sheet from a verdict: photograph there.
    """

    defects: frozenset[int] = frozenset()
    circles_mm: tuple[tuple[float, float, float], ...] = ()
    lines_mm: tuple[tuple[float, float, float, float], ...] = ()
    photograph_mm: tuple[tuple[float, float], ...] = ()


def against(reasons: Iterable[Reason | Mapping[str, Any]]) -> Against:
    """Gather the reasons against a sheet. They come as the judge gives them, or as a verdict keeps them."""
    told = [reason.to_dict() if isinstance(reason, Reason) else reason for reason in reasons]
    hard = [reason for reason in told if reason.get("outcome") in AGAINST]
    marks = [mark for reason in hard for mark in reason.get("marks") or ()]
    return Against(
        defects=frozenset(place for reason in hard for place in reason.get("finds") or ()),
        circles_mm=tuple((x, y, radius) for x, y, radius in _marked(marks, "circle", 3)),
        lines_mm=tuple((x0, y0, x1, y1) for x0, y0, x1, y1 in _marked(marks, "line", 4)),
        photograph_mm=tuple(dict.fromkeys((x, y) for x, y in _marked(marks, "open_end", 2))),
    )


def _marked(marks: Iterable[Mapping[str, Any]], name: str, count: int) -> list[tuple[float, ...]]:
    """The marks of one name. A verdict of an older program may keep one of another form: it is not drawn."""
    return [
        tuple(float(value) for value in mark[name])
        for mark in marks
        if isinstance(mark.get(name), list | tuple) and len(mark[name]) == count
    ]
