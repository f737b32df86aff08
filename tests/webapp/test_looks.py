"""What was looked at by eye is said on the sheet's page, counts, and can be taken back."""

from sqlalchemy import select

from models import inspections
from models.records import FindPair, Line, Look, Sheet
from tests.factories import find_dict, inspection_dict, make_pack, make_sheet


def page_of(client, booth, number=0):
    return client.get(f"/inspect/sheets/{booth.sheet_ids[number]}").text


def post(client, path, **form):
    return client.post(path, data=form, follow_redirects=True)


def test_a_look_by_eye_is_recorded_with_who_and_how(inspector, booth, plant):
    sheet_id = booth.sheet_ids[0]
    assert "Looked at: nothing yet" in page_of(inspector, booth)
    done = post(inspector, f"/inspect/sheets/{sheet_id}/looks", lighting="dark_field", distance_m="1,5")
    assert "the whole sheet looked over by eye" in done.text
    assert "Looked at: 100 % by eye" in done.text
    assert "By eye, whole sheet, dark field, from 1.5 m" in done.text
    with plant.sessions() as session:
        look = session.scalars(select(Look)).one()
        assert (look.way, look.distance_mm, look.smallest_mm, look.parts_mm) == ("eye", 1500.0, None, None)
    gone = post(inspector, f"/inspect/looks/{look.id}/take-back")
    assert "Looked at: nothing yet" in gone.text
    with plant.sessions() as session:
        assert session.scalars(select(Look)).one().current is False


def test_tiles_can_be_named_and_an_unknown_one_is_refused(inspector, booth):
    sheet_id = booth.sheet_ids[0]
    done = post(inspector, f"/inspect/sheets/{sheet_id}/looks", tile="B1")
    assert "Stored: tiles B1 looked over by eye." in done.text
    refused = post(inspector, f"/inspect/sheets/{sheet_id}/looks", tile="Q9")
    assert refused.status_code == 400
    assert "this sheet has no such tile" in refused.text


def test_what_was_looked_at_stands_with_the_finished_sheet(inspector, booth, plant):
    first, second = booth.sheet_ids[:2]
    post(inspector, f"/inspect/sheets/{first}/looks", smallest_mm="0.5")
    for sheet_id in (first, second):
        post(inspector, f"/inspect/sheets/{sheet_id}/finish")
    with plant.sessions() as session:
        looked = [session.get_one(Sheet, sheet_id).looked_fraction for sheet_id in (first, second)]
        verdicts = [inspections.current_verdict(session, sheet_id) for sheet_id in (first, second)]
    assert looked == [1.0, None]  # of the second nobody said: not 0, not 1
    assert [verdict.outcome for verdict in verdicts] == ["accept", "not_judged"]


def test_two_finds_that_may_be_one_are_asked_about(inspector, booth, plant):
    sheet_id = booth.sheet_ids[0]
    with plant.sessions.begin() as session:
        for data, x_mm in ((b"one", 500.0), (b"two", 502.4)):
            photo = inspections.add_photo(session, plant.store, sheet_id, data, "a.jpg", None, None)
            inspections.record_inspection(session, photo.id, inspection_dict(find_dict(x_mm=x_mm)))
    page = page_of(inspector, booth)
    assert "1-1 and 2-1: one defect or two?" in page
    with plant.sessions() as session:
        ids = [view.find.id for view in inspections.finds_of(session, sheet_id)]
    done = post(inspector, f"/inspect/finds/{ids[0]}/pair/{ids[1]}", same="one")
    assert "they are one defect" in done.text
    assert "one defect or two?" not in done.text
    with plant.sessions() as session:
        assert session.scalars(select(FindPair)).one().same is True
        assert len(inspections.sheet_seen(session, sheet_id).groups) == 1


def test_the_rule_over_the_pack_stands_beside_the_sheets_verdict(inspector, booth, plant):
    with plant.sessions.begin() as session:
        pack = make_pack(session)
        sheet = session.get_one(Sheet, booth.sheet_ids[0])
        sheet.pack_id = pack.id
        line = session.get_one(Line, booth.line_id)
        make_sheet(session, line, pack_id=pack.id, state="passed_by", looked_fraction=0.0)
        label = pack.label
    page = page_of(inspector, booth)
    assert f"Pack {label}:" in page
    assert "E 2.5" in page
    assert "allowed" in page
    assert "Nobody inspected" in page
