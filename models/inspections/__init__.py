"""What happens to a sheet in the booth. Plain functions that take a session first.

Each act writes its record and its audit entry in the session's one transaction and locks
the sheet first; the caller commits.
"""

from models.inspections.coverage import CoverageSummary, Tile, coverage
from models.inspections.deciding import (
    FindView,
    add_defect,
    change_defect,
    change_find,
    confirm_find,
    confirm_rest,
    dismiss_find,
    finds_of,
    take_back_word,
    withdraw_defect,
)
from models.inspections.defects import DefectValues, defects_of, revisions_of
from models.inspections.judging import (
    Judged,
    answer,
    current_verdict,
    finish_sheet,
    judge_again,
    judge_sheet,
    ordered_grade,
    set_grade,
)
from models.inspections.photos import (
    INSPECT_JOB,
    add_photo,
    get_photo,
    inspect_again,
    photos_of,
    record_failure,
    record_inspection,
)
from models.inspections.taking import (
    give_back,
    lines,
    next_sheet,
    pass_by,
    reopen_sheet,
    sheet_by_label,
    shift_at,
    take_next,
    take_sheet,
)

__all__ = [
    "INSPECT_JOB",
    "CoverageSummary",
    "DefectValues",
    "FindView",
    "Judged",
    "Tile",
    "add_defect",
    "add_photo",
    "answer",
    "change_defect",
    "change_find",
    "confirm_find",
    "confirm_rest",
    "coverage",
    "current_verdict",
    "defects_of",
    "dismiss_find",
    "finds_of",
    "finish_sheet",
    "get_photo",
    "give_back",
    "inspect_again",
    "judge_again",
    "judge_sheet",
    "lines",
    "next_sheet",
    "ordered_grade",
    "pass_by",
    "photos_of",
    "record_failure",
    "record_inspection",
    "reopen_sheet",
    "revisions_of",
    "set_grade",
    "sheet_by_label",
    "shift_at",
    "take_back_word",
    "take_next",
    "take_sheet",
    "withdraw_defect",
]
