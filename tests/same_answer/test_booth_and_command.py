"""Booth, command line and history say the same of a sheet: outcome, reasons, sizes, coverage, names."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from sqlalchemy.orm import Session

from models import inspections
from models.grades import Decision, GradeBook, judge_ladder, load_sets
from models.history import sheet_history
from models.sheet.from_results import label_of, sheet_of_results
from models.store import PhotoStore
from tests import factories
from tests.factories import find_dict, inspection_dict
from tests.models.sheet.shown import scratch

BOOK: GradeBook = load_sets()
GRADES = sorted(grade for grade in BOOK.ids() if not BOOK.grade(grade).remembered)
SHEET = (3000.0, 2000.0)


def random_results(rng: np.random.Generator) -> list[dict[str, Any]]:
    """One to four photos of a sheet with spots, scratches over several of them, dust and unsized specks."""
    count = int(rng.integers(1, 5))
    wide = SHEET[0] / count
    true: list[dict[str, Any]] = []
    for _ in range(int(rng.integers(0, 9))):
        kind = str(rng.choice(["bubble", "stone"]))
        x, y = rng.uniform(20, SHEET[0] - 20), rng.uniform(20, SHEET[1] - 20)
        size = None if rng.random() < 0.2 else round(float(np.exp(rng.uniform(-1, 1.3))), 2)
        true.append({"kind": kind, "x_mm": x, "y_mm": y, "length_mm": size, "width_mm": size})
    for _ in range(int(rng.integers(0, 3))):
        x, y, long = rng.uniform(60, 2500), rng.uniform(60, 1900), rng.uniform(20, 900)
        path = np.column_stack([np.linspace(x, min(x + long, 2950), 200), np.full(200, y)])
        true.append({"kind": "scratch", "path": path})
    results = []
    for n in range(count):
        box = [max(n * wide - 100, 0.0), 0.0, min((n + 1) * wide + 100, SHEET[0]), SHEET[1]]
        if rng.random() < 0.2:
            box[3] = 1500.0
        finds = []
        for one in true:
            if "path" in one:
                inside = (
                    (one["path"][:, 0] >= box[0])
                    & (one["path"][:, 0] <= box[2])
                    & (one["path"][:, 1] <= box[3])
                )
                if inside.sum() > 5:
                    finds.append(scratch(len(finds) + 1, one["path"][inside] + rng.normal(0, 0.1, 2)))
            elif box[0] <= one["x_mm"] <= box[2] and one["y_mm"] <= box[3]:
                more = {
                    **one,
                    "x_mm": one["x_mm"] + rng.normal(0, 0.1),
                    "y_mm": one["y_mm"] + rng.normal(0, 0.1),
                }
                finds.append(find_dict(len(finds) + 1, **more))
        if rng.random() < 0.5:
            finds.append(find_dict(len(finds) + 1, x_mm=box[0] + 50, y_mm=50.0, not_glass="dust"))
        whole = [{**find_dict(), **find} for find in finds]
        results.append(
            inspection_dict(
                *whole, photo=f"photo-{n}.jpg", covered_mm=box,
                smallest_sized_mm=float(rng.choice([0.1, 0.3, 1.2])),
            )
        )  # fmt: skip
    return results


def said(decision: Decision) -> list[tuple[str, str, str]]:
    return [(reason.outcome, reason.clause, reason.says) for reason in decision.verdicts[0].reasons]


@pytest.mark.parametrize("ten", range(10))
def test_a_sheet_is_the_same_in_booth_command_and_history(session: Session, store: PhotoStore, ten: int):
    for seed in range(10 * ten, 10 * ten + 10):
        check(session, store, seed)


def check(session: Session, store: PhotoStore, seed: int) -> None:
    rng = np.random.default_rng(seed)
    results = random_results(rng)
    grade = BOOK.grade(str(rng.choice(GRADES)))
    line = factories.make_line(session, grade_id=grade.id)
    user = factories.make_user(session).id
    sheet = factories.make_sheet(session, line, width_mm=SHEET[0], length_mm=SHEET[1])
    for number, result in enumerate(results):
        photo = inspections.add_photo(
            session, store, sheet.id, b"%d-%d" % (seed, number), result["photo"], None, user
        )
        inspections.record_inspection(session, photo.id, result)

    booth = inspections.judge_sheet(session, BOOK, sheet.id)
    command = sheet_of_results(
        results, sheet_mm=SHEET, thickness_mm=sheet.thickness_mm, needed_mm=grade.smallest_class_mm
    )
    decided = judge_ladder(command.sheet, grade, BOOK.ladder(grade.id))
    assert booth.decision.outcome == decided.outcome
    assert said(booth.decision) == said(decided)
    assert booth.coverage.covered_fraction == command.looked.covered_fraction
    assert booth.coverage.missing == command.looked.missing
    assert [tile.name for tile in booth.coverage.tiles] == [tile.name for tile in command.looked.tiles]
    groups = inspections.sheet_seen(session, sheet.id).groups
    assert {(g.name, g.seen.length_mm, g.not_glass) for g in groups if g.seen} == {
        (label_of(command.joined, n), seen.length_mm, seen.not_glass)
        for n, seen in enumerate(command.joined.defects)
    }

    verdict = inspections.finish_sheet(session, BOOK, sheet.id, user, confirm_undecided=True)
    history = sheet_history(session, sheet.id)
    assert history.verdict is not None
    assert history.verdict.outcome == verdict.outcome == booth.decision.outcome
    counted = {(kind, length) for kind, length in _sizes(booth.sheet.defects)}
    assert {(revision.kind, revision.length_mm) for _, revision in history.counted} == counted
    assert sheet.looked_fraction == booth.coverage.seen_fraction


def _sizes(defects: Any) -> list[tuple[str, float | None]]:
    return [(defect.kind, defect.length_mm) for defect in defects]


def test_a_very_large_photo_is_looked_at_alike_with_and_without_progress(monkeypatch: pytest.MonkeyPatch):
    """The booth shows a bar and the command line does not: both look at such a photo in the same parts."""
    from vision import PhotoSetup, inspect_photo
    from vision.detection import tiles
    from webapp import bridge

    monkeypatch.setattr(tiles, "LARGEST_PART_PX", 200_000)
    rng = np.random.default_rng(3)
    grey = np.clip(rng.normal(120, 2, (600, 900)), 0, 255).astype(np.uint8)
    for x, y in rng.integers(40, 560, (12, 2)):
        cv2.circle(grey, (int(x), int(y)), 5, 40, -1)
    data = cv2.imencode(".png", grey)[1].tobytes()
    setup = {"lighting": "bright_field", "mm_per_px": 0.1, "field_mm": [0, 0, 90, 60]}
    told: list[float] = []
    booth = bridge.inspect_bytes(data, setup, "a.png", lambda share, _says: told.append(share))
    command = inspect_photo(data, PhotoSetup.from_dict(setup, where="set-up"), name="a.png").to_dict()
    assert told
    assert booth["finds"]
    assert booth["finds"] == command["finds"]
    assert booth["flags"] == command["flags"]
