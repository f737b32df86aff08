"""One maker a record of an invented plant: sensible values, each of which a test may change by name."""

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session, sessionmaker

from models import inspections, users
from models.grades import load_sets
from models.records import (
    Claim,
    Customer,
    Defect,
    Event,
    Find,
    FindDecision,
    LayoutPoint,
    Line,
    LineLogRow,
    Pack,
    Photo,
    PlantFigures,
    Sheet,
    Shift,
    User,
    Verdict,
)
from models.store import PhotoStore

#: a Monday, 06:00 in the plant's time zone: the early shift begins
START = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
NOON = START + timedelta(hours=6)
SPEED_M_PER_MIN = 10.0
PASSWORD = "three grey ribbons"
PIN = "7302"
#: scrypt at a cost that does not slow the tests
CHEAP = 4

_counter = itertools.count(1)


def _saved(session: Session, record: Any) -> Any:
    session.add(record)
    session.flush()
    return record


def make_line(session: Session, **values: Any) -> Line:
    given = {
        "name": f"L{next(_counter)}",
        "plant": "Eschenfurt",
        "time_zone": "Europe/Berlin",
        "grade_id": "eschenfurt-window",
        "created_at": NOON,
    }
    return _saved(session, Line(**given | values))


def make_user(session: Session, **values: Any) -> User:
    number = next(_counter)
    given = {
        "name": f"tomke{number}",
        "full_name": "Tomke Brandt",
        "role": "inspector",
        "password": PASSWORD,
        "pin": PIN,
        "cost_log2": CHEAP,
    }
    return users.create_user(session, **given | values)


def make_customer(session: Session, **values: Any) -> Customer:
    given = {"name": f"Morgenried Windows {next(_counter)}", "created_at": NOON}
    return _saved(session, Customer(**given | values))


def make_pack(session: Session, **values: Any) -> Pack:
    given = {
        "label": f"P-{next(_counter):05d}",
        "grade_id": "eschenfurt-window",
        "use": "stock",
        "created_at": NOON,
    }
    return _saved(session, Pack(**given | values))


def make_sheet(session: Session, line: Line, **values: Any) -> Sheet:
    number = next(_counter)
    given = {
        "label": f"{line.name}-{number:07d}",
        "line_id": line.id,
        "cut_at": NOON,
        "ribbon_start_m": 1000.0 + 2 * number,
        "x_left_mm": 150.0,
        "length_mm": 2000.0,
        "width_mm": 3000.0,
        "thickness_mm": 4.0,
        "state": "waiting",
        "looked_fraction": 0.0,
    }
    return _saved(session, Sheet(**given | values))


def make_finished_sheet(session: Session, line_id: int, ribbon_start_m: float, **values: Any) -> Sheet:
    """A sheet of 6 m x 3.21 m that was looked over, cut as its metre passed at SPEED_M_PER_MIN from START on.

    In a state in which nobody looked at it, unless `looked_fraction` says otherwise, it was not looked at.
    """
    cut_at = START + timedelta(minutes=ribbon_start_m / SPEED_M_PER_MIN)
    given = {
        "label": f"E{next(_counter):07d}",
        "line_id": line_id,
        "cut_at": cut_at,
        "ribbon_start_m": ribbon_start_m,
        "x_left_mm": 145.0,
        "length_mm": 6000.0,
        "width_mm": 3210.0,
        "thickness_mm": 4.0,
        "state": "finished",
        "inspected_at": cut_at + timedelta(minutes=10),
        "looked_fraction": 1.0 if values.get("state", "finished") in ("finished", "recorded") else 0.0,
    }
    return _saved(session, Sheet(**given | values))


def make_shift(session: Session, line_id: int, start_at: datetime = START, **values: Any) -> Shift:
    given = {
        "line_id": line_id,
        "name": "early",
        "crew": "A",
        "start_at": start_at,
        "end_at": start_at + timedelta(hours=8),
    }
    return _saved(session, Shift(**given | values))


def make_line_log(
    session: Session, line_id: int, time: datetime = NOON, speed: float = SPEED_M_PER_MIN, **values: Any
) -> LineLogRow:
    given = {
        "line_id": line_id,
        "time": time,
        "ribbon_speed_m_per_min": speed,
        "gross_width_mm": 3500.0,
        "net_width_mm": 3210.0,
        "thickness_mm": 4.0,
        "pull_t_per_day": 504.0,
    }
    return _saved(session, LineLogRow(**given | values))


def make_event(session: Session, line: Line, **values: Any) -> Event:
    given = {
        "line_id": line.id,
        "event_id": f"E{next(_counter)}",
        "start_at": NOON,
        "kind": "batch",
        "text": "cullet share changed",
    }
    return _saved(session, Event(**given | values))


def make_defect(
    session: Session, sheet: Sheet, x_mm: float | None, y_mm: float | None, **values: Any
) -> Defect:
    given = {
        "line_id": sheet.line_id,
        "sheet_id": sheet.id,
        "number": next(_counter),
        "source": "photo",
        "kind": "bubble",
        "x_mm": x_mm,
        "y_mm": y_mm,
        "length_mm": 0.8,
        "width_mm": 0.5,
        "ribbon_m": None if y_mm is None else sheet.ribbon_start_m + y_mm / 1000.0,
        "ribbon_x_mm": None if x_mm is None else sheet.x_left_mm + x_mm,
        "found_at": sheet.inspected_at or sheet.cut_at,
        "recorded_at": sheet.inspected_at or sheet.cut_at,
        "withdrawn": False,
        "current": True,
    }
    return _saved(session, Defect(**given | values))


def make_photo(session: Session, sheet: Sheet, **values: Any) -> Photo:
    given = {
        "sheet_id": sheet.id,
        "sha256": f"{next(_counter):064x}",
        "name": "tile-a1.jpg",
        "size_bytes": 123_456,
        "state": "inspected",
        "added_at": sheet.cut_at,
        "run": 1,
        "inspected_at": sheet.cut_at,
        "lighting": "dark_field",
        "width_px": 4000,
        "height_px": 3000,
        "mm_per_px": 0.25,
        "scale_source": "tags",
        "scale_residual_mm": 0.05,
        "smallest_sized_mm": 0.6,
        "covered_mm": [0.0, 0.0, 1000.0, 750.0],
        "covered_fraction": 0.97,
        "result": {"messages": ["Two finds lie below the smallest size that this photo can measure."]},
    }
    return _saved(session, Photo(**given | values))


def make_find(session: Session, photo: Photo, number: int, **values: Any) -> Find:
    given = {
        "photo_id": photo.id,
        "run": photo.run,
        "number": number,
        "kind": "bubble",
        "x_mm": 200.0 + number,
        "y_mm": 300.0,
        "x_px": 800.0 + 4 * number,
        "y_px": 1200.0,
        "length_mm": 0.8,
        "width_mm": 0.5,
        "length_sd_mm": 0.04,
        "length_px": 3.2,
        "width_px": 2.0,
        "angle_deg": 10.0,
        "score": 0.93,
        "kind_scores": {"bubble": 0.93, "stone": 0.04, "scratch": 0.01, "not_glass": 0.02},
        "box_px": [796 + 4 * number, 1196, 9, 8],
        "flags": [],
    }
    return _saved(session, Find(**given | values))


def make_decision(session: Session, find: Find, word: str, **values: Any) -> FindDecision:
    given = {"find_id": find.id, "decision": word, "decided_at": START, "current": True}
    return _saved(session, FindDecision(**given | values))


def make_verdict(session: Session, sheet: Sheet, outcome: str = "accept", **values: Any) -> Verdict:
    given = {
        "sheet_id": sheet.id,
        "grade_id": "eschenfurt-window",
        "use": "stock",
        "rule_set_version": "2026-01",
        "rule_set_sha256": "ab" * 32,
        "outcome": outcome,
        "close_call": False,
        "reasons": [
            {
                "clause": "3.1",
                "says": "At most 0.5 bubbles of 0.5 to 1.0 mm per m2.",
                "finds": [0],
                "limit": 9,
                "counted": 1,
                "outcome": "accept",
            }
        ],
        "ladder": None,
        "defects": [],
        "sheet_as_judged": {},
        "coverage": {},
        "decided_at": sheet.inspected_at or sheet.cut_at,
        "current": True,
    }
    return _saved(session, Verdict(**given | values))


def make_claim(session: Session, **values: Any) -> Claim:
    given = {
        "number": f"C-{next(_counter):04d}",
        "received_at": START + timedelta(days=20),
        "says": "Three white specks near the left edge.",
        "state": "open",
    }
    return _saved(session, Claim(**given | values))


def make_figures(session: Session, line_id: int, **values: Any) -> PlantFigures:
    given = {
        "line_id": line_id,
        "valid_from": START - timedelta(days=365),
        "melter_mass_t": 1500.0,
        "melter_plug_fraction": 0.2,
        "melter_tanks_in_series": 3.0,
        "refiner_mass_t": 250.0,
        "refiner_plug_fraction": 0.5,
        "refiner_tanks_in_series": 3.0,
        "density_t_per_m3": 2.5,
        "gross_width_mm": 3500.0,
        "net_width_mm": 3210.0,
        "recorded_at": START,
    }
    return _saved(session, PlantFigures(**given | values))


def make_layout(session: Session, line_id: int, **points: float) -> None:
    """Layout points by name, metres upstream of the inspection point."""
    session.add_all(
        LayoutPoint(line_id=line_id, point=point, distance_m_upstream_of_inspection=distance)
        for point, distance in points.items()
    )
    session.flush()


def find_dict(number: int = 1, **values: Any) -> dict[str, Any]:
    """One find as it stands in an inspection result."""
    given: dict[str, Any] = {
        "number": number,
        "kind": "bubble",
        "not_glass": None,
        "x_mm": 500.0,
        "y_mm": 400.0,
        "x_px": 2000.0,
        "y_px": 1600.0,
        "length_mm": 0.9,
        "width_mm": 0.7,
        "halo_mm": None,
        "length_sd_mm": 0.03,
        "width_sd_mm": 0.03,
        "length_px": 3.6,
        "width_px": 2.8,
        "angle_deg": 90.0,
        "path_mm": None,
        "path_px": None,
        "score": 0.97,
        "kind_scores": {"bubble": 0.9, "stone": 0.05, "scratch": 0.01, "not_glass": 0.04},
        "not_glass_scores": {},
        "contrast": 0.4,
        "box_px": [1996, 1597, 8, 7],
        "flags": [],
    }
    return given | values


def inspection_dict(*finds: dict[str, Any], **values: Any) -> dict[str, Any]:
    """An inspection result of a photo that shows the whole of a 3 x 2 m sheet finely enough."""
    given: dict[str, Any] = {
        "photo": "photo.jpg",
        "lighting": "dark_field",
        "scale": {"mm_per_px": 0.1, "source": "tags", "residual_mm": 0.08},
        "smallest_sized_mm": 0.3,
        "covered_mm": [0.0, 0.0, 3000.0, 2000.0],
        "covered_fraction": 0.99,
        "finds": list(finds),
        "flags": [],
        "messages": [],
        "width_px": 30000,
        "height_px": 20000,
        "blur_px": 0.8,
        "frame": None,
        "timings_s": {"decode": 0.1},
    }
    return given | values


def live_a_little(sessions: sessionmaker[Session], store: PhotoStore, sheets: int = 2) -> None:
    """Photos, finds, a correction and verdicts in the books."""
    book = load_sets()
    with sessions.begin() as session:
        line, user = make_line(session), make_user(session).id
        for number in range(sheets):
            sheet = make_sheet(session, line)
            photo = inspections.add_photo(
                session, store, sheet.id, b"photo %d" % number, "a.jpg", {"a": 1}, user
            )
            found = [
                find_dict(),
                find_dict(2, x_mm=900.0, path_mm=[[900, 400], [930.5, 400]], kind="scratch"),
            ]
            inspections.record_inspection(session, photo.id, inspection_dict(*found))
            first = inspections.finds_of(session, sheet.id)[0].find.id
            inspections.confirm_find(session, first, user)
            inspections.change_find(session, first, user, length_mm=1.1)
            inspections.finish_sheet(session, book, sheet.id, user, confirm_undecided=True)
