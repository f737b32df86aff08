"""The demo's arrays as rows of the tables, with keys of their own so that rows can point to each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from models.demo import scenario as s
from models.demo.defects import Seen
from models.demo.production import DAY_S, Sheets, ShiftPlan
from models.demo.verdicts import PackPlan, reasons
from models.grades import Decision, GradeBook, SheetToJudge
from models.inspections.judging import digest_of_row
from models.records import Claim, Pack
from models.sheet.to_judge import kept_defect

#: the newest sheets wait for an inspector
WAITING = 12
ORIGIN = "demo seed"
#: what the demo's inspectors surely see: at 1 m the eye tells 0.3 mm apart (a minute of arc); the smallest
#: class of the plant's grades
SEEN_MM = 0.4
_COVERAGE: dict[str, Any] = {
    "needed_mm": None,
    "covered_fraction": None,
    "seen_fraction": None,
    "smallest_sized_mm": None,
    "tiles": [],
    "missing": [],
    "complete": True,
    "by": "looked over at the booth by eye and magnifier, no photos",
}


@dataclass(frozen=True, slots=True)
class Books:
    """All that is needed to write the rows; keys are index + 1."""

    start: datetime
    line_id: int
    staff: dict[str, tuple[int, str]]
    sheets: Sheets
    shifts: list[ShiftPlan]
    seen: Seen
    decisions: dict[int, tuple[SheetToJudge, Decision]]
    packs: list[PackPlan]
    pack_of: dict[int, int]

    def at(self, seconds: float) -> datetime:
        """The moment so many seconds after the start."""
        return self.start + timedelta(seconds=round(seconds))

    def inspector(self, index: int) -> tuple[int, str]:
        """(user id, full name) of who was on shift for this sheet."""
        return self.staff[self.shifts[int(self.sheets.shift[index])].crew]

    def shift_rows(self) -> list[dict[str, Any]]:
        return [
            {
                "id": number,
                "line_id": self.line_id,
                "name": plan.name,
                "crew": plan.crew,
                "start_at": self.at(plan.start_s),
                "end_at": self.at(plan.end_s),
            }
            for number, plan in enumerate(self.shifts, start=1)
        ]

    def pack_rows(self, customers: dict[str, int]) -> list[dict[str, Any]]:
        return [
            {
                "id": number,
                "label": f"P{number:05d}",
                "customer_id": customers[plan.customer],
                "grade_id": plan.grade_id,
                "use": "stock",
                "created_at": self.at(plan.filled_s),
                "shipped_at": None if plan.shipped_s is None else self.at(plan.shipped_s),
                "destination": plan.destination,
            }
            for number, plan in enumerate(self.packs, start=1)
        ]

    def sheet_rows(self) -> list[dict[str, Any]]:
        sheets = self.sheets
        count = sheets.start_m.size
        columns = zip(
            sheets.start_m.tolist(),
            sheets.cut_s.tolist(),
            sheets.thickness_mm.tolist(),
            sheets.run.tolist(),
            sheets.shift.tolist(),
            sheets.inspected.tolist(),
            sheets.inspected_s.tolist(),
            strict=True,
        )
        rows = []
        for index, (start_m, cut_s, thickness, run, shift, inspected, inspected_s) in enumerate(columns):
            waiting = index >= count - WAITING and not inspected
            rows.append(
                {
                    "id": index + 1,
                    "label": label(index),
                    "line_id": self.line_id,
                    "pack_id": None if index not in self.pack_of else self.pack_of[index] + 1,
                    "cut_at": self.at(cut_s),
                    "ribbon_start_m": round(start_m, 3),
                    "x_left_mm": s.X_LEFT_MM,
                    "length_mm": s.SHEET_MM,
                    "width_mm": s.NET_MM,
                    "thickness_mm": thickness,
                    "grade_id": s.RUNS[run].grade_id,
                    "state": "finished" if inspected else "waiting" if waiting else "passed_by",
                    "inspected_by": self.inspector(index)[0] if inspected else None,
                    "inspected_at": self.at(inspected_s) if inspected else None,
                    "shift_id": shift + 1 if inspected else None,
                    "looked_fraction": 1.0 if inspected else 0.0,
                }
            )
        return rows

    def look_rows(self) -> list[dict[str, Any]]:
        """Every inspected sheet was looked over whole, by eye, in the dark."""
        rows = []
        for number, index in enumerate(np.flatnonzero(self.sheets.inspected).tolist(), start=1):
            moment = self.at(float(self.sheets.inspected_s[index]) - 45)
            user_id, who = self.inspector(index)
            rows.append(
                {
                    "id": number,
                    "sheet_id": index + 1,
                    "looked": True,
                    "way": "eye",
                    "lighting": "dark_field",
                    "distance_mm": 1000.0,
                    "smallest_mm": SEEN_MM,
                    "looked_at": moment,
                    "looked_by": who,
                    "recorded_at": moment,
                    "recorded_by": user_id,
                    "source": "booth",
                    "current": True,
                }
            )
        return rows

    def defect_rows(self) -> list[dict[str, Any]]:
        seen, sheets = self.seen, self.sheets
        first = np.searchsorted(seen.sheet, seen.sheet, side="left")
        numbers = (np.arange(seen.sheet.size) - first + 1).tolist()
        x, y = np.round(seen.x_mm, 1), np.round(seen.y_mm, 1)
        ribbon_m = np.round(sheets.start_m[seen.sheet], 3) + y / 1000
        columns = zip(
            seen.sheet.tolist(), seen.kind.tolist(), numbers, x.tolist(), y.tolist(), seen.length_mm.tolist(),
            seen.width_mm.tolist(), seen.halo_mm.tolist(), ribbon_m.tolist(), strict=True,
        )  # fmt: skip
        rows = []
        for row, (index, kind, number, x_mm, y_mm, length, width, halo, metre) in enumerate(columns, start=1):
            found_at = self.at(float(sheets.inspected_s[index]) - 45)
            rows.append(
                {
                    "id": row,
                    "line_id": self.line_id,
                    "sheet_id": index + 1,
                    "number": number,
                    "source": "hand",
                    "kind": kind,
                    "x_mm": x_mm,
                    "y_mm": y_mm,
                    "length_mm": length,
                    "width_mm": width,
                    "halo_mm": None if np.isnan(halo) else halo,
                    "ribbon_m": metre,
                    "ribbon_x_mm": s.X_LEFT_MM + x_mm,
                    "found_at": found_at,
                    "recorded_at": found_at,
                    "recorded_by": self.inspector(index)[0],
                    "withdrawn": False,
                    "current": True,
                }
            )
        return rows

    def verdict_rows(self, book: GradeBook) -> list[dict[str, Any]]:
        rows = []
        for number, (index, (sheet, decision)) in enumerate(self.decisions.items(), start=1):
            grade = book.grade(s.RUNS[int(self.sheets.run[index])].grade_id)
            rows.append(
                {
                    "id": number,
                    "sheet_id": index + 1,
                    "grade_id": grade.id,
                    "use": sheet.use,
                    "rule_set_version": grade.version,
                    "rule_set_sha256": grade.sha256,
                    "outcome": decision.outcome,
                    "downgrade_to": decision.downgrade_to,
                    "close_call": decision.verdicts[0].close_call,
                    "reasons": reasons(decision),
                    "ladder": [one.to_dict() for one in decision.verdicts]
                    if len(decision.verdicts) > 1
                    else None,
                    "defects": list(_as_judged(sheet)),
                    "sheet_as_judged": {
                        "width_mm": sheet.width_mm,
                        "length_mm": sheet.length_mm,
                        "thickness_mm": sheet.thickness_mm,
                        "use": sheet.use,
                        "answers": {},
                        "optical_angle_deg": None,
                    },
                    "coverage": _COVERAGE,
                    "decided_at": self.at(float(self.sheets.inspected_s[index])),
                    "decided_by": self.inspector(index)[0],
                    "current": True,
                }
            )
        return rows

    def audit_entries(self, verdicts: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """One entry a finished sheet, in the order of time."""
        entries = []
        for row in sorted(verdicts, key=lambda row: (row["decided_at"], row["id"])):
            user_id, who = self.inspector(row["sheet_id"] - 1)
            entries.append(
                {
                    "at": row["decided_at"],
                    "user_id": user_id,
                    "who": who,
                    "origin": ORIGIN,
                    "action": "sheet.finish",
                    "subject_kind": "verdict",
                    "subject_id": row["id"],
                    "sheet_id": row["sheet_id"],
                    "details": {
                        "grade": row["grade_id"],
                        "rule_set_sha256": row["rule_set_sha256"],
                        "outcome": row["outcome"],
                        "downgrade_to": row["downgrade_to"],
                        "defects": [defect["ref"]["defect"] for defect in row["defects"]],
                        "verdict_sha256": digest_of_row(row),
                    },
                }
            )
        return entries

    def claims(self, session: Session) -> None:
        """Two complaints about packs that carry glass of the stone episode."""
        stones = self.seen.sheet[self.seen.kind == "stone"]
        counts: dict[int, int] = {}
        for index in stones.tolist():
            pack = self.pack_of.get(index)
            if pack is not None and self.packs[pack].shipped_s is not None:
                counts[pack] = counts.get(pack, 0) + 1
        worst = sorted(counts, key=lambda pack: (-counts[pack], pack))[:2]
        texts = (
            "Small hard lumps in several panes, seen when the frames were glazed.",
            "One pane with a grey speck near the middle; the installer sent it back.",
        )
        for number, (pack, text) in enumerate(zip(worst, texts, strict=False), start=1):
            row = session.get_one(Pack, pack + 1)
            shipped_s = self.packs[pack].shipped_s or 0.0
            session.add(
                Claim(
                    number=f"C-{number:04d}",
                    customer_id=row.customer_id,
                    pack_id=row.id,
                    received_at=self.at(shipped_s + 1.2 * DAY_S),
                    says=text,
                    state="open",
                )
            )
        session.flush()


def label(index: int) -> str:
    """The label of a sheet, by its place among all."""
    return f"{s.LINE}-{index + 1:07d}"


def _as_judged(sheet: SheetToJudge) -> Iterable[dict[str, Any]]:
    for number, defect in enumerate(sheet.defects, start=1):
        yield {**kept_defect(defect), "ref": {"defect": defect.ref + 1, "number": number}}
