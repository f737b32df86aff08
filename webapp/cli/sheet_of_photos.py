"""Several inspected photos of one sheet as `lehrbook inspect --together` reports them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from vision.errors import SetupError

if TYPE_CHECKING:
    from models.grades import Grade
    from models.sheet.from_results import SheetOfResults
    from models.sheet.joining import SeenDefect
    from vision import PhotoSetup


def as_one_sheet(
    results: list[dict[str, Any]], setups: list[PhotoSetup | None], grade: Grade | None
) -> dict[str, Any]:
    """Marks of the sheet, each once, what was covered, and the grade's verdict if there is a grade.

    Raises SetupError when the set-ups do not tell one and the same sheet.
    """
    from models.sheet.from_results import label_of, sheet_of_results

    sheets = {setup.sheet_mm for setup in setups if setup is not None and setup.sheet_mm is not None}
    thicknesses = {s.thickness_mm for s in setups if s is not None and s.thickness_mm is not None}
    if len(sheets) != 1:
        msg = f"--together: the set-ups name {len(sheets)} sheet sizes; expected sheet to be one and the same"
        raise SetupError(msg)
    if len(thicknesses) > 1:
        msg = "--together: the set-ups name different thicknesses; expected photos of one sheet"
        raise SetupError(msg)
    width, length = next(iter(sheets))
    thickness = next(iter(thicknesses), None)
    needed = None if grade is None else grade.smallest_class_mm
    of = sheet_of_results(results, sheet_mm=(width, length), thickness_mm=thickness, needed_mm=needed)
    looked = of.looked
    whole: dict[str, Any] = {
        "photos": [result["photo"] for result in results],
        "sheet": {"width_mm": width, "length_mm": length},
        "covered_fraction": round(looked.seen_fraction, 4),
        "covered_at_smallest_class": round(looked.covered_fraction, 4),
        "under_tags_m2": round(looked.under_tags_m2, 4),
        "missing_tiles": [tile.name for tile in looked.tiles if not tile.done],
        "notes": list(looked.notes),
        "marks": [
            _mark(seen, label_of(of.joined, number), results) for number, seen in enumerate(of.joined.defects)
        ],
        "doubts": [{"marks": [doubt.first, doubt.second], "says": doubt.says} for doubt in of.joined.doubts],
    }
    if grade is not None and thickness is not None:
        whole["verdict"] = verdict_of(of, grade)
    return whole


def verdict_of(of: SheetOfResults, grade: Grade) -> dict[str, Any]:
    """The grade's verdict; its reasons point to the marks by their place in the list."""
    from models.grades import judge

    verdict = judge(of.sheet, grade).to_dict()
    for reason in verdict["reasons"]:
        reason["finds"] = [of.sheet.defects[k].ref for k in reason["finds"]]
    return verdict


def _mark(seen: SeenDefect, label: str, results: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "label": label,
        "kind": seen.kind,
        "not_glass": seen.not_glass,
        "x_mm": seen.x_mm,
        "y_mm": seen.y_mm,
        "length_mm": seen.length_mm,
        "width_mm": seen.width_mm,
        "halo_mm": seen.halo_mm,
        "length_sd_mm": seen.length_sd_mm,
        "length_at_most_mm": seen.length_at_most_mm,
        "path_mm": [list(point) for point in seen.path_mm] or None,
        "open_at_mm": [list(point) for point in seen.open_at_mm],
        "kind_scores": {name: round(value, 4) for name, value in seen.kind_scores.items()},
        "seen_in": [{"photo": results[i]["photo"], "number": n} for i, n in _refs(seen.members)],
        "missed_in": [results[int(str(i))]["photo"] for i in seen.missed_in],
    }


def _refs(members: tuple[Any, ...]) -> list[tuple[int, int]]:
    return [(int(photo), int(number)) for photo, number in members]


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
    lines += [f"  {note}" for note in whole["notes"]]
    for mark in counted:
        photos = ", ".join(seen["photo"] for seen in mark["seen_in"])
        lines.append(
            f"  {mark['label']:>5} {mark['kind']:<8} at x {mark['x_mm']:.1f}, y {mark['y_mm']:.1f} mm,"
            f" {_size(mark)} ({photos})"
        )
        if mark["missed_in"]:
            lines.append(f"        not to be seen in {', '.join(mark['missed_in'])}")
    for doubt in whole["doubts"]:
        names = " and ".join(whole["marks"][k]["label"] for k in doubt["marks"])
        lines.append(f"  {names}: {doubt['says']}")
    verdict = whole.get("verdict")
    if verdict is not None:
        lines.append(f"  {verdict['grade']}: {verdict['outcome'].replace('_', ' ')}")
        lines += [f"    {reason['clause']}: {reason['says']}" for reason in verdict["reasons"]]
    return lines


def _size(mark: dict[str, Any]) -> str:
    if mark["length_mm"] is None:
        most = mark["length_at_most_mm"]
        return "not sized" if most is None else f"too small to size, at most {most:.2f} mm"
    least = "at least " if mark["open_at_mm"] else ""
    end = ", its end lies outside the photos" if mark["open_at_mm"] and mark["path_mm"] else ""
    return f"{least}{mark['length_mm']:.2f} mm{end}"
