"""What happened to the sheet in order, and the evidence for it, in the dossier."""

from collections.abc import Callable, Sequence
from datetime import datetime

from reportlab.platypus import Flowable, Spacer

from models.history_records import ActHistory, SheetHistory
from webapp.dossier.style import SMALL, grid, section, words
from webapp.figures.story import number_list, timeline

__all__ = ["evidence_part", "timeline_part"]

Clock = Callable[[datetime], str]


def timeline_part(history: SheetHistory, clock: Clock) -> list[Flowable]:
    """Every moment on record, oldest first."""
    rows: list[list[object]] = [
        [clock(m.at), ("about: " if not m.sure else "") + m.what, m.who or ""] for m in timeline(history)
    ]
    return [*section("What happened, in order"), grid(["When", "What", "Who"], rows, [2.3, 6.4, 2.0])]


def evidence_part(history: SheetHistory, clock: Clock) -> list[Flowable]:
    """Photos by hash and the acts about the sheet in the chain."""
    parts = section("Evidence")
    if history.photos:
        rows: list[list[object]] = [[p.name, str(p.size_bytes), p.sha256] for p in history.photos]
        parts.append(
            grid(["Photo", "Bytes", "SHA-256 of the original file"], rows, [3.0, 1.0, 6.6], numbers=(1,))
        )
        parts.append(Spacer(1, 6))
    if history.acts:
        acts = _act_rows(history.acts, clock)
        parts.append(
            grid(
                ["Entry", "When", "Who, from where", "Act", "Hash of the last begins"],
                acts,
                [1.5, 2.2, 2.9, 2.3, 2.4],
            )
        )
        last = history.acts[-1]
        parts.append(Spacer(1, 3))
        parts.append(
            words(
                f"The hash chain at the last act about this sheet: entry {last.id}, {last.hash}. "
                "“lehrbook verify” works the chain out again.",
                SMALL,
            )
        )
    else:
        parts.append(words("No act about this sheet stands in the hash chain.", SMALL))
    return parts


def _act_rows(acts: Sequence[ActHistory], clock: Clock) -> list[list[object]]:
    """One row an act; acts of one kind by one person that follow each other share a row and its last hash."""
    runs: list[list[ActHistory]] = []
    for act in acts:
        last = runs[-1][-1] if runs else None
        if last and (last.action, last.who, last.origin) == (act.action, act.who, act.origin):
            runs[-1].append(act)
        else:
            runs.append([act])
    rows: list[list[object]] = []
    for run in runs:
        first, last = run[0], run[-1]
        many = f" ({len(run)} times)" if len(run) > 1 else ""
        entries = number_list([act.id for act in run])
        rows.append(
            [entries, clock(first.at), f"{first.who}, {first.origin}", first.action + many, last.hash[:20]]
        )
    return rows
