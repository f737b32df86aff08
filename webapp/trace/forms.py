"""The filter of the ribbon pages: from the address to a `MapFilter`, and back into an address."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from flask import url_for
from werkzeug.datastructures import MultiDict

from models.errors import BadValue
from models.records import DEFECT_SOURCES
from models.ribbon_filter import MapFilter

__all__ = ["PERIODS", "RibbonForm", "read_form"]

#: name -> (words, length); "between" takes the two times of the form
PERIODS: Mapping[str, tuple[str, timedelta | None]] = {
    "shift": ("last 8 hours", timedelta(hours=8)),
    "day": ("last day", timedelta(days=1)),
    "week": ("last 7 days", timedelta(days=7)),
    "month": ("last 30 days", timedelta(days=30)),
    "year": ("last 365 days", timedelta(days=365)),
    "between": ("between two times", None),
    "metres": ("between two metres", None),
}
CLOCK = "%Y-%m-%dT%H:%M"


@dataclass(frozen=True, slots=True)
class RibbonForm:
    """What stands in the form's fields; each field is the text or word of the address."""

    line: int | None = None
    kinds: tuple[str, ...] = ()
    period: str = "week"
    begin: datetime | None = None
    finish: datetime | None = None
    m_lo: float | None = None
    m_hi: float | None = None
    x_lo: float | None = None
    x_hi: float | None = None
    size_lo: float | None = None
    size_hi: float | None = None
    crew: str = ""
    source: str = ""
    along: str = "time"

    def wanted(self, line_id: int, newest: datetime | None) -> MapFilter:
        """The filter for the queries; `newest` is when the line's last sheet was cut.

        Raises BadValue for a filter that makes no sense.
        """
        begin, finish, m_lo, m_hi = self.begin, self.finish, self.m_lo, self.m_hi
        length = PERIODS[self.period][1]
        if length is not None:
            finish, m_lo, m_hi = None, None, None
            begin = None if newest is None else newest - length
        elif self.period == "between":
            m_lo = m_hi = None
        else:
            begin = finish = None
        shift, _, crew = self.crew.partition(":")
        return MapFilter(
            line_id=line_id,
            kinds=self.kinds,
            begin=begin,
            finish=finish,
            m_lo=m_lo,
            m_hi=m_hi,
            x_lo_mm=self.x_lo,
            x_hi_mm=self.x_hi,
            min_length_mm=self.size_lo,
            max_length_mm=self.size_hi,
            shift=shift or None,
            crew=crew or None,
            source=self.source or None,
            along=self.along,
        )

    def stretch(self, m_lo: float, m_hi: float) -> "RibbonForm":
        """The same filter on another stretch of ribbon."""
        return replace(
            self, period="metres", begin=None, finish=None, m_lo=round(m_lo, 1), m_hi=round(m_hi, 1)
        )

    def band(self, x_lo: float, x_hi: float) -> "RibbonForm":
        """The same filter on a strip across."""
        return replace(self, x_lo=round(x_lo), x_hi=round(x_hi))

    def link(self, zone: tzinfo) -> Callable[[datetime, datetime], str]:
        """Gives the address of the ribbon, with this filter, for a stretch of time."""

        def address(begin: datetime, finish: datetime) -> str:
            form = replace(self, period="between", begin=begin, finish=finish, m_lo=None, m_hi=None)
            return url_for("trace.ribbon_map", **form.arguments(zone))

        return address

    def arguments(self, zone: tzinfo) -> dict[str, Any]:
        """The address arguments that bring this form back; what stands at its default is left out."""
        found: dict[str, Any] = {
            "line": self.line,
            "kind": list(self.kinds),
            "period": None if self.period == "week" else self.period,
            "from": _clock(self.begin, zone),
            "to": _clock(self.finish, zone),
            "m_lo": self.m_lo,
            "m_hi": self.m_hi,
            "x_lo": self.x_lo,
            "x_hi": self.x_hi,
            "size_lo": self.size_lo,
            "size_hi": self.size_hi,
            "crew": self.crew,
            "source": self.source,
            "along": None if self.along == "time" else self.along,
        }
        return {name: value for name, value in found.items() if value not in (None, "", [])}

    @property
    def narrowed(self) -> bool:
        """Whether a lesser-used field is set, so that the page shows them; metres come by moving along."""
        lesser = (
            self.x_lo,
            self.x_hi,
            self.size_lo,
            self.size_hi,
            self.begin,
            self.finish,
        )
        return any(value is not None for value in lesser) or bool(self.crew or self.source)


def read_form(arguments: MultiDict[str, str], zone: tzinfo) -> RibbonForm:
    """The form of an address.

    Times without an offset are the plant's own clock.

    Raises
    ------
    BadValue
        naming the field, what stands in it and what was expected.
    """
    period = arguments.get("period") or "week"
    along = arguments.get("along") or "time"
    source = arguments.get("source", "").strip()
    for name, value, allowed in (
        ("period", period, tuple(PERIODS)),
        ("along", along, ("time", "metres")),
        ("source", source, ("", *DEFECT_SOURCES)),
    ):
        if value not in allowed:
            raise BadValue(f"{name}: {value[:40]!r} is none of {', '.join(word for word in allowed if word)}")
    line = _number(arguments, "line")
    return RibbonForm(
        line=None if line is None else int(line),
        kinds=tuple(dict.fromkeys(kind.strip()[:40] for kind in arguments.getlist("kind") if kind.strip())),
        period=period,
        begin=_time(arguments, "from", zone),
        finish=_time(arguments, "to", zone),
        m_lo=_number(arguments, "m_lo"),
        m_hi=_number(arguments, "m_hi"),
        x_lo=_number(arguments, "x_lo"),
        x_hi=_number(arguments, "x_hi"),
        size_lo=_number(arguments, "size_lo"),
        size_hi=_number(arguments, "size_hi"),
        crew=arguments.get("crew", "").strip()[:81],
        source=source,
        along=along,
    )


_FIELDS = {
    "line": "line",
    "m_lo": "from metre",
    "m_hi": "to metre",
    "x_lo": "across from",
    "x_hi": "across to",
    "size_lo": "size from",
    "size_hi": "size to",
    "from": "from",
    "to": "to",
}


def _number(arguments: MultiDict[str, str], name: str) -> float | None:
    # a decimal comma is how many plants type
    text = arguments.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -1e9 < value < 1e12:
        raise BadValue(f"{_FIELDS[name]}: {text[:40]!r} is not a number; expected for example 1250 or 0.8")
    return value


def _time(arguments: MultiDict[str, str], name: str, zone: tzinfo) -> datetime | None:
    text = arguments.get(name, "").strip()
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise BadValue(
            f"{_FIELDS[name]}: {text[:40]!r} is not a time; expected for example 2026-03-02T06:00"
        ) from None


def _clock(moment: datetime | None, zone: tzinfo) -> str | None:
    return None if moment is None else moment.astimezone(zone).strftime(CLOCK)
