"""The last trace of each line, kept for a moment: a page need not trace anew after every inspected sheet.

The watch traces by itself and opens notices within its own time; a page may be a minute behind it.
"""

import time
from dataclasses import dataclass

from flask import current_app

from models.tracing import Traced, latest_trace
from webapp.plant import db

__all__ = ["recent_trace", "trace_at_hand"]

FRESH_S = 60.0


@dataclass(frozen=True, slots=True)
class _Kept:
    at_s: float
    traced: Traced


def trace_at_hand(line_id: int) -> Traced | None:
    """The last trace of a line, if a page has asked for one before; never traces by itself."""
    kept: dict[int, _Kept] = current_app.extensions.get("recent_traces", {})
    last = kept.get(line_id)
    return None if last is None else last.traced


def recent_trace(line_id: int) -> Traced:
    """A line's trace that is at most FRESH_S old. Raises BadValue where there is nothing to trace."""
    kept: dict[int, _Kept] = current_app.extensions.setdefault("recent_traces", {})
    last = kept.get(line_id)
    if last is not None and time.monotonic() - last.at_s < FRESH_S:
        return last.traced
    traced = latest_trace(db(), line_id)
    kept[line_id] = _Kept(time.monotonic(), traced)
    return traced
