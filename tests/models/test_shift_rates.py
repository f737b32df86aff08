"""Rates by shift: counts over the glass that each inspected, on the plant's own clock."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from models.rates import poisson_limits
from models.records import Line
from models.ribbon_filter import MapFilter
from models.shift_rates import MOST_BARS, shift_rates
from tests import factories

BERLIN = ZoneInfo("Europe/Berlin")
KINDS = ("bubble", "stone")


@pytest.fixture
def line(session: Session) -> Line:
    return factories.make_line(session)


def test_no_sheets_give_no_shifts_and_no_rate(session: Session, line: Line) -> None:
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert found.shifts == ()
    assert [pooled.per_m2 for pooled in found.pooled] == [None, None]


def test_each_shift_has_its_own_counts_over_its_own_glass(session: Session, line: Line) -> None:
    early = factories.make_shift(session, line.id, factories.START, name="early", crew="A")
    late = factories.make_shift(session, line.id, factories.START + timedelta(hours=8), name="late", crew="B")
    for n in range(4):
        sheet = factories.make_finished_sheet(session, line.id, 6.0 * n, shift_id=early.id)
        factories.make_defect(session, sheet, 100.0, 100.0)
    for n in range(2):
        sheet = factories.make_finished_sheet(session, line.id, 4800.0 + 6.0 * n, shift_id=late.id)
        factories.make_defect(session, sheet, 100.0, 100.0)
        factories.make_defect(session, sheet, 100.0, 200.0, kind="stone")
    factories.make_finished_sheet(session, line.id, 4900.0, state="passed_by")
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    first, second = found.shifts
    assert (first.name, first.crew, first.sheets) == ("early", "A", 4)
    assert first.area_m2 == pytest.approx(4 * 19.26)
    assert [r.count for r in first.rates] == [4, 0]
    assert [r.count for r in second.rates] == [2, 2]
    low, high = poisson_limits(2)
    bubble = second.rates[0]
    assert (bubble.low_per_m2, bubble.high_per_m2) == pytest.approx((low / (2 * 19.26), high / (2 * 19.26)))
    assert [r.count for r in found.pooled] == [6, 2]
    assert not found.assumed


def test_defects_on_glass_that_was_not_inspected_do_not_raise_the_rate(session: Session, line: Line) -> None:
    factories.make_defect(
        session, factories.make_finished_sheet(session, line.id, 0.0, state="in_work"), 1.0, 1.0
    )
    factories.make_finished_sheet(session, line.id, 6.0)
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert [r.count for r in found.pooled] == [0, 0]
    assert sum(shift.sheets for shift in found.shifts) == 1


def test_a_plant_without_shifts_gets_eight_hours_of_its_own_clock(session: Session, line: Line) -> None:
    """05:10 UTC is 06:10 in Berlin in winter: the early shift of that day, which began at 05:00 UTC."""
    factories.make_finished_sheet(session, line.id, 0.0, inspected_at=datetime(2026, 3, 2, 4, 50, tzinfo=UTC))
    factories.make_finished_sheet(session, line.id, 6.0, inspected_at=datetime(2026, 3, 2, 5, 10, tzinfo=UTC))
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert found.assumed
    assert [(s.name, s.begin) for s in found.shifts] == [
        ("night", datetime(2026, 3, 1, 21, tzinfo=UTC)),
        ("early", datetime(2026, 3, 2, 5, tzinfo=UTC)),
    ]


def test_a_night_with_a_change_of_clocks_keeps_its_local_ends(session: Session, line: Line) -> None:
    """Clocks went forward in Berlin on 29 March 2026, so that night has seven hours."""
    factories.make_finished_sheet(session, line.id, 0.0, inspected_at=datetime(2026, 3, 29, 2, 0, tzinfo=UTC))
    (night,) = shift_rates(session, MapFilter(line.id), KINDS, BERLIN).shifts
    assert night.finish - night.begin == timedelta(hours=7)


def test_a_strip_across_counts_only_the_glass_of_that_strip(session: Session, line: Line) -> None:
    factories.make_finished_sheet(session, line.id, 0.0)
    found = shift_rates(session, MapFilter(line.id, x_lo_mm=0.0, x_hi_mm=1145.0), KINDS, BERLIN)
    assert sum(shift.area_m2 for shift in found.shifts) == pytest.approx(6.0)


def test_too_many_shifts_are_put_together_by_local_day(session: Session, line: Line) -> None:
    for n in range(MOST_BARS + 10):
        begin = factories.START + timedelta(hours=8 * n)
        shift = factories.make_shift(session, line.id, begin, name=("early", "late", "night")[n % 3])
        sheet = factories.make_finished_sheet(session, line.id, 4800.0 * n, shift_id=shift.id)
        factories.make_defect(session, sheet, 10.0, 10.0)
    found = shift_rates(session, MapFilter(line.id, begin=factories.START), KINDS, BERLIN)
    assert found.by == "day"
    assert {s.begin.astimezone(BERLIN).hour for s in found.shifts} == {0}
    assert [s.rates[0].count for s in found.shifts[:-1]] == [3] * (len(found.shifts) - 1)


def test_very_many_defects_are_counted_by_day_of_cutting_with_the_same_sums(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(40):
        sheet = factories.make_finished_sheet(session, line.id, 2400.0 * n)
        factories.make_defect(session, sheet, 10.0, 10.0, kind=KINDS[n % 2])
    wanted = MapFilter(line.id, m_lo=0.0)
    exact = shift_rates(session, wanted, KINDS, BERLIN)
    monkeypatch.setattr("models.shift_rates.MANY", 10)
    found = shift_rates(session, wanted, KINDS, BERLIN)
    assert (found.by, found.cutting) == ("day", True)
    assert [p.count for p in found.pooled] == [p.count for p in exact.pooled] == [20, 20]
    assert found.pooled[0].area_m2 == pytest.approx(exact.pooled[0].area_m2)
    assert {s.begin.astimezone(BERLIN).hour for s in found.shifts} == {0}
