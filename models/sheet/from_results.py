"""A sheet straight from the result files of its photos, where nobody has decided anything: command line,
trials.

The same joining, the same coverage and the same input to the judge as in the booth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from models.grades import SheetToJudge
from models.sheet.joining import Joined, join
from models.sheet.labels import find_label
from models.sheet.looked import LookedAt, looked_at, part_of_photo
from models.sheet.seen import SeenFind, SeenPhoto, finds_of_result, moved_find, moved_photo, photo_of_result
from models.sheet.to_judge import readings_of, seen_to_judge, sheet_to_judge

Result = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOfResults:
    """What result files come to. `joined` has finds by ref (place of the photo in the list, number of the
    find).

    sheet : what the judge gets; `ref` of each of its defects is its place in `joined.defects`.
    """

    joined: Joined
    looked: LookedAt
    sheet: SheetToJudge


def sheet_of_results(
    results: Sequence[Result],
    *,
    sheet_mm: tuple[float, float],
    thickness_mm: float | None,
    needed_mm: float | None,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    whole_sheet: bool = True,
) -> SheetOfResults:
    """Put the results of one sheet's photos together.

    sheet_mm : width and length.  needed_mm : the smallest class that must be covered, None for any size.
    origin_mm : where the sheet's corner lies in the results' frame.  whole_sheet : False where `sheet_mm` is
    only the part that was photographed of a sheet nobody told the size of: its borders are no glass edges.
    """
    photos: list[SeenPhoto] = []
    finds: list[SeenFind] = []
    for number, result in enumerate(results):
        photo = photo_of_result(result, number)
        if photo is not None:
            photos.append(moved_photo(photo, origin_mm))
            finds += [moved_find(find, origin_mm) for find in finds_of_result(result, number)]
    joined = join(photos, finds, sheet_mm=sheet_mm if whole_sheet else None)
    parts = [part for result in results if (part := part_of_photo(result)) is not None]
    looked = looked_at(*sheet_mm, [part.moved(origin_mm) for part in parts], needed_mm)
    listed = {
        number: seen_to_judge(seen, sheet_mm=sheet_mm, ref=number, name=label_of(joined, number))
        for number, seen in enumerate(joined.defects)
        if seen.not_glass is None
    }
    sheet = sheet_to_judge(
        sheet_mm=sheet_mm,
        thickness_mm=thickness_mm or 0.0,
        defects=list(listed.values()),
        looked=looked,
        readings=readings_of(joined, listed, ()),
    )
    return SheetOfResults(joined=joined, looked=looked, sheet=sheet)


def label_of(joined: Joined, number: int) -> str:
    """What the defect at a place of `joined` is called: by the find that stands for it, as in the booth."""
    stands = min(
        joined.groups[number], key=lambda find: (find.not_glass is not None, find.photo, find.number)
    )
    return find_label(int(str(stands.photo)) + 1, stands.number)
