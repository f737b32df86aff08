"""The plant's clock cut into days, weeks and, where it has entered none, shifts of eight hours. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo

__all__ = ["local_days", "unnamed_shift"]

#: where the plant has entered no shifts: three of eight hours from 06:00 on (common practice, no source)
UNNAMED_SHIFTS = ((6, "early"), (14, "late"), (22, "night"))


def local_days(
    begin: datetime, finish: datetime, zone: tzinfo, days: int
) -> Iterator[tuple[datetime, datetime]]:
    """Local days, or weeks from Monday on, that cover a period."""
    wall = begin.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    if days == 7:
        wall -= timedelta(days=wall.weekday())
    start = wall.replace(tzinfo=zone).astimezone(UTC)
    while start < finish:
        wall += timedelta(days=days)
        end = wall.replace(tzinfo=zone).astimezone(UTC)
        yield start, end
        start = end


def unnamed_shift(when: datetime, zone: tzinfo) -> tuple[datetime, datetime, str]:
    """Begin, end and name of the eight hours of local time in which an instant lies."""
    local = when.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    starts = [
        (midnight + timedelta(days=day, hours=hour), name)
        for day in (-1, 0, 1)
        for hour, name in UNNAMED_SHIFTS
    ]
    wall = local.replace(tzinfo=None)
    n = max(i for i, (start, _) in enumerate(starts) if start <= wall)
    begin, finish = (starts[k][0].replace(tzinfo=zone).astimezone(UTC) for k in (n, n + 1))
    return begin, finish, starts[n][1]
