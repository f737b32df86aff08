"""Texts that go with every judgement."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from models.grades.grade import Grade

SAFETY = (
    "This verdict is about visual quality only. Safety glazing, heat soak, strength and local building codes "
    "are matters for licensed practice."
)
"""Shown with every verdict and on every dossier."""

REMEMBERED = "from memory, to be checked against a bought copy"
"""Goes with every rule whose numbers nobody here has seen in print."""


def grade_in_words(grade: Grade) -> list[str]:
    """The whole grade in lines for reading: what it is, how to look, how it sizes, and each rule."""
    lines = [f"{grade.title}  [{grade.id}]", f"edition {grade.edition}, rule set of {grade.version}"]
    lines.append(f"source: {grade.source}")
    if grade.remembered:
        lines.append(f"numbers {REMEMBERED}")
    lines += [f"look: {grade.viewing.words()}", f"size: {grade.sizing.words()}"]
    if grade.smallest_class_mm is not None:
        lines.append(f"photos must size from {grade.smallest_class_mm:g} mm")
    if grade.thickness is not None:
        lines.append(f"for thickness {grade.thickness.words()}")
    if len(grade.ladder) > 1:
        lines.append(f"order, best first: {', '.join(grade.ladder)}")
    for rule in grade.rules:
        mark = f" [{REMEMBERED}]" if rule.origin.remembered and not grade.remembered else ""
        when = rule.when.words()
        lines.append("")
        lines.append(f"{rule.origin.name} ({rule.origin.clause}){': ' + when if when else ''}{mark}")
        lines += [f"  {text}" for text in rule.words()]
    for average in grade.averages:
        lines += ["", f"{average.name} ({average.clause}): {average.words()}"]
    if grade.modifiers.words():
        lines += ["", "build:", *(f"  {text}" for text in grade.modifiers.words())]
    if grade.notes:
        lines += ["", "notes:", *(f"  {text}" for text in grade.notes)]
    return [*lines, "", SAFETY]
