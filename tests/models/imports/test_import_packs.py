"""Packs from a file: customer, grade, use and shipping, before their sheets or after them."""

from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import audit, inspections, orders
from models.errors import BadValue
from models.imports import KINDS, import_file
from models.imports.folder import take_folder
from models.records import AuditEntry, Customer, Line, Pack
from tests.models.imports.test_import_files import SHEETS, write
from webapp.cli.imports import KINDS as COMMAND_KINDS

HEADER = "pack_id,customer,grade,use,shipped_at,destination\n"
PACKS = f"""{HEADER}P1,Kestrelholm Facades,eschenfurt-window,stock,2026-03-04T14:00:00+01:00,Kestrelholm
P2,KESTRELHOLM FACADES,eschenfurt-mirror,cut_size,,
P3,,,,,
"""


def packs_in(folder: Path, *rows: str) -> Path:
    return write(folder, "packs.csv", HEADER + "".join(f"{row}\n" for row in rows))


def the_pack(session: Session, label: str) -> Pack:
    return session.scalars(select(Pack).where(Pack.label == label)).one()


def count(session: Session, table: type) -> int:
    return session.scalar(select(func.count()).select_from(table)) or 0


def test_packs_may_come_before_their_sheets_and_twice_is_once(sessions, tmp_path):
    path = write(tmp_path, "packs.csv", PACKS)
    report = import_file(sessions, "packs", path)
    assert (report.read, report.added, report.line) == (3, 3, "")
    assert report.says() == "packs.csv: 3 rows of packs: 3 added."
    with sessions() as session:
        assert count(session, Line) == 0
        first, second, third = (orders.order_of(the_pack(session, name)) for name in ("P1", "P2", "P3"))
        assert first == orders.Order("Kestrelholm Facades", "eschenfurt-window", "stock")
        assert second == orders.Order("Kestrelholm Facades", "eschenfurt-mirror", "cut_size")
        assert third == orders.Order(None, None, "stock")
        assert the_pack(session, "P1").shipped_at.isoformat() == "2026-03-04T13:00:00+00:00"
        assert the_pack(session, "P1").destination == "Kestrelholm"
        assert count(session, Customer) == 1
        acts = session.scalars(select(AuditEntry.action).order_by(AuditEntry.id)).all()
        assert acts == ["pack.order", "pack.ship", "pack.order", "import"]
        origins = set(session.scalars(select(AuditEntry.origin)))
        assert origins == {"import file packs.csv"}
        assert list(audit.verify(session)) == []
    again = import_file(sessions, "packs", path)
    assert (again.added, again.changed, again.same) == (0, 0, 3)
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    with sessions() as session:
        assert count(session, AuditEntry) == len(acts) + 1
        sheet = inspections.sheet_by_label(session, "A1")
        assert inspections.ordered_grade(session, sheet) == ("eschenfurt-window", "stock")
        assert count(session, Pack) == 3


def test_a_later_file_fills_in_and_changes_what_has_not_left(sessions, tmp_path):
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    report = import_file(sessions, "packs", packs_in(tmp_path, "P1,Ottervale Mirrors,,,,"))
    assert (report.added, report.changed) == (0, 1)
    report = import_file(
        sessions,
        "packs",
        packs_in(tmp_path, "P1,,eschenfurt-mirror,cut_size,2026-03-01T12:00:00+01:00,", "P9,,,stock,,"),
    )
    assert (report.added, report.changed) == (1, 1)
    with sessions() as session:
        pack = the_pack(session, "P1")
        assert orders.order_of(pack) == orders.Order("Ottervale Mirrors", "eschenfurt-mirror", "cut_size")
        assert pack.destination is None
    report = import_file(sessions, "packs", packs_in(tmp_path, "P1,,,,2026-03-01T11:00:00Z,Ottervale"))
    assert report.changed == 1
    with pytest.raises(BadValue, match=r"line 2: pack P1: was shipped .* with customer 'Ottervale Mirrors'"):
        import_file(sessions, "packs", packs_in(tmp_path, "P1,Tannbruch Glazing,,,,"))


BAD_PACKS = {
    ",Tannbruch Glazing,,stock,,": "pack_id is empty",
    "P5,,eschenfurt-windw,stock,,": "no grade is called 'eschenfurt-windw'; the nearest are eschenfurt-w",
    "P5,,,cut,,": "use is 'cut'; expected stock or cut_size",
    "P5,,,stock,2026-03-04T14:00:00,": "has no offset",
    "P5,,,stock,on Monday,": "is not a time",
    "P5,,,stock,2999-01-01T00:00:00Z,": "is still to come",
    "P5,,,stock,,Ottervale": "destination is 'Ottervale' but shipped_at is empty; expected both",
    "P1,,,stock,2026-03-01T05:59:59+01:00,": "lies before its sheet A1 was cut",
    "P2,Tannbruch Glazing,,stock,,": "pack_id 'P2' stands in line 2 with other values",
    f"P5,{'K' * 201},,stock,,": "customer has 201 characters",
    "P5,Kestrel\u200b\u0007holm,,stock,,": "customer has signs that cannot be printed",
    "P5,,,stock": "has 4 cells; expected 6",
}


@pytest.mark.parametrize("row", BAD_PACKS)
def test_a_bad_row_is_named_and_keeps_the_whole_file_out(sessions, tmp_path, row):
    import_file(sessions, "sheets", write(tmp_path, "sheets.csv", SHEETS))
    path = packs_in(tmp_path, "P2,Kestrelholm Facades,,stock,,", row)
    with pytest.raises(BadValue) as caught:
        import_file(sessions, "packs", path)
    assert "packs.csv, line 3: " in str(caught.value)
    assert BAD_PACKS[row] in str(caught.value)
    assert "nothing was imported" in str(caught.value)
    with sessions() as session:
        assert (count(session, Pack), count(session, Customer)) == (1, 0)
    report = import_file(sessions, "packs", path, skip_bad=True)
    assert (report.added, report.refused_count, report.refused[0].line) == (1, 1, 3)
    with sessions() as session:
        assert sorted(session.scalars(select(Pack.label))) == ["P1", "P2"]
        assert list(audit.verify(session)) == []


def test_columns_may_be_missing_or_unknown(sessions, tmp_path):
    short = write(tmp_path, "packs.csv", "pack_id,customer,grade,use,driver\nP1,,,stock,Piet\n")
    report = import_file(sessions, "packs", short)
    assert report.warnings == ("packs.csv: unknown column kept aside: driver",)
    with pytest.raises(BadValue, match="line 1: column grade is missing"):
        import_file(sessions, "packs", write(tmp_path, "p.csv", "pack_id,customer,use\nP1,,stock\n"))
    assert import_file(sessions, "packs", packs_in(tmp_path)).read == 0


def test_no_line_has_to_be_named_in_a_plant_with_several(sessions, tmp_path):
    for name in ("North", "South"):
        with sessions.begin() as session:
            now = orders.utc_now()
            session.add(Line(name=name, plant="Eschenfurt", time_zone="UTC", created_at=now))
    assert import_file(sessions, "packs", write(tmp_path, "packs.csv", PACKS)).added == 3
    with pytest.raises(BadValue, match="there is no line 'West'"):
        import_file(sessions, "packs", tmp_path / "packs.csv", line="West")


def test_a_watch_folder_takes_packs_after_sheets(sessions, tmp_path):
    write(tmp_path, "packs_monday.csv", PACKS)
    write(tmp_path, "sheets_monday.csv", SHEETS)
    said = take_folder(sessions, tmp_path, quiet_s=0.0)
    assert [line.split(":")[0] for line in said] == ["sheets_monday.csv", "packs_monday.csv"]
    with sessions() as session:
        assert the_pack(session, "P1").shipped_at is not None
        assert count(session, Pack) == 3


def test_the_command_takes_every_kind_of_file():
    assert set(COMMAND_KINDS) == set(KINDS)
