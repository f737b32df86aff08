"""Rows of the tables about one sheet: what was looked at, defects, finds. The page and the dossier show the
same.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from models.history_records import DecisionHistory, DefectRevision, FindHistory, PhotoHistory, SheetHistory
from models.sheet.looked_words import sheet_words
from models.sheet.size_words import size_figures
from webapp.figures.marks import NOT_GLASS, Mark, mark_for
from webapp.figures.words import SOURCE_WORDS

__all__ = ["DefectRow", "FindRow", "Told", "defect_rows", "find_rows", "looked_headline"]

Clock = Callable[[datetime], str]


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that was said about a find; `past` where it no longer holds."""

    text: str
    past: bool = False


@dataclass(frozen=True, slots=True)
class FindRow:
    """One find of a photo. flagged : as what.  joined : with which other finds it is one defect, empty where
    with none.  told : the decisions about its defect, oldest first, and what is still open.
    """

    find: FindHistory
    label: str
    mark: Mark
    flagged: str
    joined: str
    size: str
    told: tuple[Told, ...]


@dataclass(frozen=True, slots=True)
class DefectRow:
    """One revision of a defect. label : empty but for the newest one.  parts : which finds show it."""

    revision: DefectRevision
    label: str
    mark: Mark
    kind: str
    size: str
    source: str
    note: str


def looked_headline(history: SheetHistory) -> str:
    """Which part of the sheet was looked at, as a sentence of its own."""
    sheet = history.sheet
    if sheet.state == "in_work":
        return "The inspection is not finished."
    if sheet.state == "waiting":
        return "The sheet was not looked at yet."
    return sheet_words(sheet.looked_fraction)


def find_rows(photo: PhotoHistory, clock: Clock) -> list[FindRow]:
    """The finds of a photo, by number."""
    return [_find_row(find, clock) for find in photo.finds]


def defect_rows(history: SheetHistory) -> list[DefectRow]:
    """All revisions of all defects, by number, the newest revision first."""
    rows = []
    for defect in history.defects:
        for n, revision in enumerate(reversed(defect.revisions)):
            state = ", withdrawn" if revision.withdrawn else "" if revision.current else ", earlier entry"
            notes = [revision.reason, revision.note or ""]
            source = SOURCE_WORDS[revision.source]
            if n == 0:
                if defect.parts:
                    source += f": {'find' if len(defect.parts) == 1 else 'finds'} {_and(defect.parts)}"
                if len(defect.parts) > 1:
                    source += ", one defect"
                notes.append(f"to be decided again: {defect.asks}" if defect.asks else "")
            mark = mark_for(revision.kind)
            rows.append(
                DefectRow(
                    revision,
                    defect.label if n == 0 else "",
                    mark,
                    mark.label + state,
                    size_figures(
                        revision.length_mm,
                        revision.length_sd_mm,
                        revision.width_mm,
                        revision.halo_mm,
                        revision.open_at_mm,
                        revision.path_mm,
                    ),
                    source,
                    "; ".join(filter(None, notes)),
                )
            )
    return rows


def _find_row(find: FindHistory, clock: Clock) -> FindRow:
    said = find.decision
    dismissed = said is not None and said.decision == "dismissed"
    apart = said is None and find.seen_not_glass is not None
    joined = f"one defect with {_and(find.also)}" if find.also else ""
    if find.also and (find.seen_kind, find.seen_not_glass) != (find.kind, find.not_glass):
        joined += f", by all photos together: {_kind(find.seen_kind, find.seen_not_glass)}"
    told = [Told(_decision(decision, find, clock), not decision.current) for decision in find.decisions]
    if find.asks:
        told.append(Told(f"to be decided again: {find.asks}"))
    elif said is None:
        told.append(Told("set apart as not glass" if apart else "nobody has decided"))
    return FindRow(
        find,
        find.label,
        NOT_GLASS if dismissed or apart or (said is None and find.not_glass) else mark_for(find.kind),
        _kind(find.kind, find.not_glass),
        joined,
        size_figures(find.length_mm, find.length_sd_mm, find.width_mm, find.halo_mm),
        tuple(told),
    )


def _decision(decision: DecisionHistory, find: FindHistory, clock: Clock) -> str:
    number = ""
    if decision.defect_number is not None and decision.decision != "dismissed":
        number = f" as defect {decision.defect_number}"
    why = f" ({decision.reason})" if decision.reason else ""
    where = f" at find {decision.find}" if decision.find != find.label else ""
    by = f", {decision.by}" if decision.by else ""
    return f"{decision.decision}{number}{why}{where}, {clock(decision.at)}{by}"


def _kind(kind: str, not_glass: str | None) -> str:
    return f"not glass: {not_glass}" if not_glass else mark_for(kind).label


def _and(labels: tuple[str, ...]) -> str:
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
