"""One maker a record: sensible values, each of which a test may change by name."""

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session, sessionmaker

from models import inspections, users
from models.grades import load_sets
from models.records import Customer, Event, Line, LineLogRow, Pack, Sheet, Shift, User
from models.store import PhotoStore

#: a Monday at noon in the plant's time zone
NOON = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
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
    }
    return _saved(session, Sheet(**given | values))


def make_shift(session: Session, line: Line, **values: Any) -> Shift:
    given = {
        "line_id": line.id,
        "name": "early",
        "crew": "A",
        "start_at": NOON - timedelta(hours=6),
        "end_at": NOON + timedelta(hours=2),
    }
    return _saved(session, Shift(**given | values))


def make_line_log(session: Session, line: Line, **values: Any) -> LineLogRow:
    given = {
        "line_id": line.id,
        "time": NOON,
        "ribbon_speed_m_per_min": 10.0,
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
