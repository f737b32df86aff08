"""A sheet's history in words: its timeline, its verdict, the rules of that day."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from models.grades import GradeBook
from models.history_records import DecisionHistory, SheetHistory, VerdictHistory
from models.sheet.labels import defect_label, find_label
from webapp.figures.words import STATION_WORDS

__all__ = [
    "Moment",
    "RulesThen",
    "find_list",
    "number_list",
    "outcome_words",
    "reason_defects",
    "reason_figures",
    "rules_then",
    "said_words",
    "timeline",
]

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
        named = f"photo {photo.number} ({photo.name})"
        moments.append(Moment(photo.added_at, f"{named} added", photo.added_by))
        if photo.inspected_at is not None:
            found = f"{len(photo.finds)} find{'' if len(photo.finds) == 1 else 's'}"
            moments.append(Moment(photo.inspected_at, f"{named} looked through: {found}", None))
    moments += [
        Moment(look.at, f"looked at: {look.how}; {look.part}", look.by)
        for look in history.looks
        if look.statement is not None and look.at is not None
    ]
    moments.extend(_decisions(history.decisions))
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


def _decisions(decisions: Sequence[DecisionHistory]) -> list[Moment]:
    """What was decided about finds; many alike in one sitting are told in one line."""
    sittings: list[tuple[list[DecisionHistory], datetime]] = []
    open_sittings: dict[tuple[object, ...], int] = {}
    for decision in sorted(decisions, key=lambda said: said.at):
        key = (decision.decision, decision.by, decision.reason, decision.earlier)
        at = open_sittings.get(key)
        if at is not None and decision.at - sittings[at][1] <= SITTING:
            sittings[at] = ([*sittings[at][0], decision], decision.at)
        else:
            open_sittings[key] = len(sittings)
            sittings.append(([decision], decision.at))
    moments = []
    for alike, _ in sittings:
        first = alike[0]
        why = f", {first.reason}" if first.reason else ""
        places = {(said.photo_number, said.find_number) for said in alike}
        finds = f"find{'' if len(places) == 1 else 's'} {find_list(places)}"
        earlier = " of an earlier inspection" if first.earlier else ""
        moments.append(Moment(first.at, f"{finds}{earlier} {first.decision}{why}", first.by))
    return moments


def find_list(places: Iterable[tuple[int, int]]) -> str:
    """Finds by number of their photo and their own, in order: "1-2, 2-4 to 2-9"."""
    by_photo: dict[int, list[int]] = {}
    for photo, number in places:
        by_photo.setdefault(photo, []).append(number)
    return ", ".join(
        " to ".join(find_label(photo, int(end)) for end in run.split(" to "))
        for photo, numbers in sorted(by_photo.items())
        for run in number_list(numbers).split(", ")
    )


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
                why = f", {revision.reason}" if revision.reason else ""
                what = f"defect {defect.label} withdrawn{why}"
            elif n > 0:
                what = f"defect {defect.label} corrected: {revision.kind}"
            elif revision.source == "photo":
                continue
            else:
                how = "added by hand" if revision.source == "hand" else "imported"
                what = f"defect {defect.label} {how}: {revision.kind}"
            note = f", {revision.note}" if revision.note else ""
            moments.append(Moment(revision.recorded_at, what + note, revision.recorded_by))
    return moments


def outcome_words(verdict: VerdictHistory) -> str:
    """A verdict in words."""
    below = None if verdict.downgrade_to is None else verdict.title_of(verdict.downgrade_to)
    return said_words(verdict.outcome, verdict.title_of(verdict.grade_id), below)


def said_words(outcome: str, grade: str, downgrade_to: str | None) -> str:
    """An outcome in words; grades by their titles."""
    words = {
        "accept": f"accepted as {grade}",
        "downgrade": f"downgraded from {grade} to {downgrade_to}",
        "reject": f"rejected for {grade}",
        "not_judged": f"not judged for {grade}",
    }
    return words[outcome]


def reason_defects(history: SheetHistory, verdict: VerdictHistory, reason: Mapping[str, Any]) -> str:
    """The defects on which a reason rests, by what they are called on the sheet."""
    return ", ".join(_judged_name(history, verdict, place) for place in reason.get("finds", ()))


def _judged_name(history: SheetHistory, verdict: VerdictHistory, place: int) -> str:
    """What a defect of the verdict's list is called: by its number, or as a find that was not decided yet."""
    ref = verdict.defects[place].get("ref") if place < len(verdict.defects) else None
    ref = ref if isinstance(ref, Mapping) else {}
    if "find" in ref:
        finds = {find.id: find.label for photo in history.photos for find in photo.finds}
        return finds.get(ref["find"], "a find of an earlier inspection")
    number = ref.get("number")
    return defect_label(place + 1 if number is None else number)


def reason_figures(reason: Mapping[str, Any]) -> str:
    """Counted against allowed, where a reason has both."""
    counted, limit = reason.get("counted"), reason.get("limit")
    if counted is None and limit is None:
        return ""
    if limit is None:
        return f"{counted:g} counted"
    return f"{counted:g} counted, {limit:g} allowed" if counted is not None else f"{limit:g} allowed"
