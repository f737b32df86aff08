"""Who looked at a sheet, as a file of sheets says it: told, unknown, filled in later, contradicted."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import func, select

from models import orders
from models.errors import BadValue
from models.grade_books import plant_book
from models.grades import load_sets
from models.imports import import_file
from models.records import AuditEntry, Customer, Defect, Look, Pack, Sheet
from models.sheet.looked import LookStatement, looked_fraction, parts_of_looks
from tests.models.imports.test_import_files import DEFECTS, SHEET_HEADER, write

OF_LOOKS = f"{SHEET_HEADER},looked_at,looked_by,looked_time,way"
ALL = f"{OF_LOOKS},order_no,customer,grade"


def sheets(folder: Path, *tails: str, header: str = OF_LOOKS, name: str = "sheets.csv") -> Path:
    """Sheets A1, A2 and so on; a tail is what stands behind the thickness."""
    rows = [
        f"A{n + 1},2026-03-01T06:{n:02d}:00+01:00,{100 + 6 * n},145,6000,3210,4,{tail}"
        for n, tail in enumerate(tails)
    ]
    return write(folder, name, "\n".join((header, *rows)) + "\n")


def grade_ids(session):
    return plant_book(session, load_sets()).ids()


def looks(sessions):
    with sessions() as session:
        rows = session.execute(
            select(Sheet, Look).join(Look, Look.sheet_id == Sheet.id).order_by(Look.id)
        ).all()
        return [
            (s.label, look.looked, look.way, look.looked_at, look.looked_by, look.source, look.current)
            for s, look in rows
        ]


def fractions(sessions):
    with sessions() as session:
        return {label: part for label, part in session.execute(select(Sheet.label, Sheet.looked_fraction))}  # noqa: C416


FIRST = (",yes,Ilse,2026-03-01T06:02:00+01:00,both", ",yes,,,", ",NO,,,", ",,,,")


def test_yes_no_and_unknown_are_three_answers(sessions, tmp_path):
    report = import_file(sessions, "sheets", sheets(tmp_path, *FIRST))
    assert (report.added, report.warnings) == (4, ())
    assert fractions(sessions) == {"A1": 1.0, "A2": 1.0, "A3": 0.0, "A4": None}
    at = datetime(2026, 3, 1, 5, 2, tzinfo=UTC)
    assert looks(sessions) == [
        ("A1", True, "both", at, "Ilse", "import", True),
        ("A2", True, None, None, None, "import", True),
        ("A3", False, None, None, None, "import", True),
    ]
    with sessions() as session:
        assert set(session.scalars(select(Sheet.state))) == {"recorded"}


@pytest.mark.parametrize(("look", "said"), [(LookStatement(), 1.0), (LookStatement(looked=False), 0.0)])
def test_the_part_looked_at_is_what_the_one_rule_makes_of_the_statement(look, said):
    parts = parts_of_looks([look], 3210, 6000)
    assert looked_fraction("recorded", parts, [look], 1.0 if parts else 0.0) == said


def test_without_the_column_nobody_knows(sessions, tmp_path):
    path = sheets(tmp_path, "P1", "", header=SHEET_HEADER)
    import_file(sessions, "sheets", path)
    assert fractions(sessions) == {"A1": None, "A2": None}
    assert looks(sessions) == []


def test_the_same_file_twice_changes_nothing(sessions, tmp_path):
    path = sheets(tmp_path, *FIRST)
    import_file(sessions, "sheets", path)
    before = looks(sessions), fractions(sessions)
    report = import_file(sessions, "sheets", path)
    assert (report.added, report.changed, report.same) == (0, 0, 4)
    assert (looks(sessions), fractions(sessions)) == before


def test_a_later_file_fills_in_what_was_not_known(sessions, tmp_path):
    import_file(sessions, "sheets", sheets(tmp_path, ",yes,,,", ",,,,", ",,,,", ",yes,Ilse,,"))
    later = sheets(tmp_path, ",yes,Ilse,,eye", ",yes,,,", ",no,,,", ",,,,", name="later.csv")
    report = import_file(sessions, "sheets", later)
    assert (report.changed, report.same) == (3, 1)
    assert fractions(sessions) == {"A1": 1.0, "A2": 1.0, "A3": 0.0, "A4": 1.0}
    # the first statement on A1 stays in the books and no longer counts
    assert looks(sessions) == [
        ("A1", True, None, None, None, "import", False),
        ("A4", True, None, None, "Ilse", "import", True),
        ("A1", True, "eye", None, "Ilse", "import", True),
        ("A2", True, None, None, None, "import", True),
        ("A3", False, None, None, None, "import", True),
    ]
    assert import_file(sessions, "sheets", later).same == 4


CONTRADICTIONS = {
    ",no,,,": "looked_at is 'no' but 'yes' is in the books",
    ",yes,Piet,,": "looked_by is 'Piet' but 'Ilse' is in the books",
    ",yes,,,eye": "way is 'eye' but 'both' is in the books",
    ",yes,,2026-03-01T07:00:00+01:00,": "looked_time is '2026-03-01T06:00:00+00:00' but '2026-03-01T05:02:00",
}


@pytest.mark.parametrize("tail", CONTRADICTIONS)
def test_a_contradiction_is_refused_with_its_line(sessions, tmp_path, tail):
    import_file(sessions, "sheets", sheets(tmp_path, *FIRST))
    before = looks(sessions), fractions(sessions)
    other = sheets(tmp_path, tail, ",,,,", name="other.csv")
    with pytest.raises(BadValue) as caught:
        import_file(sessions, "sheets", other)
    assert "other.csv, line 2: sheet_id 'A1': " in str(caught.value)
    assert CONTRADICTIONS[tail] in str(caught.value)
    assert import_file(sessions, "sheets", other, skip_bad=True).refused_count == 1
    assert (looks(sessions), fractions(sessions)) == before


BAD = {
    ",maybe,,,": "looked_at is 'maybe'; expected yes, no or empty",
    ",yes,,,camera": "way is 'camera'; expected eye, photo, both or empty",
    ",yes,,yesterday,": "looked_time: 'yesterday' is not a time",
    ",,Ilse,,": "looked_by is given but looked_at is empty; expected yes",
    ",,,,eye": "way is given but looked_at is empty; expected yes",
    ",no,,2026-03-01T07:00:00+01:00,": "looked_time is given but looked_at is no; expected yes",
}


@pytest.mark.parametrize("tail", BAD)
def test_what_makes_no_sense_is_refused_in_one_sentence(sessions, tmp_path, tail):
    with pytest.raises(BadValue) as caught:
        import_file(sessions, "sheets", sheets(tmp_path, ",,,,", tail))
    assert f"sheets.csv, line 3: {BAD[tail]}" in str(caught.value)
    assert fractions(sessions) == {}


def test_one_sheet_twice_in_a_later_file_is_weighed_row_by_row(sessions, tmp_path):
    import_file(sessions, "sheets", sheets(tmp_path, ",,,,"))
    text = sheets(tmp_path, ",yes,,,").read_text(encoding="utf-8")
    twice = write(tmp_path, "twice.csv", text + text.splitlines()[1].replace("yes", "no") + "\n")
    with pytest.raises(BadValue, match=r"line 3: sheet_id 'A1': looked_at is 'no' but 'yes' is in the books"):
        import_file(sessions, "sheets", twice)
    again = write(tmp_path, "again.csv", text + text.splitlines()[1] + "\n")
    report = import_file(sessions, "sheets", again)
    assert (report.changed, report.same) == (1, 1)
    assert len(looks(sessions)) == 1


@pytest.mark.parametrize("state", ["waiting", "in_work", "finished", "passed_by"])
def test_for_a_sheet_of_the_booth_the_booth_speaks(sessions, tmp_path, state):
    import_file(sessions, "sheets", sheets(tmp_path, ",,,,"))
    with sessions.begin() as session:
        sheet = session.scalars(select(Sheet)).one()
        sheet.state, sheet.looked_fraction = state, 0.9 if state == "finished" else 0.0
    yes = sheets(tmp_path, ",yes,,,", name="yes.csv")
    with pytest.raises(BadValue, match="and the booth says what was looked at; expected an empty looked_at"):
        import_file(sessions, "sheets", yes)
    assert looks(sessions) == []
    if state == "passed_by":
        assert import_file(sessions, "sheets", sheets(tmp_path, ",no,,,", name="no.csv")).same == 1
        assert fractions(sessions) == {"A1": 0.0}


def test_what_was_told_before_the_booth_took_the_sheet_stays_the_same(sessions, tmp_path):
    path = sheets(tmp_path, ",yes,Ilse,,")
    import_file(sessions, "sheets", path)
    with sessions.begin() as session:
        sheet = session.scalars(select(Sheet)).one()
        sheet.state, sheet.looked_fraction = "in_work", 0.0
    assert import_file(sessions, "sheets", path).same == 1
    assert fractions(sessions) == {"A1": 0.0}


def test_defects_on_a_sheet_that_nobody_looked_at_go_in_and_are_named(sessions, tmp_path):
    import_file(sessions, "sheets", sheets(tmp_path, ",no,,,", ",,,,"))
    path = write(tmp_path, "defects.csv", DEFECTS + DEFECTS.splitlines()[1].replace("310.5", "400") + "\n")
    report = import_file(sessions, "defects", path)
    assert report.added == 3
    (warning,) = report.warnings
    assert warning == (
        "defects.csv: 2 defects lie on 1 sheet of which the books say that nobody looked at it (first A1);"
        " they stand, and rates leave these sheets out"
    )
    assert import_file(sessions, "defects", path).warnings == ()
    with sessions() as session:
        assert session.scalar(select(func.count()).select_from(Defect).where(Defect.current)) == 3
    assert fractions(sessions) == {"A1": 0.0, "A2": None}


def test_no_for_a_sheet_with_defects_stands_and_is_named(sessions, tmp_path):
    import_file(sessions, "sheets", sheets(tmp_path, ",,,,", ",,,,"))
    import_file(sessions, "defects", write(tmp_path, "defects.csv", DEFECTS))
    report = import_file(sessions, "sheets", sheets(tmp_path, ",no,,,", ",yes,,,", name="later.csv"))
    assert report.changed == 2
    (warning,) = report.warnings
    assert warning == (
        "later.csv: 1 sheet has defects in the books, but looked_at is no; both stand, and rates leave such"
        " sheets out"
    )


def test_the_customer_goes_to_the_pack_and_the_grade_to_the_sheet(sessions, tmp_path):
    with sessions() as session:
        grade = grade_ids(session)[0]
    rows = (
        f"P1,,,,,4711,Kestrelholm Facades,{grade.upper()}",
        "P1,,,,,4711,KESTRELHOLM  FACADES,",
        ",,,,,,Kestrelholm Facades,",
    )
    path = sheets(tmp_path, *rows, header=ALL)
    report = import_file(sessions, "sheets", path)
    assert report.added == 3
    assert report.warnings == (
        "sheets.csv: unknown column kept aside: order_no",
        "sheets.csv: 1 row names a customer but no pack: the customer is kept aside, it belongs to a pack",
    )
    with sessions() as session:
        assert session.scalars(select(Sheet.grade_id).order_by(Sheet.id)).all() == [grade, None, None]
        assert orders.order_of(session.scalars(select(Pack)).one()) == orders.Order(
            "Kestrelholm Facades", None, "stock"
        )
        acts = session.scalars(select(AuditEntry.action).order_by(AuditEntry.id)).all()
        assert acts == ["pack.order", "import"]
    again = import_file(sessions, "sheets", path)
    assert (again.changed, again.same) == (0, 3)


def test_a_customer_or_grade_is_filled_in_later_and_never_replaced(sessions, tmp_path):
    import_file(sessions, "sheets", sheets(tmp_path, "P1,,,,,,,", ",,,,,,,", header=ALL))
    with sessions() as session:
        first, second = grade_ids(session)[:2]
    later = sheets(tmp_path, f",,,,,,Alderfen Glazing,{first}", ",,,,,,,", header=ALL, name="later.csv")
    assert import_file(sessions, "sheets", later).changed == 1
    with sessions() as session:
        assert session.scalars(select(Customer.name)).all() == ["Alderfen Glazing"]
        assert session.scalars(select(Sheet.grade_id).order_by(Sheet.id)).all() == [first, None]
    for tail, says in (
        (
            "P1,,,,,,Kestrelholm Facades,",
            "customer is 'Kestrelholm Facades' but pack 'P1' is for 'Alderfen Gla",
        ),
        (f",,,,,,,{second}", f"grade is '{second}' but '{first}' is in the books"),
        (",,,,,,,no-such-grade", "grade: no grade is called 'no-such-grade'"),
    ):
        with pytest.raises(BadValue) as caught:
            import_file(sessions, "sheets", sheets(tmp_path, tail, header=ALL, name="bad.csv"))
        assert "bad.csv, line 2: sheet_id 'A1': " in str(caught.value)
        assert says in str(caught.value)


def test_two_customers_for_one_pack_in_one_file_are_refused(sessions, tmp_path):
    path = sheets(tmp_path, "P1,,,,,,Alderfen Glazing,", "P1,,,,,,Kestrelholm Facades,", header=ALL)
    with pytest.raises(
        BadValue, match=r"line 3: sheet_id 'A2': customer is 'Kestrelholm Facades' but pack 'P1'"
    ):
        import_file(sessions, "sheets", path)
    with sessions() as session:
        assert session.scalars(select(Pack)).all() == []


def test_many_sheets_keep_their_own_statements(sessions, tmp_path):
    """More than one statement's worth of rows (bulk inserts come in parts)."""
    answers = ["yes,Ilse,,eye", "no,,,", ",,,", "yes,,,"]
    tails = [f",{answers[n % 4]}" for n in range(2500)]
    rows = [
        f"B{n:05d},2026-03-01T06:00:00+01:00,{100 + 6 * n},145,6000,3210,4,{tail}"
        for n, tail in enumerate(tails)
    ]
    path = write(tmp_path, "sheets.csv", "\n".join((OF_LOOKS, *rows)) + "\n")
    assert import_file(sessions, "sheets", path).added == 2500
    told = {label: (looked, by) for label, looked, _, _, by, _, _ in looks(sessions)}
    expected = {
        f"B{n:05d}": (answers[n % 4].startswith("yes"), "Ilse" if n % 4 == 0 else None)
        for n in range(2500) if n % 4 != 2
    }  # fmt: skip
    assert told == expected
    assert import_file(sessions, "sheets", path).same == 2500
