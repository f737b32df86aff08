"""A sheet's history in words: its timeline, its verdict, the rules of that day."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from models.grades import GradeBook
from models.history_records import DecisionHistory, PhotoHistory, SheetHistory, VerdictHistory
from webapp.figures.words import STATION_WORDS

__all__ = ["Moment", "RulesThen", "number_list", "outcome_words", "reason_figures", "rules_then", "timeline"]

#: decisions of one kind by one person closer together than this are one sitting
SITTING = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class Moment:
    """One line of the timeline; `sure` is False for times reckoned from the line log."""

    at: datetime
    what: str
    who: str | None
    sure: bool = True


@dataclass(frozen=True, slots=True)
class RulesThen:
    """The rule set of a verdict; `same_today` is None where the grade book no longer has the grade."""

    title: str
    same_today: bool | None


def rules_then(verdict: VerdictHistory, book: GradeBook) -> RulesThen:
    """The rules that a verdict went by, as far as the grade book still knows them."""
    if verdict.grade_id not in book.ids():
        return RulesThen(verdict.rule_set_title, None)
    return RulesThen(verdict.rule_set_title, book.grade(verdict.grade_id).sha256 == verdict.rule_set_sha256)


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
        moments.extend(_decisions(photo))
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


def _decisions(photo: PhotoHistory) -> list[Moment]:
    """What was decided about a photo's finds; many alike in one sitting are told in one line."""
    sittings: list[tuple[DecisionHistory, datetime, list[int]]] = []
    open_sittings: dict[tuple[str, str | None, str | None], int] = {}
    words = sorted(
        ((decision, find.number) for find in photo.finds for decision in find.decisions),
        key=lambda w: w[0].at,
    )
    for decision, number in words:
        key = (decision.decision, decision.by, decision.reason)
        at = open_sittings.get(key)
        if at is not None and decision.at - sittings[at][1] <= SITTING:
            first, _, numbers = sittings[at]
            sittings[at] = (first, decision.at, [*numbers, number])
        else:
            open_sittings[key] = len(sittings)
            sittings.append((decision, decision.at, [number]))
    moments = []
    for decision, _, numbers in sittings:
        why = f", {decision.reason}" if decision.reason else ""
        finds = f"find{'' if len(numbers) == 1 else 's'} {number_list(numbers)}"
        moments.append(Moment(decision.at, f"{finds} of {photo.name} {decision.decision}{why}", decision.by))
    return moments


def number_list(numbers: Sequence[int]) -> str:
    """Whole numbers in order, runs of three and more shortened: "1, 4 to 9, 12"."""
    parts: list[str] = []
    run: list[int] = []
    for number in [*sorted(set(numbers)), None]:
        if run and (number is None or number != run[-1] + 1):
            parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(n) for n in run]
            run = []
        if number is not None:
            run.append(number)
    return ", ".join(parts)


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
    grade = verdict.title_of(verdict.grade_id)
    words = {
        "accept": f"accepted as {grade}",
        "downgrade": f"downgraded from {grade} to {verdict.title_of(verdict.downgrade_to or '')}",
        "reject": f"rejected for {grade}",
        "not_judged": f"not judged for {grade}",
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
