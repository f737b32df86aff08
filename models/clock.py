"""Time: aware UTC inside, the plant's time zone for people.

This is the only place that reads the computer's clock.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from models.errors import BadValue


def utc_now() -> datetime:
    """Now, aware, in UTC."""
    return datetime.now(UTC)


def to_utc(moment: datetime, *, where: str = "time") -> datetime:
    """The same moment in UTC. Raises BadValue for a time without an offset."""
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise BadValue(
            f"{where}: {moment.isoformat()} has no offset from UTC; expected e.g. 2026-03-01T06:00:00+01:00"
        )
    return moment.astimezone(UTC)


def parse_time(text: str, *, where: str = "time") -> datetime:
    """Read an ISO 8601 time with offset; returns UTC. Raises BadValue naming `where`."""
    cleaned = text.strip()
    try:
        moment = datetime.fromisoformat(cleaned)
    except ValueError:
        raise BadValue(
            f"{where}: {cleaned[:60]!r} is not a time;"
            " expected ISO 8601 with offset, e.g. 2026-03-01T06:00:00+01:00"
        ) from None
    try:
        return to_utc(moment, where=where)
    except OverflowError:
        raise BadValue(f"{where}: {cleaned[:60]!r} lies outside the calendar") from None


def zone(name: str) -> ZoneInfo:
    """The time zone of this IANA name. Raises BadValue for an unknown one."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise BadValue(
            f"time zone {name!r} is unknown; expected an IANA name such as Europe/Berlin"
        ) from None


def plant_time(moment: datetime, zone_name: str) -> datetime:
    """`moment` on the plant's own clock (aware, in the zone named)."""
    return to_utc(moment).astimezone(zone(zone_name))
