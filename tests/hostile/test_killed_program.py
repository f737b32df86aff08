"""The program is killed amid its work, again and again: nothing acknowledged is lost, nothing is half."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sqlalchemy import func, select

from models import database, inspections
from models.records import Defect, Job, Photo
from models.store import PhotoStore
from models.verify import verify
from tests.factories import make_line, make_sheet, make_user

WORKER = """
import sys
from pathlib import Path
from models import database, inspections, jobs
from models.store import PhotoStore
from tests.factories import find_dict, inspection_dict

home, sheet_id, user = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
sessions = database.session_factory(database.open_engine(database.default_url(home)))
store = PhotoStore(home / "photos")
number = 0
while True:
    number += 1
    data = b"%s %d" % (sys.argv[4].encode(), number) * 2000
    with sessions.begin() as session:
        photo = inspections.add_photo(session, store, sheet_id, data, "a.jpg", None, user).id
    print("photo", photo, flush=True)
    with sessions.begin() as session:
        found = find_dict(x_mm=float(photo * 17 % 2900))
        inspections.record_inspection(session, photo, inspection_dict(found))
        last = [view for view in inspections.finds_of(session, sheet_id) if view.photo.id == photo][0]
        defect = inspections.confirm_find(session, last.find.id, user, note=f"number {number}").id
    print("defect", defect, flush=True)
"""


@pytest.mark.parametrize("seed", [3])
def test_a_killed_program_loses_nothing_it_acknowledged(sqlite_home, seed):
    engine = database.open_engine(database.default_url(sqlite_home))
    sessions = database.session_factory(engine)
    with sessions.begin() as session:
        sheet, user = make_sheet(session, make_line(session)).id, make_user(session).id
    rng = random.Random(seed)
    promised: list[tuple[str, int]] = []
    for run in range(5):
        worker = subprocess.Popen(
            [sys.executable, "-c", WORKER, str(sqlite_home), str(sheet), str(user), f"{seed}-{run}"],
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).resolve().parents[2],
        )
        for _ in range(rng.randint(1, 9)):
            promised.append(promise(worker.stdout.readline()))
        time.sleep(rng.random() * 0.02)
        worker.send_signal(signal.SIGKILL)
        promised += [promise(line) for line in worker.stdout.readlines() if line.endswith("\n")]
        worker.stdout.close()
        worker.wait()
    with sessions() as session:
        for kind, number in promised:
            assert session.get(Photo if kind == "photo" else Defect, number) is not None
        report = verify(session, PhotoStore(sqlite_home / "photos"))
        assert report.faults == ()
        photos = session.scalar(select(func.count()).select_from(Photo))
        assert session.scalar(select(func.count()).select_from(Job)) == photos
        assert all(photo.run == 1 or photo.state == "waiting" for photo in session.scalars(select(Photo)))
        assert (
            len(inspections.defects_of(session, sheet)) >= sum(kind == "defect" for kind, _ in promised) > 5
        )
    engine.dispose()


def promise(line: str) -> tuple[str, int]:
    kind, number = line.split()
    return kind, int(number)
