"""Several people, or one impatient finger, at the same moment: each act counts once."""

import io
from concurrent.futures import ThreadPoolExecutor

from sqlalchemy import func, select

from models import inspections
from models.database import reading
from models.records import Defect, Photo, Sheet, Verdict

JSON = {"Accept": "application/json"}
AT_ONCE = 6


def _all_at_once(act):
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(act, range(AT_ONCE)))


def _count(plant, table, *where):
    with reading(plant.sessions) as session:
        return session.scalar(select(func.count()).select_from(table).where(*where))


def test_the_same_photo_sent_by_several_at_once_is_one_photo(signed_in, booth, plant, photo_bytes):
    clients = [signed_in("inspector") for _ in range(AT_ONCE)]

    def send(number):
        photos = [(io.BytesIO(photo_bytes), f"copy{number}.jpg")]
        path = f"/inspect/sheets/{booth.sheet_ids[0]}/photos"
        return clients[number].post(path, data={"photos": photos}, headers=JSON)

    answers = _all_at_once(send)
    assert [answer.status_code for answer in answers] == [200] * AT_ONCE
    assert len({answer.json["photos"][0]["id"] for answer in answers}) == 1
    assert _count(plant, Photo) == 1


def test_a_find_confirmed_by_an_impatient_finger_is_one_defect(signed_in, booth, plant, photographed):
    clients = [signed_in("inspector") for _ in range(AT_ONCE)]
    with reading(plant.sessions) as session:
        find_id = inspections.finds_of(session, booth.sheet_ids[0])[0].find.id
    answers = _all_at_once(
        lambda number: clients[number].post(f"/inspect/finds/{find_id}/confirm", headers=JSON)
    )
    assert [answer.status_code for answer in answers] == [200] * AT_ONCE
    assert _count(plant, Defect) == 1


def test_several_who_take_the_next_sheet_at_once_get_different_ones(signed_in, booth, plant):
    roles = ("inspector", "quality_lead", "administrator")
    clients = [signed_in(role) for role in roles]
    with ThreadPoolExecutor(len(roles)) as pool:
        places = list(
            pool.map(lambda c: c.post(f"/inspect/lines/{booth.line_id}/next").headers["Location"], clients)
        )
    assert sorted(places) == [f"/inspect/sheets/{sheet_id}" for sheet_id in booth.sheet_ids]
    assert _count(plant, Sheet, Sheet.state == "in_work") == len(roles)


def test_a_sheet_finished_twice_at_once_has_one_verdict(signed_in, booth, plant):
    clients = [signed_in("inspector") for _ in range(AT_ONCE)]
    path = f"/inspect/sheets/{booth.sheet_ids[0]}/finish"
    answers = _all_at_once(lambda number: clients[number].post(path, headers=JSON))
    assert sorted(answer.status_code for answer in answers) == [200] + [409] * (AT_ONCE - 1)
    assert _count(plant, Verdict) == 1
