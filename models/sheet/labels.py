"""What a thing is called, the same on every screen, paper and file.

A defect is called by its number on the sheet: defect 4. A find, which is what one photo flagged and nobody
has decided about yet, by the number of its photo and its own: find 2-7. Tiles are called by letter and
number: B2.
"""

from __future__ import annotations


def defect_label(number: int) -> str:
    """A defect's name on its sheet: 4."""
    return str(number)


def find_label(photo_number: int, number: int) -> str:
    """A find's name on its sheet: 2-7, the seventh find of the sheet's second photo."""
    return f"{photo_number}-{number}"
