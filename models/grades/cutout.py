"""The largest piece of a sheet, edges parallel to the sheet's, that meets the grade when it is judged by
itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from models.grades.grade import Grade
from models.grades.names import called
from models.grades.numbers import exact
from models.grades.piece import MICRON
from models.grades.search import Search
from models.grades.sheet import SheetToJudge
from models.grades.verdict import Verdict
from models.grades.ways import is_unsure


@dataclass(frozen=True, slots=True)
class CutOut:
    """The answer. x0_mm ... y1_mm in sheet coordinates; kept and left_out are indices of the sheet's defects.

    proved : whether no larger piece can pass (cuts on whole microns); False where a rule of the grade does
    not fit the search's proof or the search was ended early. looked_at : pieces looked at.
    assumes : what was assumed of faults whose size is not known; empty where there are none.
    """

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float
    area_m2: float
    part_of_sheet: float
    kept: tuple[int, ...]
    left_out: tuple[int, ...]
    verdict: Verdict
    proved: bool
    looked_at: int
    assumes: str = ""

    @property
    def width_mm(self) -> float:
        return float(exact(self.x1_mm) - exact(self.x0_mm))

    @property
    def length_mm(self) -> float:
        return float(exact(self.y1_mm) - exact(self.y0_mm))

    @property
    def corners_mm(self) -> list[float]:
        """[x0, y0, x1, y1] in sheet mm."""
        return [self.x0_mm, self.y0_mm, self.x1_mm, self.y1_mm]

    def words(self) -> str:
        """The answer as a sentence, in whole millimetres that lie inside the piece."""
        x0, y0 = math.ceil(self.x0_mm), math.ceil(self.y0_mm)
        x1, y1 = math.floor(self.x1_mm), math.floor(self.y1_mm)
        return (
            f"a piece of {x1 - x0} × {y1 - y0} mm ({100 * self.part_of_sheet:.0f} % of the sheet), "
            f"from x {x0} to {x1} mm and y {y0} to {y1} mm, "
            "meets the grade"
            + ("" if self.proved else "; a larger one is not ruled out")
            + (f"; {self.assumes}" if self.assumes else "")
        )


def largest_piece(
    sheet: SheetToJudge,
    grade: Grade,
    *,
    confirmed_by: str | None = None,
    least_side_mm: float = 100.0,
    clearance_mm: float = 0.0,
    most_looked_at: int = 20_000,
) -> CutOut | None:
    """The largest piece that the grade accepts, or None where there is none.

    least_side_mm : shorter pieces are of no use.  clearance_mm : how far a cut keeps from each fault that
    counts out.
    most_looked_at : after so many pieces the search goes on with the most promising ones only and proves
    nothing.
    """
    if grade.remembered and not (confirmed_by or grade.confirmed_by):
        return None
    search = Search(sheet, grade, confirmed_by, exact(least_side_mm), exact(clearance_mm))
    found = search.run(most_looked_at)
    if found is None:
        return None
    x0, y0, x1, y1 = (Decimal(edge) / MICRON for edge in found.rect)
    area = (x1 - x0) * (y1 - y0) / 1_000_000
    whole = exact(sheet.width_mm) * exact(sheet.length_mm) / 1_000_000
    left_out = sorted(set(range(len(sheet.defects))) - set(found.kept))
    return CutOut(
        float(x0), float(y0), float(x1), float(y1), float(area), float(area / whole),
        found.kept, tuple(left_out), found.verdict, found.proved, found.looked_at, _assumes(sheet),
    )  # fmt: skip


def _assumes(sheet: SheetToJudge) -> str:
    names = [d.name or str(i + 1) for i, d in enumerate(sheet.defects) if is_unsure(d)]
    if not names:
        return ""
    if len(names) == 1:
        return f"the size of {called(names)} is not known: it counts at its worst"
    return f"the sizes of {called(names)} are not known: they count at their worst"
