"""The demo plant: the same for the same seed, sound in its books, and its stories really in the glass."""

from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from models import database, inspections
from models.demo import PhotoSheet, add_photo_sheets, decide_by_truth, seed_plant, sign_ins
from models.demo import scenario as s
from models.demo.defects import make_defects, stone_response
from models.demo.production import DAY_S, make_ribbon, make_sheets, make_shifts
from models.errors import NotAllowedNow
from models.grades import load_sets
from models.records import Defect, Line, LineLogRow, Pack, Sheet, User, Verdict
from models.users import sign_in
from models.verify import verify
from tests.factories import find_dict, inspection_dict

END = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
START = datetime(2026, 11, 4, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def production():
    rng = np.random.default_rng(5)
    ribbon, shifts = make_ribbon(rng, s.DAYS), make_shifts(START, s.DAYS)
    sheets = make_sheets(rng, ribbon, shifts, s.NOT_INSPECTED_SHIFTS)
    return ribbon, shifts, sheets, make_defects(rng, ribbon, sheets, shifts)


def test_the_ribbon_follows_the_trades_arithmetic(production):
    """pull = speed x width x thickness x density (common practice, no source)."""
    ribbon = production[0]
    pull = ribbon.speed_m_per_min * 1440 * s.GROSS_MM / 1000 * ribbon.thickness_mm / 1000 * s.DENSITY
    assert pull == pytest.approx(ribbon.pull_t_per_day, rel=2e-4)


def test_sheets_do_not_overlap_and_lie_on_the_ribbon(production):
    ribbon, _, sheets, _ = production
    assert (np.diff(sheets.start_m) >= s.SHEET_MM / 1000 - 1e-6).all()
    assert (np.diff(sheets.cut_s) > 0).all()
    assert sheets.start_m[-1] + s.SHEET_MM / 1000 <= ribbon.log.metres[-1]
    assert np.isin(sheets.thickness_mm, [4.0, 5.0, 6.0]).all()


def test_defects_lie_on_inspected_sheets(production):
    _, _, sheets, seen = production
    assert sheets.inspected[seen.sheet].all()
    assert ((seen.x_mm >= 0) & (seen.x_mm <= s.NET_MM) & (seen.y_mm >= 0) & (seen.y_mm <= s.SHEET_MM)).all()


def test_the_stone_episode_comes_days_after_the_repair(production):
    """Its centre lies a mean residence after the upset's middle: mass / pull, melter and refiner together."""
    ribbon, _, sheets, seen = production
    mean_days = (s.FIGURES["melter_mass_t"] + s.FIGURES["refiner_mass_t"]) / s.PULL_T_PER_DAY
    middle = s.STONE_EVENT.day + s.STONE_EVENT.hours / 48
    share = stone_response(ribbon, ribbon.times_s)
    centre = np.average(ribbon.times_s, weights=share) / DAY_S
    assert centre == pytest.approx(middle + mean_days, abs=0.15)
    day = sheets.cut_s / DAY_S
    looked = sheets.inspected & (sheets.shift >= 0)
    stones = np.bincount(seen.sheet[seen.kind == "stone"], minlength=day.size)

    def rate(low, high):
        on = looked & (day >= low) & (day < high)
        return stones[on].sum() / on.sum()

    assert rate(centre - 0.7, centre + 0.7) > 3.5 * rate(0, middle + 1)


def test_the_street_is_narrow_and_the_marks_keep_their_pitch(production):
    _, _, sheets, seen = production
    day = sheets.cut_s[seen.sheet] / DAY_S
    x = seen.x_mm + s.X_LEFT_MM
    near = np.abs(x - s.STREET_X_MM) < 3 * s.STREET_SD_MM
    during = (seen.kind == "bubble") & (day >= s.STREET_FROM) & (day < s.STREET_TO)
    before = (seen.kind == "bubble") & (day < s.STREET_FROM)
    assert (near & during).sum() / during.sum() > 5 * (near & before).sum() / before.sum()
    marks = seen.kind == "roll mark"
    metres = np.sort(sheets.start_m[seen.sheet[marks]] + seen.y_mm[marks] / 1000)
    pitch = np.pi * {name: diameter for name, diameter, _ in s.ROLLS}[s.MARK_ROLL] / 1000
    turns = np.diff(metres) / pitch
    assert np.abs(turns - np.round(turns)).max() < 0.01
    assert marks.sum() > 100


def test_shifts_follow_each_other_also_when_the_clocks_change():
    shifts = make_shifts(datetime(2026, 10, 20, 9, 0, tzinfo=UTC), 10)
    assert all(a.end_s == b.start_s for a, b in pairwise(shifts))
    lengths = {round((plan.end_s - plan.start_s) / 3600) for plan in shifts}
    assert lengths == {8, 9}  # the night of 25 October has an hour more


@pytest.mark.parametrize("days", [1.0])
def test_a_short_plant_on_either_database(sessions: sessionmaker[Session], store, days):
    book = load_sets()
    shares = []
    seeded = seed_plant(
        sessions, book, end=END, days=days, progress=lambda share, _text: shares.append(share)
    )
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    with sessions() as session:
        report = verify(session, store)
        assert report.faults == ()
        assert session.scalar(select(func.count()).select_from(Sheet)) == seeded.sheets
        assert session.scalar(select(func.count()).select_from(LineLogRow)) == 288
        assert session.scalar(select(func.count()).select_from(Verdict)) == seeded.inspected
        line = session.scalars(select(Line)).one()
        assert inspections.next_sheet(session, line.id).state == "waiting"
        # counters go on after the rows that came with their numbers
        session.add(Pack(label="new", use="stock", created_at=END))
        session.flush()
    with pytest.raises(NotAllowedNow, match="has a line already"):
        seed_plant(sessions, book, end=END, days=days)


def test_the_same_seed_gives_the_same_rows(tmp_path, empty_sqlite):
    import shutil

    rows = []
    for number in range(2):
        path = tmp_path / f"{number}.sqlite3"
        shutil.copy(empty_sqlite, path)
        engine = database.open_engine(database.sqlite_url(path))
        seed_plant(database.session_factory(engine), load_sets(), end=END, days=0.5)
        with engine.connect() as connection:
            rows.append(
                [connection.execute(t.__table__.select()).all() for t in (Sheet, Defect, Verdict, Pack)]
            )
        engine.dispose()
    assert rows[0] == rows[1]


def test_demo_people_can_sign_in(sessions: sessionmaker[Session]):
    seed_plant(sessions, load_sets(), end=END, days=0.2)
    for person in sign_ins():
        assert sign_in(sessions, person.name, person.password, with_pin=False).user is not None
    with sessions() as session:
        roles = set(session.scalars(select(User.role)))
    assert roles == {"inspector", "quality_lead", "claims_desk", "administrator"}


def test_photo_sheets_wait_and_are_decided_by_truth(sessions: sessionmaker[Session], store):
    seed_plant(sessions, load_sets(), end=END, days=0.2)
    with sessions.begin() as session:
        wanted = PhotoSheet(500.0, 380.0, 4.0, "eschenfurt-mirror", "cut_size")
        first, second = add_photo_sheets(session, [wanted, wanted], end=END)
        assert second.ribbon_start_m == pytest.approx(first.ribbon_start_m + 0.38)
        assert first.cut_at < second.cut_at < END
        assert inspections.ordered_grade(session, first) == ("eschenfurt-mirror", "cut_size")
        user = session.scalars(select(User.id)).first()
        photo = inspections.add_photo(session, store, first.id, b"photo", "a.jpg", None, user)
        found = [
            find_dict(x_mm=100.0, y_mm=50.0),
            find_dict(2, x_mm=300.0),
            find_dict(3, x_mm=400.0, not_glass="dust"),
        ]
        inspections.record_inspection(session, photo.id, inspection_dict(*found))
        truth = {
            "defects": [
                {"kind": "stone", "x_mm": 101.0, "y_mm": 50.5, "length_mm": 0.9, "visible": True},
                {"kind": "bubble", "x_mm": 20.0, "y_mm": 300.0, "length_mm": 0.5, "visible": True},
                {"kind": "bubble", "x_mm": 40.0, "y_mm": 300.0, "length_mm": 0.1, "visible": False},
                {"kind": "bubble", "x_mm": 540.0, "y_mm": 300.0, "length_mm": 0.5, "visible": True},
            ]
        }
        assert decide_by_truth(session, first.id, user, truth) == (1, 1, 1)
        kinds = [(d.kind, d.source) for d in inspections.defects_of(session, first.id)]
        assert kinds == [("stone", "photo"), ("bubble", "hand")]
