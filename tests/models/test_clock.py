"""Times as people and files write them."""

from datetime import UTC, datetime, timedelta

import pytest

from models.clock import parse_time, plant_time, to_utc, utc_now, zone
from models.errors import BadValue


def test_iso_times_with_offset_are_read_as_moments():
    assert parse_time(" 2026-03-01T06:00:00+01:00 ") == datetime(2026, 3, 1, 5, tzinfo=UTC)
    assert parse_time("2026-03-01T05:00:00Z") == datetime(2026, 3, 1, 5, tzinfo=UTC)


@pytest.mark.parametrize("text", ["2026-03-01T06:00:00", "yesterday", "", "2026-02-30T00:00:00Z", "9" * 400])
def test_others_are_refused_with_where_and_what_was_expected(text):
    with pytest.raises(BadValue, match=r"line 7: .*(ISO 8601 with offset|has no offset)"):
        parse_time(text, where="line 7")


def test_a_time_at_the_end_of_the_calendar_is_a_sentence():
    with pytest.raises(BadValue, match="outside the calendar"):
        parse_time("0001-01-01T00:00:00+23:00")


def test_a_naive_time_is_refused():
    with pytest.raises(BadValue, match="has no offset from UTC"):
        to_utc(datetime(2026, 3, 1, 6))


def test_now_is_aware_and_in_utc():
    assert utc_now().utcoffset() == timedelta(0)


def test_plant_time_knows_summer_time():
    """In 2026 Europe/Berlin goes to summer time on 29 March at 01:00 UTC (IANA time zone database)."""
    before, after = datetime(2026, 3, 29, 0, 59, tzinfo=UTC), datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    assert plant_time(before, "Europe/Berlin").strftime("%H:%M %z") == "01:59 +0100"
    assert plant_time(after, "Europe/Berlin").strftime("%H:%M %z") == "03:00 +0200"


@pytest.mark.parametrize("name", ["Mars/Olympus", "", "../../etc/passwd", "Europe/Berlin\0"])
def test_an_unknown_zone_is_a_sentence(name):
    with pytest.raises(BadValue, match="is unknown; expected an IANA name"):
        zone(name)
