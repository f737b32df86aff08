"""Several inspected photos of one sheet put together for `lehrbook inspect --together`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from vision.errors import SetupError

if TYPE_CHECKING:
    from models.grades import Grade
    from vision import PhotoSetup
    from vision.merge import Merged

LEAST_UNDER_TAGS_M2 = 0.002  # a smaller part is not worth a sentence


def as_one_sheet(
    results: list[dict[str, Any]], setups: list[PhotoSetup | None], grade: Grade | None
) -> dict[str, Any]:
    """Marks of the sheet, each once, what the photos cover, and the grade's verdict if there is a grade.

    Raises SetupError when the set-ups do not tell one and the same sheet.
    """
    from vision.merge import merge_results
    from vision.sheet_map import map_of_results

    sheets = {setup.sheet_mm for setup in setups if setup is not None and setup.sheet_mm is not None}
    thicknesses = {s.thickness_mm for s in setups if s is not None and s.thickness_mm is not None}
    if len(sheets) != 1:
        msg = f"--together: the set-ups name {len(sheets)} sheet sizes; expected sheet to be one and the same"
        raise SetupError(msg)
    if len(thicknesses) > 1:
        msg = "--together: the set-ups name different thicknesses; expected photos of one sheet"
        raise SetupError(msg)
    width, length = next(iter(sheets))
    marks = merge_results(results)
    smallest_class = None if grade is None else grade.smallest_class_mm
    chart = map_of_results(results, width, length)
    whole: dict[str, Any] = {
        "photos": [result["photo"] for result in results],
        "sheet": {"width_mm": width, "length_mm": length},
        "covered_fraction": round(chart.covered_fraction(), 4),
        "covered_at_smallest_class": round(chart.covered_fraction(smallest_class), 4),
        "under_tags_m2": round(chart.under_tags_m2, 4),
        "missing_tiles": chart.missing_tiles(smallest_class),
        "marks": [_mark(mark, results) for mark in marks],
    }
    if grade is not None and thicknesses:
        whole["verdict"] = _verdict(whole, marks, grade, next(iter(thicknesses)), results)
    return whole


def _mark(mark: Merged, results: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "kind": mark.kind,
        "not_glass": mark.not_glass,
        "x_mm": mark.x_mm,
        "y_mm": mark.y_mm,
        "length_mm": mark.length_mm,
        "width_mm": mark.width_mm,
        "halo_mm": mark.halo_mm,
        "length_sd_mm": mark.length_sd_mm,
        "path_mm": None if mark.path_mm is None else [list(point) for point in mark.path_mm],
        "kind_scores": {name: round(value, 4) for name, value in mark.kind_scores.items()},
        "seen_in": [{"photo": results[i]["photo"], "number": number} for i, number in mark.members],
        "missed_in": [results[i]["photo"] for i in mark.missed_in],
    }


def _verdict(
    whole: dict[str, Any],
    marks: list[Merged],
    grade: Grade,
    thickness_mm: float,
    results: list[dict[str, Any]],
) -> dict[str, Any]:
    from models.grades import DefectToJudge, SheetToJudge, judge

    width, length = whole["sheet"]["width_mm"], whole["sheet"]["length_mm"]
    defects = tuple(
        DefectToJudge(
            kind=mark.kind,
            x_mm=min(max(mark.x_mm, 0.0), width),
            y_mm=min(max(mark.y_mm, 0.0), length),
            length_mm=mark.length_mm,
            width_mm=mark.width_mm,
            halo_mm=mark.halo_mm,
            length_sd_mm=mark.length_sd_mm,
            path_mm=mark.path_mm or (),
            ref=index,
        )
        for index, mark in enumerate(marks)
        if mark.not_glass is None
    )
    tiles = ", ".join(whole["missing_tiles"])
    finest = [r["smallest_sized_mm"] for r in results if r["smallest_sized_mm"] is not None]
    complete = not whole["missing_tiles"]
    verdict = judge(
        SheetToJudge(
            width,
            length,
            thickness_mm,
            defects=defects,
            covered_fraction=1.0 if complete else whole["covered_at_smallest_class"],
            smallest_sized_mm=None if complete else max(finest, default=None),
            missing=() if complete else (f"still to be photographed finely enough: tiles {tiles}",),
        ),
        grade,
    ).to_dict()
    for reason in verdict["reasons"]:
        reason["finds"] = [defects[k].ref for k in reason["finds"]]
    return verdict


def in_words(whole: dict[str, Any]) -> list[str]:
    """The sheet for people."""
    counted = [mark for mark in whole["marks"] if mark["not_glass"] is None]
    sheet = whole["sheet"]
    head = (
        f"together: {len(counted)} marks in the glass of a sheet of {sheet['width_mm']:g} x "
        f"{sheet['length_mm']:g} mm, {100 * whole['covered_fraction']:.1f} % of it photographed"
    )
    lines = [head]
    if whole["missing_tiles"]:
        lines.append(f"  not covered finely enough: tiles {', '.join(whole['missing_tiles'])}")
    if whole["under_tags_m2"] >= LEAST_UNDER_TAGS_M2:
        lines.append(f"  under the tags: {whole['under_tags_m2']:.3f} m² of the glass; look there by eye")
    for mark in counted:
        size = "not sized" if mark["length_mm"] is None else f"{mark['length_mm']:.2f} mm"
        photos = ", ".join(seen["photo"] for seen in mark["seen_in"])
        lines.append(
            f"  {mark['kind']:<8} at x {mark['x_mm']:.1f}, y {mark['y_mm']:.1f} mm, {size} ({photos})"
        )
        if mark["missed_in"]:
            lines.append(f"           not to be seen in {', '.join(mark['missed_in'])}")
    verdict = whole.get("verdict")
    if verdict is not None:
        lines.append(f"  {verdict['grade']}: {verdict['outcome'].replace('_', ' ')}")
        lines += [f"    {reason['clause']}: {reason['says']}" for reason in verdict["reasons"]]
    return lines
