"""The ribbon map's query: place, filters, and fields counted in the database against a plain loop."""

from collections import Counter
from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy import insert
from sqlalchemy.orm import Session

from models import ribbon_map as mapping
from models.errors import BadValue
from models.records import Defect, Line
from models.ribbon_filter import MapFilter
from models.ribbon_map import POINT_LIMIT, defects_in_view, ribbon_map
from tests import factories


@pytest.fixture
def line(session: Session) -> Line:
    return factories.make_line(session)


def test_a_line_without_sheets_has_no_map(session: Session, line: Line) -> None:
    assert ribbon_map(session, MapFilter(line.id)) is None


def test_a_sheet_without_defects_gives_an_empty_map_with_its_glass(session: Session, line: Line) -> None:
    factories.make_finished_sheet(session, line.id, 100.0)
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    assert (found.total, found.points, found.cells) == (0, (), ())
    assert found.looked_m2 == pytest.approx(6.0 * 3.21)
    assert sum(strip.rate.area_m2 for strip in found.profile) == pytest.approx(6.0 * 3.21)


def test_a_defect_stands_at_its_place_on_the_ribbon(session: Session, line: Line) -> None:
    """ribbon_x_mm = x_left_mm + x_mm and ribbon_m = ribbon_start_m + y_mm / 1000."""
    factories.make_figures(session, line.id)
    sheet = factories.make_finished_sheet(session, line.id, 500.0)
    factories.make_defect(session, sheet, 1000.0, 2500.0, kind="stone", length_mm=1.4)
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    (point,) = found.points
    assert (point.ribbon_m, point.ribbon_x_mm) == (502.5, 1145.0)
    assert (point.label, point.kind, point.length_mm) == (sheet.label, "stone", 1.4)
    assert dict(zip(found.kinds, found.counts, strict=True)) == {"bubble": 0, "stone": 1, "scratch": 0}
    assert found.net_lines_mm == (145.0, 3355.0)


def test_filters_narrow_what_is_shown(session: Session, line: Line) -> None:
    early = factories.make_shift(session, line.id, factories.START, name="early", crew="A")
    late = factories.make_shift(session, line.id, factories.START + timedelta(hours=8), name="late", crew="B")
    first = factories.make_finished_sheet(session, line.id, 0.0, shift_id=early.id)
    second = factories.make_finished_sheet(session, line.id, 6000.0, shift_id=late.id)
    small = factories.make_defect(session, first, 100.0, 1000.0, length_mm=0.4)
    large = factories.make_defect(session, first, 2000.0, 1000.0, length_mm=2.0, kind="stone", source="hand")
    other = factories.make_defect(
        session, second, 100.0, 1000.0, length_mm=None, kind="scratch", source="import"
    )
    factories.make_defect(session, first, 500.0, 500.0, current=False, withdrawn=True)
    factories.make_defect(
        session, factories.make_finished_sheet(session, factories.make_line(session).id, 0.0), 100.0, 100.0
    )

    def ids(**wanted: object) -> set[int]:
        found = ribbon_map(session, MapFilter(line.id, **wanted))  # type: ignore[arg-type]
        return set() if found is None else {point.defect_id for point in found.points}

    assert ids() == {small.id, large.id, other.id}
    assert ids(kinds=("stone", "scratch")) == {large.id, other.id}
    assert ids(min_length_mm=0.5) == {large.id}
    assert ids(max_length_mm=0.5) == {small.id}
    assert ids(source="import") == {other.id}
    assert ids(shift="late") == {other.id}
    assert ids(crew="A") == {small.id, large.id}
    assert ids(x_lo_mm=1000.0) == {large.id}
    assert ids(m_hi=3000.0, m_lo=0.0) == {small.id, large.id}
    assert ids(begin=factories.START + timedelta(hours=5)) == {other.id}
    assert ids(begin=factories.START, finish=factories.START + timedelta(hours=5)) == {small.id, large.id}


def test_kinds_left_out_by_the_filter_are_still_counted(session: Session, line: Line) -> None:
    sheet = factories.make_finished_sheet(session, line.id, 0.0)
    factories.make_defect(session, sheet, 10.0, 10.0, kind="knot")
    factories.make_defect(session, sheet, 10.0, 20.0, kind="stone")
    found = ribbon_map(session, MapFilter(line.id, kinds=("stone",)))
    assert found is not None
    assert (found.kinds, found.counts, found.others) == (("stone",), (1,), (("knot", 1),))


def test_without_a_period_the_newest_week_is_shown(session: Session, line: Line) -> None:
    metres_a_week = 7 * 24 * 60 * factories.SPEED_M_PER_MIN
    for metre in np.arange(0.0, 2.5 * metres_a_week, 600.0):
        factories.make_finished_sheet(session, line.id, float(metre))
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    assert found.m_hi - found.m_lo == pytest.approx(metres_a_week, rel=0.01)
    assert found.finish - found.begin == pytest.approx(timedelta(days=7), abs=timedelta(hours=2))


def test_defects_without_a_place_are_told_apart(session: Session, line: Line) -> None:
    sheet = factories.make_finished_sheet(session, line.id, 0.0)
    factories.make_defect(session, sheet, None, None)
    factories.make_defect(session, sheet, 10.0, 10.0)
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    assert (found.total, found.unplaced) == (1, 1)


def _many(session: Session, line: Line, count: int) -> list[tuple[str, float, float]]:
    rng = np.random.default_rng(7)
    sheets = [factories.make_finished_sheet(session, line.id, 6.0 * n) for n in range(50)]
    places = [
        (str(rng.choice(["bubble", "stone"])), float(rng.uniform(0, 299.9)), float(rng.uniform(0, 3210)))
        for _ in range(count)
    ]
    session.execute(
        insert(Defect),
        [
            {
                "line_id": line.id,
                "sheet_id": sheets[int(m // 6)].id,
                "number": n,
                "source": "photo",
                "kind": kind,
                "x_mm": x,
                "y_mm": (m % 6) * 1000,
                "ribbon_m": m,
                "ribbon_x_mm": x + 145.0,
                "length_mm": 1.0,
                "found_at": factories.START,
                "recorded_at": factories.START,
                "withdrawn": False,
                "current": True,
            }
            for n, (kind, m, x) in enumerate(places, start=1)
        ],
    )
    return places


def test_many_defects_are_counted_per_field_as_a_plain_loop_counts_them(session: Session, line: Line) -> None:
    factories.make_figures(session, line.id)
    places = _many(session, line, POINT_LIMIT + 500)
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    assert found.dense
    assert found.points == ()
    assert found.total == len(places) == sum(cell.count for cell in found.cells)
    m_step = (found.m_hi - found.m_lo) / mapping.FEWER_FIELDS_ALONG
    x_step = (found.x_hi_mm - found.x_lo_mm) / mapping.STRIPS
    plain = Counter(
        (kind, int((m - found.m_lo) / m_step), int((x + 145.0 - found.x_lo_mm) / x_step))
        for kind, m, x in places
    )
    seen = {
        (
            cell.kind,
            round((cell.m_lo - found.m_lo) / m_step),
            round((cell.x_lo_mm - found.x_lo_mm) / x_step),
        ): cell.count
        for cell in found.cells
    }
    assert seen == plain


def test_the_profile_is_a_rate_over_the_glass_inspected_in_each_strip(session: Session, line: Line) -> None:
    factories.make_figures(session, line.id)
    for n in range(10):
        sheet = factories.make_finished_sheet(session, line.id, 6.0 * n)
        factories.make_defect(session, sheet, 1605.0, 3000.0)
    factories.make_finished_sheet(session, line.id, 60.0, state="passed_by")
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    hit = [strip for strip in found.profile if strip.rate.count]
    assert len(hit) == 1
    assert hit[0].rate.count == 10
    assert hit[0].x_lo_mm <= 1750.0 < hit[0].x_hi_mm
    assert hit[0].rate.area_m2 == pytest.approx(60.0 * (hit[0].x_hi_mm - hit[0].x_lo_mm) / 1000.0)
    outermost = found.profile[0]
    assert outermost.rate.area_m2 == pytest.approx(60.0 * (outermost.x_hi_mm - 145.0) / 1000.0)


def test_the_list_of_defects_goes_on_page_by_page_without_gap_or_repeat(session: Session, line: Line) -> None:
    _many(session, line, 57)
    wanted = MapFilter(line.id)
    seen: list[int] = []
    last = None
    while page := defects_in_view(session, wanted, 0.0, 400.0, before_id=last, limit=10):
        seen += [point.defect_id for point in page]
        last = page[-1].defect_id
    assert len(seen) == len(set(seen)) == 57


def test_a_sampled_picture_keeps_the_total_and_the_shape(
    session: Session, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the ribbon read: a binomial share, so four standard errors around every figure."""
    factories.make_figures(session, line.id)
    places = _many(session, line, 4000)
    monkeypatch.setattr("models.ribbon_counts.EXACT_LIMIT", 1000)
    monkeypatch.setattr("models.ribbon_counts.SAMPLE", 2000)
    found = ribbon_map(session, MapFilter(line.id))
    assert found is not None
    assert 0.3 < found.share < 0.8
    error = 4.0 * (len(places) * (1.0 - found.share) / found.share) ** 0.5
    assert found.total == pytest.approx(len(places), abs=error)
    assert found.total == pytest.approx(sum(cell.count for cell in found.cells), abs=len(found.cells))
    middle = found.profile[len(found.profile) // 3].rate
    assert middle.low_per_m2 is not None
    assert middle.high_per_m2 is not None
    assert middle.low_per_m2 < len(places) / 2 / (300 * 3.21) < middle.high_per_m2


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ({"m_lo": 5.0, "m_hi": 1.0}, "metres: from 5.0 to 1.0 is empty"),
        ({"min_length_mm": 2.0, "max_length_mm": 1.0}, "size: from 2.0 to 1.0 is empty"),
        ({"source": "guess"}, "source: 'guess' is none of photo, hand, import"),
        ({"along": "sideways"}, "along: 'sideways' is neither"),
    ],
)
def test_filters_that_make_no_sense_are_refused(wanted: dict[str, object], says: str) -> None:
    with pytest.raises(BadValue, match=says):
        MapFilter(1, **wanted)  # type: ignore[arg-type]
