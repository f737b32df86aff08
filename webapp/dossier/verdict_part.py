"""The verdict in the dossier, clause by clause, and how the sheet's pack stands."""

from collections.abc import Callable
from datetime import datetime

from reportlab.platypus import Flowable, KeepTogether, Spacer

from models.history_records import SheetHistory
from models.packs import PackStanding
from webapp.dossier.drawings import VerdictSign
from webapp.dossier.style import BODY, SECTION, SMALL, grid, words
from webapp.figures.story import outcome_words, reason_defects, reason_figures

__all__ = ["verdict_part"]

REASON_WORDS = {
    "accept": "met",
    "reject": "not met",
    "not_judged": "not judged",
    "not_examined": "not examined",
}

Clock = Callable[[datetime], str]


def verdict_part(history: SheetHistory, clock: Clock) -> list[Flowable]:
    """What was decided about the sheet, why, and beside it what the rules say of its pack."""
    pack = [] if history.pack is None else [KeepTogether(_pack(history.pack))]
    verdict = history.verdict
    if verdict is None:
        return [words("Verdict", SECTION), VerdictSign(None, "no verdict on record"), *pack]
    by = f" by {verdict.decided_by}" if verdict.decided_by else ""
    parts: list[Flowable] = [
        words("Verdict", SECTION),
        VerdictSign(verdict.outcome, outcome_words(verdict)),
        words(f"Decided {clock(verdict.decided_at)}{by}.", BODY),
        words(
            f"Rules in force then: {verdict.rule_set_title}, version {verdict.rule_set_version}. "
            f"SHA-256 of the rule set: {verdict.rule_set_sha256}",
            SMALL,
        ),
    ]
    parts += [words(f"Close call: {call}.", BODY) for call in verdict.close_calls]
    parts.append(Spacer(1, 5))
    reasons: list[list[object]] = [
        [
            reason.get("clause", ""),
            reason.get("says", ""),
            reason_defects(history, verdict, reason),
            reason_figures(reason),
            REASON_WORDS.get(reason.get("outcome", ""), reason.get("outcome", "")),
        ]
        for reason in verdict.reasons
    ]
    tables: list[Flowable] = []
    if reasons:
        heads = ["Clause", "What it says", "Defects", "Figures", "Rule"]
        tables.append(grid(heads, reasons, [1.5, 5.2, 1.3, 1.9, 1.2]))
    for old in history.verdicts:
        if not old.current:
            decided = f", {old.decided_by}" if old.decided_by else ""
            tables.append(words(f"Earlier: {outcome_words(old)}, {clock(old.decided_at)}{decided}.", SMALL))
    return [KeepTogether(parts), *tables, *pack]


def _pack(pack: PackStanding) -> list[Flowable]:
    """The pack by the rules of today: it is more than the sum of its sheets' verdicts."""
    parts: list[Flowable] = [words(f"Its pack {pack.label}", SECTION)]
    parts += [words(f"{text[0].upper()}{text[1:]}.", BODY) for text in pack.sentences()]
    if pack.grade is not None:
        parts.append(words(f"Rules: {pack.grade.title}, version {pack.grade.version}.", SMALL))
    return parts
