"""The tables, by subject. Nothing but tables: what is done with them stands elsewhere in `models`.

Every time column is aware UTC. Rows that carry evidence (finds, decisions, defects,
verdicts, audit entries) are added to, never overwritten.
"""

from models.records.audit import AuditEntry, AuditHead
from models.records.base import Base
from models.records.claim import CLAIM_STATES, Claim
from models.records.defect import DEFECT_SOURCES, Defect
from models.records.find import FIND_DECISIONS, Find, FindDecision, FindPair
from models.records.grade import GradeConfirmation, PlantGrade
from models.records.job import JOB_STATES, Job
from models.records.look import LOOK_SOURCES, LOOK_WAYS, Look
from models.records.order import USES, Customer, Pack
from models.records.photo import PHOTO_STATES, Photo
from models.records.plant import (
    Event,
    FurnaceLogRow,
    ImportRun,
    LayoutPoint,
    Line,
    LineLogRow,
    PlantFigures,
    Roll,
    Shift,
)
from models.records.saved_setup import SavedSetup
from models.records.sheet import SHEET_STATES, Sheet
from models.records.tracer import TRACER_METHODS, TRACER_SECTIONS, TracerReading, TracerRun
from models.records.user import ROLES, User
from models.records.verdict import OUTCOMES, Verdict
from models.records.watch import EpisodeNotice

__all__ = [
    "CLAIM_STATES",
    "DEFECT_SOURCES",
    "FIND_DECISIONS",
    "JOB_STATES",
    "LOOK_SOURCES",
    "LOOK_WAYS",
    "OUTCOMES",
    "PHOTO_STATES",
    "ROLES",
    "SHEET_STATES",
    "TRACER_METHODS",
    "TRACER_SECTIONS",
    "USES",
    "AuditEntry",
    "AuditHead",
    "Base",
    "Claim",
    "Customer",
    "Defect",
    "EpisodeNotice",
    "Event",
    "Find",
    "FindDecision",
    "FindPair",
    "FurnaceLogRow",
    "GradeConfirmation",
    "ImportRun",
    "Job",
    "LayoutPoint",
    "Line",
    "LineLogRow",
    "Look",
    "Pack",
    "Photo",
    "PlantFigures",
    "PlantGrade",
    "Roll",
    "SavedSetup",
    "Sheet",
    "Shift",
    "TracerReading",
    "TracerRun",
    "User",
    "Verdict",
]
