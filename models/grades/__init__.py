"""Judging: acceptance rules of flat glass as data, and the judge that explains each decision.

Pure: no database session, no clock; only `load` reads the grade files from disk.
May import numpy, scipy, the errors of `models`, and itself.
"""

from models.grades.errors import BadGrade, BadSheet, NoSuchGrade
from models.grades.explain import REMEMBERED, SAFETY
from models.grades.grade import Grade, GradeBook
from models.grades.judge import judge, judge_ladder
from models.grades.load import grades_from_text, load_sets
from models.grades.sheet import Build, DefectToJudge, Reading, SheetToJudge, sheet_from_dict
from models.grades.verdict import CloseCall, Decision, Reason, Verdict

__all__ = [
    "REMEMBERED",
    "SAFETY",
    "BadGrade",
    "BadSheet",
    "Build",
    "CloseCall",
    "Decision",
    "DefectToJudge",
    "Grade",
    "GradeBook",
    "NoSuchGrade",
    "Reading",
    "Reason",
    "SheetToJudge",
    "Verdict",
    "grades_from_text",
    "judge",
    "judge_ladder",
    "load_sets",
    "sheet_from_dict",
]
