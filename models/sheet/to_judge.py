"""What the judge gets of a sheet: the one place where defects and what was looked at become its input.

Booth, command line, trial of a grade, judging again and demo come here. A defect without a place (a photo
without scale) goes in unsized, in the middle of the sheet, and no rule lets it pass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from models.grades import DefectToJudge, Reading, SheetToJudge
from models.sheet.joining import Joined, SeenDefect
from models.sheet.looked import LookedAt
from models.sheet.seen import points_of

#: what a verdict keeps of each defect that it saw
KEPT = (
    "kind", "x_mm", "y_mm", "length_mm", "width_mm", "halo_mm", "detection_distance_mm", "length_sd_mm",
    "width_sd_mm", "length_at_most_mm",
)  # fmt: skip
_SIZES = KEPT[3:]


def defect_to_judge(
    values: Mapping[str, Any], *, sheet_mm: tuple[float, float], ref: Any, name: str = ""
) -> DefectToJudge:
    """A defect from its values by name, as a row, a result or a kept verdict has them.

    sheet_mm : width and length; a place that lies some mm beyond the cut edge is taken as on it.
    ref : carried along.  name : what reasons call it.
    """
    width, length = sheet_mm
    x, y = values.get("x_mm"), values.get("y_mm")
    placed = x is not None and y is not None and bool(values.get("placed", True))
    sizes = {key: values.get(key) for key in _SIZES}
    if not placed:
        sizes.update(length_mm=None, length_at_most_mm=None)
    return DefectToJudge(
        kind=values["kind"],
        x_mm=min(max(float(x), 0.0), width) if x is not None and placed else width / 2,
        y_mm=min(max(float(y), 0.0), length) if y is not None and placed else length / 2,
        path_mm=points_of(values.get("path_mm")) if placed else (),
        open_at_mm=tuple(
            (min(max(px, 0.0), width), min(max(py, 0.0), length))
            for px, py in points_of(values.get("open_at_mm"))
        )
        if placed
        else (),
        ref=ref,
        name=name,
        placed=placed,
        **sizes,
    )


def seen_to_judge(
    seen: SeenDefect, *, sheet_mm: tuple[float, float], ref: Any, name: str = ""
) -> DefectToJudge:
    """A defect as all photos together show it."""
    values = {name: getattr(seen, name, None) for name in (*KEPT, "path_mm", "open_at_mm")}
    return defect_to_judge(values, sheet_mm=sheet_mm, ref=ref, name=name)


def sheet_to_judge(
    *,
    sheet_mm: tuple[float, float],
    thickness_mm: float,
    use: str = "stock",
    defects: Sequence[DefectToJudge],
    looked: LookedAt | None,
    optical_angle_deg: float | None = None,
    answers: Mapping[str, bool] | None = None,
    readings: Sequence[Reading] = (),
) -> SheetToJudge:
    """The sheet with its defects and what was looked at; `looked` None where the list is known complete."""
    sheet = SheetToJudge(
        width_mm=sheet_mm[0],
        length_mm=sheet_mm[1],
        thickness_mm=thickness_mm,
        use=use,
        defects=tuple(defects),
        optical_angle_deg=optical_angle_deg,
        answers=dict(answers or {}),
        readings=tuple(readings),
    )
    if looked is None:
        return sheet
    return replace(
        sheet,
        covered_fraction=looked.covered_fraction,
        # a defect without size is bounded by its own photo; where one is not, nothing else may bound it
        smallest_sized_mm=looked.smallest_sized_mm if all(_bounded(defect) for defect in defects) else None,
        missing=looked.missing,
    )


def readings_of(
    joined: Joined, listed: Mapping[int, DefectToJudge], others: Sequence[DefectToJudge]
) -> tuple[Reading, ...]:
    """The other ways in which a sheet's finds can be taken, each as a whole list of defects.

    listed : what each group of `joined` (by its place) goes in as; groups that do not count are left out.
    others : defects that came without a photo.  In the sheet's own list `listed` comes first, then `others`.
    """
    places = {group: n for n, group in enumerate(listed)}
    counted = [d for d in joined.doubts if d.first in listed and d.second in listed]
    readings = []
    for doubts, merged in joined.readings(counted):
        defects = [
            replace(
                seen_values(seen, listed[groups[0]]), ref=listed[groups[0]].ref, name=listed[groups[0]].name
            )
            if len(groups) > 1
            else listed[groups[0]]
            for groups, seen in merged
            if groups[0] in listed
        ]
        finds = tuple(sorted({places[k] for doubt in doubts for k in (doubt.first, doubt.second)}))
        readings.append(Reading((*defects, *others), doubts[0].says, finds))
    return tuple(readings)


def seen_values(seen: SeenDefect, like: DefectToJudge) -> DefectToJudge:
    """`like` with the places and sizes of what was put together."""
    return replace(
        like,
        x_mm=seen.x_mm,
        y_mm=seen.y_mm,
        length_mm=seen.length_mm,
        width_mm=seen.width_mm,
        halo_mm=seen.halo_mm,
        length_sd_mm=seen.length_sd_mm,
        width_sd_mm=seen.width_sd_mm,
        length_at_most_mm=seen.length_at_most_mm,
        path_mm=seen.path_mm,
        open_at_mm=seen.open_at_mm,
    )


def kept_defect(defect: DefectToJudge) -> dict[str, Any]:
    """What a verdict keeps of a defect that it saw, as JSON."""
    return {
        **{key: getattr(defect, key) for key in KEPT},
        "path_mm": [list(point) for point in defect.path_mm],
        "open_at_mm": [list(point) for point in defect.open_at_mm],
        **({} if defect.placed else {"placed": False}),
        "ref": defect.ref,
    }


def kept_sheet(
    as_judged: Mapping[str, Any], defects: Sequence[Mapping[str, Any]], coverage: Mapping[str, Any]
) -> SheetToJudge:
    """The sheet as a kept verdict saw it; what the judge was handed counts before what the coverage says."""
    seen = {**coverage, **as_judged}
    sheet_mm = float(as_judged["width_mm"]), float(as_judged["length_mm"])
    return SheetToJudge(
        width_mm=sheet_mm[0],
        length_mm=sheet_mm[1],
        thickness_mm=as_judged["thickness_mm"],
        use=as_judged.get("use", "stock"),
        defects=tuple(_kept(defect, sheet_mm) for defect in defects),
        covered_fraction=seen.get("covered_fraction"),
        smallest_sized_mm=as_judged.get("smallest_sized_mm", seen.get("smallest_sized_mm")),
        missing=tuple(coverage.get("missing", ())),
        optical_angle_deg=as_judged.get("optical_angle_deg"),
        answers=dict(as_judged.get("answers") or {}),
    )


def _kept(defect: Mapping[str, Any], sheet_mm: tuple[float, float]) -> DefectToJudge:
    ref = defect.get("ref")
    number = ref.get("number") if isinstance(ref, Mapping) else None
    name = "" if number is None else str(number)
    return defect_to_judge(defect, sheet_mm=sheet_mm, ref=ref, name=name)


def _bounded(defect: DefectToJudge) -> bool:
    return defect.length_mm is not None or defect.length_at_most_mm is not None
