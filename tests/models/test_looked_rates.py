"""Rates and the ribbon map over glass that was looked at, in part, not, or of which nobody knows."""

import itertools
from collections.abc import Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy.orm import Session

from models.records import Line, Sheet
from models.ribbon_filter import MapFilter
from models.ribbon_glass import Apart
from models.ribbon_map import RibbonMap, ribbon_map
from models.sheet.looked_words import apart_words
from models.shift_rates import apart_of, shift_rates
from tests import factories

BERLIN = ZoneInfo("Europe/Berlin")
KINDS = ("bubble", "stone")
SHEET_M2 = 6.0 * 3.21


@pytest.fixture
def line(session: Session) -> Line:
    line = factories.make_line(session)
    factories.make_figures(session, line.id)
    return line


def _sheet(
    session: Session, line: Line, n: int, looked: float | None, bubbles: int, **values: object
) -> Sheet:
    """The n-th sheet of 6 m with so many bubbles in the ribbon's middle."""
    state = "recorded" if looked is None else "passed_by" if looked == 0.0 else "finished"
    sheet = factories.make_finished_sheet(
        session, line.id, **{"ribbon_start_m": 6.0 * n, "state": state, "looked_fraction": looked, **values}
    )
    for number in range(bubbles):
        factories.make_defect(session, sheet, 1605.0, 500.0 + 300.0 * number)
    return sheet


def _four(session: Session, line: Line) -> None:
    """Two bubbles on a sheet looked over, one on a quarter, one on glass not looked at, three on unknown."""
    for n, (looked, bubbles) in enumerate(((1.0, 2), (0.25, 1), (0.0, 1), (None, 3))):
        _sheet(session, line, n, looked, bubbles)


def _map(session: Session, line: Line, **wanted: object) -> RibbonMap:
    found = ribbon_map(session, MapFilter(line.id, **wanted))  # type: ignore[arg-type]
    assert found is not None
    return found


@pytest.mark.parametrize("many", [200_000, 0])
def test_a_rate_is_over_what_was_looked_at_and_counts_the_defects_of_those_sheets_alone(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch, many: int
) -> None:
    monkeypatch.setattr("models.shift_rates.MANY", many)
    _four(session, line)
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    bubbles, stones = found.pooled
    assert (bubbles.count, stones.count) == (3, 0)
    assert bubbles.area_m2 == pytest.approx(1.25 * SHEET_M2)
    assert bubbles.per_m2 == pytest.approx(3 / (1.25 * SHEET_M2))
    assert found.apart == Apart(1, 3, 1, 1)
    assert sum(shift.sheets for shift in found.shifts) == 2


def test_days_of_cutting_add_up_to_the_shifts_and_to_the_map(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four days, a sheet over each midnight: half of it is glass of either day, and it is one sheet."""
    rng = np.random.default_rng(23)
    for day in range(4):
        midnight = day * 14_400.0 + 11_400.0 - 3.0
        for metre in (midnight - 600.0, midnight, midnight + 600.0):
            looked = (1.0, 0.0, None, 0.4)[int(rng.integers(4))]
            sheet = _sheet(session, line, 0, looked, 0, ribbon_start_m=metre)
            for y in rng.uniform(0.0, 6000.0, int(rng.integers(1, 6))):
                factories.make_defect(session, sheet, 800.0, float(y), kind=KINDS[int(y) % 2])
    by_shift = shift_rates(session, MapFilter(line.id, m_lo=0.0), KINDS, BERLIN)
    monkeypatch.setattr("models.shift_rates.MANY", 0)
    by_day = shift_rates(session, MapFilter(line.id, m_lo=0.0), KINDS, BERLIN)
    seen = _map(session, line, m_lo=0.0)
    assert by_day.cutting
    assert len(by_day.shifts) == 5
    assert [rate.count for rate in by_day.pooled] == [rate.count for rate in by_shift.pooled]
    assert sum(rate.count for rate in by_day.pooled) == seen.looked_defects
    assert by_day.pooled[0].area_m2 == pytest.approx(by_shift.pooled[0].area_m2)
    assert by_day.pooled[0].area_m2 == pytest.approx(seen.looked_m2)
    assert by_day.apart == by_shift.apart == seen.apart == apart_of(session, MapFilter(line.id, m_lo=0.0))
    for found in (by_day, by_shift):
        assert sum(shift.sheets for shift in found.shifts) == seen.looked_sheets


def test_the_map_s_profile_says_the_same_as_the_rates(session: Session, line: Line) -> None:
    _four(session, line)
    found = _map(session, line)
    assert (found.total, found.looked_defects, found.looked_sheets) == (7, 3, 2)
    assert found.looked_m2 == pytest.approx(1.25 * SHEET_M2)
    assert found.apart == Apart(1, 3, 1, 1)
    (hit,) = [strip.rate for strip in found.profile if strip.rate.count]
    assert hit.count == 3
    assert sum(strip.rate.area_m2 for strip in found.profile) == pytest.approx(1.25 * SHEET_M2)


def test_only_the_kinds_asked_for_are_counted_apart(session: Session, line: Line) -> None:
    factories.make_defect(session, _sheet(session, line, 0, None, 2), 100.0, 100.0, kind="stone")
    _sheet(session, line, 1, 1.0, 0)
    assert _map(session, line, kinds=("stone",)).apart == Apart(unknown_sheets=1, unknown_defects=1)
    found = shift_rates(session, MapFilter(line.id), ("stone",), BERLIN)
    assert found.apart == Apart(unknown_sheets=1, unknown_defects=1)


def test_a_shift_of_unknown_glass_has_no_rate_and_is_not_a_clean_one(session: Session, line: Line) -> None:
    early = factories.make_shift(session, line.id, factories.START, name="early")
    late = factories.make_shift(session, line.id, factories.START + timedelta(hours=8), name="late")
    night = factories.make_shift(session, line.id, factories.START + timedelta(hours=16), name="night")
    _sheet(session, line, 0, 1.0, 0, shift_id=early.id)
    _sheet(session, line, 1, None, 0, shift_id=late.id)
    _sheet(session, line, 2, 0.0, 0, shift_id=night.id, state="finished")
    # nobody looked at it, so it belongs to no shift
    _sheet(session, line, 3, 0.0, 0)
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert [(s.name, s.looked_fraction, s.rates[0].per_m2) for s in found.shifts] == [
        ("early", 1.0, 0.0),
        ("late", None, None),
        ("night", 0.0, None),
    ]
    assert [s.apart for s in found.shifts] == [Apart(), Apart(1), Apart(not_looked_sheets=1)]
    assert found.apart == Apart(1, 0, 2, 0)
    assert not found.assumed


def test_a_shift_half_of_whose_sheets_nobody_knows_keeps_its_rate_and_tells_of_them(
    session: Session, line: Line
) -> None:
    early = factories.make_shift(session, line.id, factories.START)
    _sheet(session, line, 0, 1.0, 2, shift_id=early.id)
    _sheet(session, line, 1, None, 5, shift_id=early.id)
    (shift,) = shift_rates(session, MapFilter(line.id), KINDS, BERLIN).shifts
    assert (shift.sheets, shift.rates[0].count, shift.apart) == (1, 2, Apart(1, 5))


def test_the_usual_rate_is_not_lifted_by_an_episode(session: Session, line: Line) -> None:
    """Eight shifts of two bubbles and two of twenty: the mean is 5.6 a shift, the usual is 2."""
    for n in range(10):
        shift = factories.make_shift(session, line.id, factories.START + timedelta(hours=8 * n))
        _sheet(session, line, n, 1.0, 20 if n in (4, 5) else 2, shift_id=shift.id, length_mm=9000.0)
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    area = 9.0 * 3.21
    assert found.pooled[0].per_m2 == pytest.approx(5.6 / area)
    assert found.usual == (pytest.approx(2.0 / area), 0.0)


def test_shifts_with_hardly_any_glass_do_not_set_the_usual_rate(session: Session, line: Line) -> None:
    for n in range(9):
        shift = factories.make_shift(session, line.id, factories.START + timedelta(hours=8 * n))
        _sheet(session, line, n, 1.0 if n < 4 else 0.01, 3 if n < 4 else 0, shift_id=shift.id)
    # the median area is that of the panes, so these count here; without them nine tenths would be gone
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert found.usual[0] == pytest.approx(12 / (4.05 * SHEET_M2))
    for n in range(9, 14):
        shift = factories.make_shift(session, line.id, factories.START + timedelta(hours=8 * n))
        _sheet(session, line, n, 1.0, 3, shift_id=shift.id)
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert found.usual[0] == pytest.approx(3 / SHEET_M2)


def test_where_nothing_was_looked_at_the_map_shows_it_apart_from_a_count_of_none(
    session: Session, line: Line
) -> None:
    for n in range(40):
        looked = (1.0, 0.0, None, 0.25)[n // 10]
        _sheet(session, line, n, looked, 0)
    found = _map(session, line)
    middle = [patch for patch in found.patches if patch.x_lo_mm < 1750.0 < patch.x_hi_mm]
    assert [(p.state, round(p.m_lo), round(p.m_hi)) for p in middle] == [
        ("not_looked", 60, 120),
        ("unknown", 120, 180),
        ("part", 180, 240),
    ]
    # the glass ends at 3355 mm, within the last strip: beside it there is none to be looked at
    assert {patch.state for patch in found.patches} == {"not_looked", "unknown", "part"}


def test_where_there_is_no_sheet_the_map_says_so(session: Session, line: Line) -> None:
    for n in (0, 9):
        _sheet(session, line, n, 1.0, 0, x_left_mm=1750.0, width_mm=1600.0)
    found = _map(session, line)
    states = {(p.state, round(p.m_lo), round(p.m_hi), round(p.x_lo_mm)) for p in found.patches}
    assert ("no_sheet", 0, 60, 0) in states
    assert sum((p.m_hi - p.m_lo) * (p.x_hi_mm - p.x_lo_mm) / 1000.0 for p in found.patches) == pytest.approx(
        60.0 * 3.5 - 12.0 * 1.75, rel=0.1
    )


def test_a_field_tells_which_part_of_it_was_looked_at(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.ribbon_map.POINT_LIMIT", 3)
    for n, looked in enumerate((1.0, 0.25, 0.0, None)):
        _sheet(session, line, n, looked, 1)
    found = _map(session, line)
    assert [(cell.looked_fraction, cell.count) for cell in found.cells] == [
        (1.0, 1),
        (pytest.approx(0.25), 1),
        (0.0, 1),
        (None, 1),
    ]


@pytest.mark.parametrize(("looked", "apart"), [(None, Apart(3, 6)), (0.0, Apart(0, 0, 3, 6))])
@pytest.mark.parametrize("exact", [400_000, 2])
def test_where_all_sheets_are_alike_all_defects_are_apart(
    session: Session,
    line: Line,
    monkeypatch: pytest.MonkeyPatch,
    looked: float | None,
    apart: Apart,
    exact: int,
) -> None:
    monkeypatch.setattr("models.ribbon_counts.EXACT_LIMIT", exact)
    monkeypatch.setattr("models.shift_rates.MANY", exact)
    for n in range(3):
        _sheet(session, line, n, looked, 2)
    seen = _map(session, line)
    assert (seen.total, seen.looked_defects, seen.looked_sheets, seen.apart) == (6, 0, 0, apart)
    assert {strip.rate.per_m2 for strip in seen.profile} == {None}
    found = shift_rates(session, MapFilter(line.id), KINDS, BERLIN)
    assert found.apart == apart
    assert [(rate.count, rate.per_m2) for rate in found.pooled] == [(0, None)] * 2


def _random_plant(session: Session, line: Line) -> tuple[list[Sheet], list[tuple[Sheet, float, float]]]:
    rng = np.random.default_rng(11)
    sheets, defects = [], []
    for n in range(60):
        looked = (1.0, 0.0, None, round(float(rng.uniform(0.05, 0.95)), 2))[int(rng.integers(4))]
        for left in (145.0, 1750.0):
            sheet = _sheet(session, line, n, looked, 0, x_left_mm=left, width_mm=1605.0)
            sheets.append(sheet)
            for _ in range(int(rng.integers(5))):
                x, y = float(rng.uniform(0, 1605)), float(rng.uniform(0, 6000))
                factories.make_defect(session, sheet, x, y)
                defects.append((sheet, left + x, 6.0 * n + y / 1000.0))
    return sheets, defects


def _plain_strips(
    sheets: Sequence[Sheet], defects: Sequence[tuple[Sheet, float, float]], edges: Sequence[float]
) -> list[tuple[int, float]]:
    """Counts and areas across by a plain loop."""
    strips = []
    for low, high in itertools.pairwise(edges):
        count = sum(1 for sheet, x, _ in defects if low <= x < high and (sheet.looked_fraction or 0) > 0)
        area = sum(
            max(0.0, min(high, s.x_left_mm + s.width_mm) - max(low, s.x_left_mm))
            * s.length_mm
            * (s.looked_fraction or 0.0)
            for s in sheets
        )
        strips.append((count, area / 1e6))
    return strips


@pytest.mark.parametrize(("few", "exact"), [(3000, 400_000), (0, 400_000), (3000, 20)])
def test_the_profile_agrees_with_a_plain_loop(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch, few: int, exact: int
) -> None:
    """Sheet by sheet, by sums of the database, and with all of the ribbon read in pieces."""
    monkeypatch.setattr("models.ribbon_glass.FEW_SHEETS", few)
    monkeypatch.setattr("models.ribbon_counts.EXACT_LIMIT", exact)
    sheets, defects = _random_plant(session, line)
    found = _map(session, line)
    edges = [found.profile[0].x_lo_mm, *(strip.x_hi_mm for strip in found.profile)]
    plain = _plain_strips(sheets, defects, edges)
    assert found.share == 1.0
    assert [strip.rate.count for strip in found.profile] == [count for count, _ in plain]
    assert [strip.rate.area_m2 for strip in found.profile] == pytest.approx(
        [area for _, area in plain], abs=1e-6
    )
    unknown = [sheet for sheet in sheets if sheet.looked_fraction is None]
    not_looked = [sheet for sheet in sheets if sheet.looked_fraction == 0.0]
    assert found.apart == Apart(
        len(unknown),
        sum(1 for sheet, _, _ in defects if sheet in unknown),
        len(not_looked),
        sum(1 for sheet, _, _ in defects if sheet in not_looked),
    )
    assert found.looked_defects == sum(count for count, _ in plain)


def test_a_sampled_picture_leaves_out_what_is_on_unknown_glass(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """About half of the ribbon read: a binomial share, so four standard errors around the figures."""
    _, defects = _random_plant(session, line)
    monkeypatch.setattr("models.ribbon_counts.EXACT_LIMIT", 50)
    monkeypatch.setattr("models.ribbon_counts.SAMPLE", len(defects) // 2)
    monkeypatch.setattr("models.ribbon_counts._estimate", lambda *_: float(len(defects)))
    found = _map(session, line)
    assert found.share == pytest.approx(0.5, abs=0.01)
    unknown = sum(1 for sheet, _, _ in defects if sheet.looked_fraction is None)
    error = 4.0 * (unknown * (1.0 - found.share) / found.share) ** 0.5
    assert found.apart.unknown_defects == pytest.approx(unknown, abs=error)
    looked = sum(1 for sheet, _, _ in defects if (sheet.looked_fraction or 0) > 0)
    read = sum(strip.rate.count for strip in found.profile)
    assert read == pytest.approx(looked * found.share, abs=4.0 * (looked * found.share) ** 0.5)
    assert all(strip.rate.count >= 0 for strip in found.profile)


def test_a_window_that_begins_within_a_sheet_counts_the_rest_of_that_sheet(
    session: Session, line: Line
) -> None:
    _sheet(session, line, 0, 1.0, 0)
    _sheet(session, line, 1, 1.0, 0)
    found = _map(session, line, m_lo=4.5, m_hi=9.0)
    assert found.looked_m2 == pytest.approx(4.5 * 3.21)
    assert found.looked_sheets == 2
    rates = shift_rates(session, MapFilter(line.id, m_lo=4.5, m_hi=9.0), KINDS, BERLIN)
    assert rates.pooled[0].area_m2 == pytest.approx(4.5 * 3.21)
    assert sum(shift.sheets for shift in rates.shifts) == 2


@pytest.mark.parametrize(
    ("apart", "says"),
    [
        (Apart(), ()),
        (
            Apart(unknown_sheets=1),
            ("1 sheet of which nobody knows whether it was looked at, no defect recorded on it",),
        ),
        (
            Apart(1200, 31, 2, 0),
            (
                "1\u202f200 sheets of which nobody knows whether they were looked at, 31 defects on them",
                "2 sheets that were not looked at",
            ),
        ),
        (
            Apart(not_looked_sheets=1, not_looked_defects=1),
            ("1 sheet that was not looked at, 1 defect on it",),
        ),
    ],
)
def test_what_is_in_no_rate_is_said(apart: Apart, says: tuple[str, ...]) -> None:
    assert apart.words == tuple(f"{sentence}: not in the rates" for sentence in says)
    assert apart.words == apart_words(
        apart.unknown_sheets, apart.unknown_defects, apart.not_looked_sheets, apart.not_looked_defects
    )
