"""Hundreds of acts in any order: the books stay sound whatever inspectors do."""

import numpy as np
import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from models import inspections
from models.errors import LehrbookError
from models.grades import load_sets
from models.inspections import DefectValues
from models.records import Defect, Find, FindDecision, Verdict
from models.store import PhotoStore
from models.verify import verify
from tests.booth import Booth
from tests.factories import find_dict


class Inspector:
    """Acts at random; what the program refuses is counted and changes nothing."""

    def __init__(self, booth: Booth, seed: int) -> None:
        self.booth, self.session = booth, booth.session
        self.rng = np.random.default_rng(seed)
        self.book = load_sets()
        self.refused = 0

    def act(self) -> None:
        acts = (self.photo, self.confirm, self.change, self.dismiss, self.add, self.correct, self.withdraw,
                self.finish, self.reopen, self.take_back)  # fmt: skip
        weights = np.array([2, 5, 3, 4, 2, 3, 2, 2, 3, 1], float)
        try:
            with self.session.begin_nested():
                acts[self.rng.choice(len(acts), p=weights / weights.sum())]()
        except LehrbookError:
            self.refused += 1

    def photo(self) -> None:
        spots = self.rng.integers(0, 6, 3) * 400.0 + 100
        found = [find_dict(n, x_mm=float(x + self.rng.normal(0, 0.3))) for n, x in enumerate(spots, start=1)]
        self.booth.photo(*found, data=self.rng.bytes(20))

    def some_find(self) -> int:
        return int(self.rng.choice([view.find.id for view in self.booth.finds()] or [0]))

    def some_defect(self) -> int:
        rows = self.session.scalars(select(Defect.id).where(Defect.sheet_id == self.booth.sheet.id)).all()
        return int(self.rng.choice(rows or [0]))

    def confirm(self) -> None:
        inspections.confirm_find(self.session, self.some_find(), self.booth.user)

    def change(self) -> None:
        length = float(self.rng.choice([0.5, 1.5, -1.0]))
        inspections.change_find(self.session, self.some_find(), self.booth.user, length_mm=length)

    def dismiss(self) -> None:
        inspections.dismiss_find(self.session, self.some_find(), self.booth.user)

    def take_back(self) -> None:
        inspections.take_back_decision(self.session, self.some_find(), self.booth.user)

    def add(self) -> None:
        values = DefectValues("stone", float(self.rng.uniform(-20, 3000)), 50.0, 0.4)
        inspections.add_defect(self.session, self.booth.sheet.id, self.booth.user, values)

    def correct(self) -> None:
        inspections.change_defect(self.session, self.some_defect(), self.booth.user, note="looked again")

    def withdraw(self) -> None:
        inspections.withdraw_defect(self.session, self.some_defect(), self.booth.user)

    def finish(self) -> None:
        inspections.finish_sheet(
            self.session,
            self.book,
            self.booth.sheet.id,
            self.booth.user,
            confirm_undecided=bool(self.rng.random() < 0.5),
        )

    def reopen(self) -> None:
        inspections.reopen_sheet(self.session, self.booth.sheet.id, self.booth.user, "once more")


@pytest.mark.parametrize("seed", [1, 2])
def test_the_books_stay_sound(session: Session, store: PhotoStore, seed: int):
    inspector = Inspector(Booth(session, store), seed)
    finds_before: dict[int, tuple] = {}
    for _ in range(120):
        inspector.act()
        for find in session.scalars(select(Find)):
            said = (find.kind, find.x_mm, find.length_mm, find.same_as_id)
            assert finds_before.setdefault(find.id, said) == said
    session.commit()
    assert inspector.refused > 5

    defects = session.scalars(select(Defect).order_by(Defect.id)).all()
    superseded = {defect.supersedes_id for defect in defects}
    for defect in defects:
        is_last = defect.id not in superseded
        assert defect.current == (is_last and not defect.withdrawn)
        if defect.supersedes_id is not None:
            before = session.get_one(Defect, defect.supersedes_id)
            assert before.number == defect.number
            assert before.id < defect.id
    current = [defect.number for defect in defects if defect.current]
    assert len(current) == len(set(current))

    words = session.scalars(select(FindDecision).where(FindDecision.current)).all()
    groups = inspections.sheet_seen(session, inspector.booth.sheet.id).by_find
    assert len({groups[word.find_id].find.id for word in words if word.find_id in groups}) == len(words)
    assert {word.defect_id for word in words if word.defect_id} == {
        defect.id for defect in defects if defect.current and defect.find_id is not None
    }
    verdicts = session.scalars(select(Verdict).order_by(Verdict.id)).all()
    assert [verdict.current for verdict in verdicts] == [False] * (len(verdicts) - 1) + [True]
    assert verify(session, store).faults == ()
