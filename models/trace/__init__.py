"""From a recurring defect to the furnace period that made it.

Pure: arrays and frozen dataclasses in, results out. No session, no clock, no disk.
`trace` is the door; what goes in is described in `data`, what comes out in `result`.
"""

from models.trace.data import (
    Defects,
    LineRows,
    PlantEvent,
    RollPlace,
    Sheets,
    TagSeries,
    TraceInput,
    Vessels,
)
from models.trace.episodes import Rules
from models.trace.exposure import Exposure
from models.trace.newest import trace_newest
from models.trace.result import Curve, Episode, TraceResult
from models.trace.run import trace

__all__ = [
    "Curve",
    "Defects",
    "Episode",
    "Exposure",
    "LineRows",
    "PlantEvent",
    "RollPlace",
    "Rules",
    "Sheets",
    "TagSeries",
    "TraceInput",
    "TraceResult",
    "Vessels",
    "trace",
    "trace_newest",
]
