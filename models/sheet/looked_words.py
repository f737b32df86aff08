"""How a part looked at is said, once for pages, papers, CSV files and the command line."""

from __future__ import annotations

import math

#: a sheet of which this much was looked at reads as whole: the rest is the cut edge in its photos
WHOLE = 0.995


def looked_words(fraction: float | None) -> str:
    """Which part of a sheet was looked at. fraction : 0 to 1, None where nobody knows."""
    if fraction is None:
        return "not known whether looked at"
    if fraction <= 0.0:
        return "not looked at"
    if fraction >= WHOLE:
        return "looked at"
    return f"{_per_cent(fraction)} looked at"


def sheet_words(fraction: float | None) -> str:
    """Which part of a sheet was looked at, as a sentence."""
    if fraction is None:
        return "Nobody knows whether the sheet was looked at."
    if fraction <= 0.0:
        return "The sheet was not looked at."
    part = "The whole sheet" if fraction >= WHOLE else f"{_per_cent(fraction)} of the sheet"
    return f"{part} was looked at."


def none_words(fraction: float | None) -> str:
    """What it means that no defect of a sheet is on record, as sentences."""
    if not fraction:
        return f"None is on record. {sheet_words(fraction)}"
    if fraction >= WHOLE:
        return f"None was recorded. {sheet_words(fraction)}"
    return f"None was recorded on the {_per_cent(fraction)} looked at."


def defects_words(count: int, fraction: float | None) -> str:
    """The same as `count_words` where no heading says that defects are counted: "0 defects"."""
    words = count_words(count, fraction)
    if not words[0].isdigit():
        return looked_words(fraction)
    number, _, rest = words.partition(" ")
    return f"{number} defect{'' if count == 1 else 's'}{f' {rest}' if rest else ''}"


def count_words(count: int, fraction: float | None) -> str:
    """A number of defects over what was looked at: none found is said only of glass that somebody looked
    at.
    """
    if count:
        return (
            str(count)
            if fraction is None or fraction <= 0.0 or fraction >= WHOLE
            else (f"{count} on the {_per_cent(fraction)} looked at")
        )
    if fraction is None:
        return "unknown"
    if fraction <= 0.0:
        return "not looked at"
    return "0" if fraction >= WHOLE else f"0 on the {_per_cent(fraction)} looked at"


def apart_words(
    unknown_sheets: int, unknown_defects: int, not_looked_sheets: int, not_looked_defects: int
) -> tuple[str, ...]:
    """What many sheets hold that is in no rate, a sentence each; none where every sheet was looked at."""
    sentences = []
    if unknown_sheets:
        was = "it was" if unknown_sheets == 1 else "they were"
        sentences.append(
            f"{_many(unknown_sheets, 'sheet')} of which nobody knows whether {was} looked at,"
            f" {_on(unknown_defects, unknown_sheets)}: not in the rates"
        )
    if not_looked_sheets:
        was = "was" if not_looked_sheets == 1 else "were"
        found = f", {_on(not_looked_defects, not_looked_sheets)}" if not_looked_defects else ""
        sentences.append(
            f"{_many(not_looked_sheets, 'sheet')} that {was} not looked at{found}: not in the rates"
        )
    return tuple(sentences)


def _on(defects: int, sheets: int) -> str:
    where = "it" if sheets == 1 else "them"
    return f"{_many(defects, 'defect')} on {where}" if defects else f"no defect recorded on {where}"


def _many(count: int, word: str) -> str:
    return f"{count:,} {word}{'' if count == 1 else 's'}".replace(",", "\u202f")


def share_words(fraction: float | None) -> str:
    """A part of an area that was looked at. fraction : 0 to 1, None where nobody knows."""
    if fraction is None:
        return "an unknown part"
    if fraction <= 0.0:
        return "none"
    return "all" if fraction >= WHOLE else _per_cent(fraction)


def _per_cent(fraction: float) -> str:
    """Rounded down, so that a part never reads as the whole."""
    return "less than 1 %" if fraction < 0.01 else f"{math.floor(100 * fraction)} %"
