"""What happens to a sheet in the booth. Plain functions that take a session first.

Each act writes its record and its audit entry in the session's one transaction and locks
the sheet first; the caller commits.
"""

from models.inspections.deciding import (
    FindView,
    add_defect,
    change_defect,
    change_find,
    confirm_find,
    confirm_rest,
    dismiss_find,
    finds_of,
    say_pair,
    take_back_decision,
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
from models.inspections.looking import (
    add_look,
    looked_of,
    looks_of,
    refresh_looked,
    statement_of,
    take_back_look,
)
from models.inspections.photos import (
    INSPECT_JOB,
    add_photo,
    get_photo,
    inspect_again,
    photos_of,
)
from models.inspections.recording import record_failure, record_inspection
from models.inspections.seeing import Group, SheetSeen, sheet_seen
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
    "DefectValues",
    "FindView",
    "Group",
    "Judged",
    "SheetSeen",
    "add_defect",
    "add_look",
    "add_photo",
    "answer",
    "change_defect",
    "change_find",
    "confirm_find",
    "confirm_rest",
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
    "looked_of",
    "looks_of",
    "next_sheet",
    "ordered_grade",
    "pass_by",
    "photos_of",
    "record_failure",
    "record_inspection",
    "refresh_looked",
    "reopen_sheet",
    "revisions_of",
    "say_pair",
    "set_grade",
    "sheet_by_label",
    "sheet_seen",
    "shift_at",
    "statement_of",
    "take_back_decision",
    "take_back_look",
    "take_next",
    "take_sheet",
    "withdraw_defect",
]
