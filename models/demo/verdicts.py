"""Judges the seeded sheets with the real judge, and stacks them into packs. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.demo import scenario as s
from models.demo.defects import Seen
from models.demo.people import CUSTOMERS
from models.demo.production import DAY_S, Sheets
from models.grades import Decision, DefectToJudge, GradeBook, SheetToJudge, judge_ladder
from models.sheet.to_judge import defect_to_judge, sheet_to_judge

PACK_SHEETS = 24
#: a pack goes out some days after it was filled; what is younger stands in the yard
_SHIP_AFTER_DAYS = (1.5, 5.0)


@dataclass(frozen=True, slots=True)
class PackPlan:
    """A pack: grade, customer, destination; when filled and shipped, in seconds (None: in the yard)."""

    grade_id: str
    customer: str
    destination: str
    filled_s: float
    shipped_s: float | None


def judge_sheets(
    book: GradeBook, sheets: Sheets, seen: Seen, progress: Callable[[float], None]
) -> dict[int, tuple[SheetToJudge, Decision]]:
    """The decision on every inspected sheet, by index; `ref` of a defect is its index in `seen`."""
    first = np.searchsorted(seen.sheet, np.arange(sheets.start_m.size + 1))
    clean: dict[tuple[int, float], tuple[SheetToJudge, Decision]] = {}
    judged = {}
    looked = np.flatnonzero(sheets.inspected)
    for done, index in enumerate(looked.tolist()):
        if done % 500 == 0:
            progress(done / looked.size)
        run, thickness = int(sheets.run[index]), float(sheets.thickness_mm[index])
        rows = range(int(first[index]), int(first[index + 1]))
        # Most sheets have nothing in them: one judgement serves all of a run.
        if not rows and (run, thickness) in clean:
            judged[index] = clean[run, thickness]
            continue
        sheet = sheet_to_judge(
            sheet_mm=(s.NET_MM, s.SHEET_MM),
            thickness_mm=thickness,
            defects=[_defect(seen, row) for row in rows],
            looked=None,
        )
        grade_id = s.RUNS[run].grade_id
        judged[index] = sheet, judge_ladder(sheet, book.grade(grade_id), book.ladder(grade_id))
        if not rows:
            clean[run, thickness] = judged[index]
    return judged


def stack(
    rng: np.random.Generator,
    sheets: Sheets,
    decisions: dict[int, tuple[SheetToJudge, Decision]],
    end_s: float,
) -> tuple[list[PackPlan], dict[int, int]]:
    """Packs in the order in which they were filled, and the pack of each sheet that is in one.

    A sheet that was not inspected goes with its run; a downgraded one with the grade that it meets.
    """
    packs: list[PackPlan] = []
    pack_of: dict[int, int] = {}
    open_stack: dict[tuple[str, float], list[int]] = {}
    for index in np.flatnonzero(sheets.cut_s < end_s - 3 * 3600).tolist():
        grade_id: str | None = s.RUNS[int(sheets.run[index])].grade_id
        if index in decisions:
            decision = decisions[index][1]
            if decision.outcome == "downgrade":
                grade_id = decision.downgrade_to
            elif decision.outcome != "accept":
                continue
        if grade_id is None:
            continue
        stacked = open_stack.setdefault((grade_id, float(sheets.thickness_mm[index])), [])
        stacked.append(index)
        if len(stacked) == PACK_SHEETS:
            pack_of.update(dict.fromkeys(stacked, len(packs)))
            packs.append(_pack(rng, grade_id, float(sheets.cut_s[index]), end_s))
            stacked.clear()
    return packs, pack_of


def _pack(rng: np.random.Generator, grade_id: str, filled_s: float, end_s: float) -> PackPlan:
    customer, destination = CUSTOMERS[grade_id][int(rng.integers(len(CUSTOMERS[grade_id])))]
    shipped_s = filled_s + float(rng.uniform(*_SHIP_AFTER_DAYS)) * DAY_S
    return PackPlan(grade_id, customer, destination, filled_s, shipped_s if shipped_s < end_s else None)


def _defect(seen: Seen, row: int) -> DefectToJudge:
    halo = float(seen.halo_mm[row])
    values = {
        "kind": str(seen.kind[row]),
        "x_mm": round(float(seen.x_mm[row]), 1),
        "y_mm": round(float(seen.y_mm[row]), 1),
        "length_mm": float(seen.length_mm[row]),
        "width_mm": float(seen.width_mm[row]),
        "halo_mm": None if np.isnan(halo) else halo,
    }
    return defect_to_judge(values, sheet_mm=(s.NET_MM, s.SHEET_MM), ref=row)


def reasons(decision: Decision) -> list[dict[str, Any]]:
    """Reasons of the ordered grade as JSON."""
    return [reason.to_dict() for reason in decision.verdicts[0].reasons]
