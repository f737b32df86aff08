"""A day's increment: trace the newest days alone and put them to what was known.

Most of a record does not change from hour to hour. The newest `days` are traced on their own background;
episodes that began before them stay as they were, and grow where the newest days show them going on.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.trace.data import Defects, Sheets, TraceInput
from models.trace.episodes import Rules
from models.trace.exposure import estimate_exposure
from models.trace.result import Episode, TraceResult
from models.trace.run import trace

DAY_S = 86400.0
EDGE_DAYS = 2.0  # at the start of the newest days an episode may be cut off: there the earlier trace is kept


def newest_part(given: TraceInput, days: float) -> tuple[TraceInput, np.ndarray, int]:
    """The last days of an input, the rows of its defects in the whole, and the row of its first sheet."""
    sheets = given.sheets
    first = int(np.argmax(sheets.cut_s >= sheets.cut_s.max() - days * DAY_S))
    rows = np.flatnonzero(given.defects.sheet >= first)
    d = given.defects
    return (
        replace(
            given,
            sheets=Sheets(
                sheets.start_m[first:], sheets.length_mm[first:], sheets.width_mm[first:],
                sheets.x_left_mm[first:], sheets.cut_s[first:], sheets.looked[first:],
            ),
            defects=Defects(
                d.kinds, d.kind[rows], d.ribbon_m[rows], d.ribbon_x_mm[rows], d.sheet[rows] - first
            ),
        ),
        rows,
        first,
    )  # fmt: skip


def trace_newest(
    given: TraceInput, before: TraceResult, *, days: float = 12.0, rules: Rules | None = None
) -> TraceResult:
    """What `trace(given)` would say, with the work done for the last days only.

    before : the last whole trace; rows in its episodes' `members` must be rows of `given`
    """
    part, rows, first = newest_part(given, days)
    if part.sheets.start_m.size < 2 or part.defects.kind.size == 0:
        return before
    # what was looked at is estimated from the whole record: the more silences, the better they are told apart
    exposure = estimate_exposure(given.sheets, given.defects)
    fresh = trace(part, rules, exposure.since(first))
    edge = fresh.first_s + EDGE_DAYS * DAY_S
    kept = [e for e in before.episodes if e.seen_start_s < edge]
    for episode in fresh.episodes:
        new = replace(episode, members=rows[episode.members])
        same = [n for n, old in enumerate(kept) if _meet(old, new)]
        if same:
            kept[same[0]] = _grown(kept[same[0]], new)
        elif new.seen_start_s >= edge:
            kept.append(new)
    kept.sort(key=lambda e: (e.seen_start_s, e.kind, e.x_lo_mm))
    steps = tuple(s for s in before.clock_steps if s.end_s < edge)
    blind = tuple(b for b in before.blind if b.end_s < edge)
    return replace(
        before,
        episodes=tuple(kept),
        clock_steps=steps + tuple(s for s in fresh.clock_steps if s.end_s >= edge),
        blind=blind + tuple(b for b in fresh.blind if b.end_s >= edge),
        shifts=before.shifts or fresh.shifts,
        sharpness=tuple(s for s in before.sharpness if s[0] < edge)
        + tuple(s for s in fresh.sharpness if s[0] >= edge),
        defects_counted=max(before.defects_counted, int((given.defects.sheet >= 0).sum())),
        last_s=max(before.last_s, fresh.last_s),
        exposure=exposure,
    )


def _meet(old: Episode, new: Episode) -> bool:
    across = min(old.x_hi_mm, new.x_hi_mm) - max(old.x_lo_mm, new.x_lo_mm)
    narrower = min(old.x_hi_mm - old.x_lo_mm, new.x_hi_mm - new.x_lo_mm)
    slack = max(2 * 3600.0, 0.3 * (old.seen_end_s - old.seen_start_s))
    apart = max(old.seen_start_s, new.seen_start_s) - min(old.seen_end_s, new.seen_end_s)
    return old.kind == new.kind and across > 0.5 * narrower and apart < slack


def _grown(old: Episode, new: Episode) -> Episode:
    """An episode with what the newest days add; its origin is as first traced until the next whole trace."""
    if new.seen_end_s <= old.seen_end_s:
        return old
    members = np.union1d(old.members, new.members)
    later = (new.seen_end_s - old.seen_end_s) / max(new.seen_end_s - new.seen_start_s, 1.0)
    return replace(
        old,
        seen_end_s=new.seen_end_s,
        to_m=max(old.to_m, new.to_m),
        count=int(members.size),
        expected=old.expected + new.expected * min(1.0, later),
        p_value=min(old.p_value, new.p_value),
        members=members,
    )
