"""What the history page shows, worked out from a sheet's history."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from models.grades import GradeBook
from models.history_records import SheetHistory, VerdictHistory
from webapp.figures.photo_figure import FindShape, draw_finds
from webapp.figures.sheet_figure import SheetFigure, Strip, draw_sheet, draw_strip
from webapp.figures.words import STATION_WORDS

__all__ = ["HistoryPage", "Moment", "RulesThen", "history_page", "rules_then", "timeline"]


@dataclass(frozen=True, slots=True)
class Moment:
    """One line of the timeline; `sure` is False for times reckoned from the line log."""

    at: datetime
    what: str
    who: str | None
    sure: bool = True


@dataclass(frozen=True, slots=True)
class RulesThen:
    """The rule set of a verdict: its title, and whether the text in force today is still the same."""

    title: str
    source: str
    same_today: bool | None


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """The typed context of the history page."""

    history: SheetHistory
    drawing: SheetFigure
    strip: Strip | None
    finds: Mapping[int, tuple[FindShape, ...]]
    moments: tuple[Moment, ...]
    rules: RulesThen | None


def history_page(history: SheetHistory, book: GradeBook) -> HistoryPage:
    """Gather the page of a sheet."""
    return HistoryPage(
        history=history,
        drawing=draw_sheet(history),
        strip=draw_strip(history.sheet, history.neighbours),
        finds={photo.id: draw_finds(photo) for photo in history.photos},
        moments=timeline(history),
        rules=None if history.verdict is None else rules_then(history.verdict, book),
    )


def rules_then(verdict: VerdictHistory, book: GradeBook) -> RulesThen:
    """The rules that a verdict went by, as far as the grade book still knows them."""
    if verdict.grade_id not in book.ids():
        return RulesThen(verdict.grade_id, "", None)
    grade = book.grade(verdict.grade_id)
    return RulesThen(grade.title, grade.source, grade.sha256 == verdict.rule_set_sha256)


def timeline(history: SheetHistory) -> tuple[Moment, ...]:
    """What happened to the sheet, oldest first."""
    sheet = history.sheet
    moments = [
        Moment(time.at, STATION_WORDS[time.station].lower(), None, sure=False)
        for time in history.times
        if time.station not in ("cutting", "inspection")
    ]
    moments.append(Moment(sheet.cut_at, "cut (stamp of the line)", None))
    for photo in history.photos:
        moments.append(Moment(photo.added_at, f"photo {photo.name} added", photo.added_by))
        if photo.inspected_at is not None:
            found = f"{len(photo.finds)} find{'' if len(photo.finds) == 1 else 's'}"
            moments.append(Moment(photo.inspected_at, f"photo {photo.name} looked through: {found}", None))
        for find in photo.finds:
            for decision in find.decisions:
                why = f", {decision.reason}" if decision.reason else ""
                moments.append(
                    Moment(
                        decision.at,
                        f"find {find.number} of {photo.name} {decision.decision}{why}",
                        decision.by,
                    )
                )
    moments.extend(_revisions(history))
    for verdict in history.verdicts:
        moments.append(Moment(verdict.decided_at, f"verdict: {outcome_words(verdict)}", verdict.decided_by))
    if sheet.shipped_at is not None:
        moments.append(Moment(sheet.shipped_at, f"shipped in pack {sheet.pack} to {sheet.customer}", None))
    for claim in history.claims:
        moments.append(Moment(claim.received_at, f"claim {claim.number} received about {claim.about}", None))
        if claim.answered_at is not None:
            moments.append(Moment(claim.answered_at, f"claim {claim.number} answered", claim.answered_by))
    return tuple(sorted(moments, key=lambda moment: moment.at))


def _revisions(history: SheetHistory) -> list[Moment]:
    """Defects written by hand or import, and every later correction; decided finds tell the rest."""
    moments = []
    for defect in history.defects:
        for n, revision in enumerate(defect.revisions):
            if revision.withdrawn:
                what = f"defect {defect.number} withdrawn"
            elif n > 0:
                what = f"defect {defect.number} corrected: {revision.kind}"
            elif revision.source == "photo":
                continue
            else:
                how = "added by hand" if revision.source == "hand" else "imported"
                what = f"defect {defect.number} {how}: {revision.kind}"
            note = f", {revision.note}" if revision.note else ""
            moments.append(Moment(revision.recorded_at, what + note, revision.recorded_by))
    return moments


def outcome_words(verdict: VerdictHistory) -> str:
    """A verdict in words."""
    words = {
        "accept": f"accepted as {verdict.grade_id}",
        "downgrade": f"downgraded from {verdict.grade_id} to {verdict.downgrade_to}",
        "reject": f"rejected for {verdict.grade_id}",
        "not_judged": f"not judged for {verdict.grade_id}",
    }
    return words[verdict.outcome]


def reason_figures(reason: Mapping[str, Any]) -> str:
    """Counted against allowed, where a reason has both."""
    counted, limit = reason.get("counted"), reason.get("limit")
    if counted is None and limit is None:
        return ""
    if limit is None:
        return f"{counted:g} counted"
    return f"{counted:g} counted, {limit:g} allowed" if counted is not None else f"{limit:g} allowed"
