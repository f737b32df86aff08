"""Rows of an invented plant for tests: one maker a record, sensible values, all of which can be given."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from models import records

START = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)  # a Monday, 06:00 on the plant's clock
SPEED_M_PER_MIN = 10.0

_numbers = itertools.count(1)


def _add(session: Session, record: Any, given: dict[str, Any]) -> Any:
    for name, value in given.items():
        setattr(record, name, value)
    session.add(record)
    session.flush()
    return record


def line(session: Session, **given: Any) -> records.Line:
    row = records.Line(
        name=f"L{next(_numbers)}", plant="Eschenfurt", time_zone="Europe/Berlin", created_at=START
    )
    return _add(session, row, given)


def user(session: Session, **given: Any) -> records.User:
    row = records.User(
        name=f"person{next(_numbers)}",
        full_name="Ilse Varnhagen",
        role="inspector",
        failed_tries=0,
        created_at=START,
        sign_in_stamp="1",
    )
    return _add(session, row, given)


def customer(session: Session, **given: Any) -> records.Customer:
    return _add(session, records.Customer(name=f"Customer {next(_numbers)}", created_at=START), given)


def pack(session: Session, **given: Any) -> records.Pack:
    row = records.Pack(
        label=f"P-{next(_numbers):05d}", use="stock", grade_id="eschenfurt-window", created_at=START
    )
    return _add(session, row, given)


def sheet(session: Session, line_id: int, ribbon_start_m: float, **given: Any) -> records.Sheet:
    """A finished sheet of 6 m x 3.21 m, cut when its metre passed at SPEED_M_PER_MIN from START on."""
    cut_at = START + timedelta(minutes=ribbon_start_m / SPEED_M_PER_MIN)
    row = records.Sheet(
        label=f"E{next(_numbers):07d}",
        line_id=line_id,
        cut_at=cut_at,
        ribbon_start_m=ribbon_start_m,
        x_left_mm=145.0,
        length_mm=6000.0,
        width_mm=3210.0,
        thickness_mm=4.0,
        state="finished",
        inspected_at=cut_at + timedelta(minutes=10),
    )
    return _add(session, row, given)


def defect(
    session: Session, of: records.Sheet, x_mm: float | None, y_mm: float | None, **given: Any
) -> records.Defect:
    row = records.Defect(
        line_id=of.line_id,
        sheet_id=of.id,
        number=next(_numbers),
        source="photo",
        kind="bubble",
        x_mm=x_mm,
        y_mm=y_mm,
        length_mm=0.8,
        width_mm=0.5,
        ribbon_m=None if y_mm is None else of.ribbon_start_m + y_mm / 1000.0,
        ribbon_x_mm=None if x_mm is None else of.x_left_mm + x_mm,
        found_at=of.inspected_at or of.cut_at,
        recorded_at=of.inspected_at or of.cut_at,
        withdrawn=False,
        current=True,
    )
    return _add(session, row, given)


def shift(session: Session, line_id: int, start_at: datetime, **given: Any) -> records.Shift:
    row = records.Shift(
        line_id=line_id, name="early", crew="A", start_at=start_at, end_at=start_at + timedelta(hours=8)
    )
    return _add(session, row, given)


def photo(session: Session, of: records.Sheet, **given: Any) -> records.Photo:
    row = records.Photo(
        sheet_id=of.id,
        sha256=f"{next(_numbers):064x}",
        name="tile-a1.jpg",
        size_bytes=123_456,
        state="inspected",
        added_at=of.cut_at,
        run=1,
        inspected_at=of.cut_at,
        lighting="dark_field",
        width_px=4000,
        height_px=3000,
        mm_per_px=0.25,
        scale_source="tags",
        scale_residual_mm=0.05,
        smallest_sized_mm=0.6,
        covered_mm=[0.0, 0.0, 1000.0, 750.0],
        covered_fraction=0.97,
        result={"messages": ["Two finds lie below the smallest size that this photo can measure."]},
    )
    return _add(session, row, given)


def find(session: Session, of: records.Photo, number: int, **given: Any) -> records.Find:
    row = records.Find(
        photo_id=of.id,
        run=of.run,
        number=number,
        kind="bubble",
        x_mm=200.0 + number,
        y_mm=300.0,
        x_px=800.0 + 4 * number,
        y_px=1200.0,
        length_mm=0.8,
        width_mm=0.5,
        length_sd_mm=0.04,
        length_px=3.2,
        width_px=2.0,
        angle_deg=10.0,
        score=0.93,
        kind_scores={"bubble": 0.93, "stone": 0.04, "scratch": 0.01, "not_glass": 0.02},
        box_px=[796 + 4 * number, 1196, 9, 8],
        flags=[],
    )
    return _add(session, row, given)


def decision(session: Session, of: records.Find, word: str, **given: Any) -> records.FindDecision:
    row = records.FindDecision(find_id=of.id, decision=word, decided_at=START, current=True)
    return _add(session, row, given)


def verdict(session: Session, of: records.Sheet, outcome: str = "accept", **given: Any) -> records.Verdict:
    row = records.Verdict(
        sheet_id=of.id,
        grade_id="eschenfurt-window",
        use="stock",
        rule_set_version="2026-01",
        rule_set_sha256="ab" * 32,
        outcome=outcome,
        close_call=False,
        reasons=[
            {
                "clause": "3.1",
                "says": "At most 0.5 bubbles of 0.5 to 1.0 mm per m2.",
                "finds": [0],
                "limit": 9,
                "counted": 1,
                "outcome": "accept",
            }
        ],
        ladder=None,
        defects=[],
        sheet_as_judged={},
        coverage={},
        decided_at=of.inspected_at or of.cut_at,
        current=True,
    )
    return _add(session, row, given)


def claim(session: Session, **given: Any) -> records.Claim:
    row = records.Claim(
        number=f"C-{next(_numbers):04d}",
        received_at=START + timedelta(days=20),
        says="Three white specks near the left edge.",
        state="open",
    )
    return _add(session, row, given)


def figures(session: Session, line_id: int, **given: Any) -> records.PlantFigures:
    row = records.PlantFigures(
        line_id=line_id,
        valid_from=START - timedelta(days=365),
        melter_mass_t=1500.0,
        melter_plug_fraction=0.2,
        melter_tanks_in_series=3.0,
        refiner_mass_t=250.0,
        refiner_plug_fraction=0.5,
        refiner_tanks_in_series=3.0,
        density_t_per_m3=2.5,
        gross_width_mm=3500.0,
        net_width_mm=3210.0,
        recorded_at=START,
    )
    return _add(session, row, given)


def layout(session: Session, line_id: int, **points: float) -> None:
    """Layout points by name, metres upstream of the inspection point."""
    for point, distance in points.items():
        row = records.LayoutPoint(line_id=line_id, point=point, distance_m_upstream_of_inspection=distance)
        session.add(row)
    session.flush()


def line_log(session: Session, line_id: int, time: datetime, speed_m_per_min: float) -> None:
    session.add(records.LineLogRow(line_id=line_id, time=time, ribbon_speed_m_per_min=speed_m_per_min))
    session.flush()
