"""`lehrbook inspect PHOTO...`: look at photos, print or write what was found, judge by a grade."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from models.grades import Grade
    from vision import PhotoSetup


def add_parser(subparsers: Any) -> None:
    """Add `inspect`."""
    parser = subparsers.add_parser(
        "inspect",
        help="find, size and name what photos of a sheet show",
        description="Finds bubbles, stones and scratches in photos of a sheet. The set-up of PHOTO.jpg is "
        "looked for in PHOTO.setup.json beside it; without one the photo is reviewed, not sized.",
    )
    parser.add_argument("photos", metavar="PHOTO", type=Path, nargs="+", help="JPEG, PNG, WebP or HEIC file")
    parser.add_argument("--setup", metavar="FILE", type=Path, help="set-up file for all the photos")
    parser.add_argument("--grade", metavar="ID", help="judge each photo's sheet by this grade")
    parser.add_argument("--out", metavar="DIR", type=Path, help="write DIR/PHOTO.json for each photo")
    parser.add_argument(
        "--overlay", action="store_true", help="draw the finds: PHOTO.overlay.png in DIR or here"
    )
    parser.add_argument(
        "--stages", metavar="DIR", type=Path, help="write pictures of every stage to DIR/PHOTO/"
    )
    parser.add_argument(
        "--together",
        action="store_true",
        help="the photos show one sheet: count each mark once, add up what they cover, judge the sheet",
    )
    parser.add_argument("--json", action="store_true", help="print the result, one JSON object a photo")


def run(args: argparse.Namespace) -> int:
    """Inspect each photo. Raises VisionError or LehrbookError for bad input, which ends with status 2."""
    from vision import PhotoSetup

    grade = _grade(args.grade)
    told = None if args.setup is None else PhotoSetup.from_file(args.setup)
    stems = _stems(args.photos)
    for folder in (args.out, args.stages):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    setups = [told or _setup_beside(photo) for photo in args.photos]  # all are checked before any work
    results = [
        _inspect_one(photo, stem, setup, grade, args)
        for photo, stem, setup in zip(args.photos, stems, setups, strict=True)
    ]
    if args.together:
        _report_together(results, setups, grade, args)
    return 0


def _inspect_one(
    photo: Path, stem: str, setup: PhotoSetup | None, grade: Grade | None, args: argparse.Namespace
) -> dict[str, Any]:
    from vision import draw_overlay, inspect_photo
    from vision.pictures.stages import StageFolder

    data = photo.read_bytes()
    stages = None if args.stages is None else StageFolder(args.stages / stem)
    inspection = inspect_photo(data, setup, name=photo.name, stages=stages)
    result = inspection.to_dict()
    if grade is not None and not args.together:
        result["verdict"] = _verdict(result, setup, grade)
    if args.out is not None:
        _write(args.out / f"{stem}.json", (json.dumps(result, indent=1, ensure_ascii=False) + "\n").encode())
    if args.overlay:
        _write((args.out or Path()) / f"{stem}.overlay.png", draw_overlay(data, inspection, photo.name))
    if args.json:
        sys.stdout.write(json.dumps(result, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write("\n".join(_in_words(photo.name, result)) + "\n")
    return result


def _report_together(
    results: list[dict[str, Any]],
    setups: list[PhotoSetup | None],
    grade: Grade | None,
    args: argparse.Namespace,
) -> None:
    from webapp.cli.sheet_of_photos import as_one_sheet, in_words

    whole = as_one_sheet(results, setups, grade)
    if args.out is not None:
        _write(args.out / "together.json", (json.dumps(whole, indent=1, ensure_ascii=False) + "\n").encode())
    text = json.dumps(whole, ensure_ascii=False) if args.json else "\n".join(in_words(whole))
    sys.stdout.write(text + "\n")


def _stems(photos: list[Path]) -> list[str]:
    """Names for the results: without the photo's ending, unless two photos would then share one."""
    stems = [photo.stem for photo in photos]
    names = [photo.name if stems.count(photo.stem) > 1 else photo.stem for photo in photos]
    seen: dict[str, int] = {}
    unique = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        unique.append(name if seen[name] == 1 else f"{name}-{seen[name]}")
    return unique


def _setup_beside(photo: Path) -> PhotoSetup | None:
    from vision import PhotoSetup

    for name in (f"{photo.stem}.setup.json", f"{photo.name}.setup.json"):
        path = photo.with_name(name)
        if path.exists():
            return PhotoSetup.from_file(path)
    return None


def _write(path: Path, content: bytes) -> None:
    """Write beside, then rename: a stopped run leaves no half file."""
    beside = path.with_name(path.name + ".part")
    beside.write_bytes(content)
    beside.replace(path)


def _grade(name: str | None) -> Grade | None:
    from models.grades import load_sets

    return None if name is None else load_sets().grade(name)


def _verdict(result: dict[str, Any], setup: PhotoSetup | None, grade: Grade) -> dict[str, Any]:
    """The grade's verdict on the sheet as this one photo shows it; reasons point into `finds`."""
    from models.sheet.from_results import sheet_of_results
    from webapp.cli.sheet_of_photos import verdict_of

    if setup is None or result["scale"] is None or setup.field_mm is None:
        return _not_judged(grade, "the photo has no scale that can be trusted, so nothing in it is sized")
    if setup.thickness_mm is None:
        return _not_judged(grade, "the set-up does not tell thickness_mm, which the grade's rules depend on")
    x0, y0, x1, y1 = setup.field_mm
    # nobody told the sheet: what the field shows is judged as a piece of its own
    piece = max(x0, 0.0), max(y0, 0.0)
    of = sheet_of_results(
        [result],
        sheet_mm=setup.sheet_mm or (x1 - piece[0], y1 - piece[1]),
        thickness_mm=setup.thickness_mm,
        needed_mm=grade.smallest_class_mm,
        origin_mm=(0.0, 0.0) if setup.sheet_mm else piece,
        whole_sheet=setup.sheet_mm is not None,
    )
    place = {find["number"]: k for k, find in enumerate(result["finds"])}
    verdict = verdict_of(of, grade)
    for reason in verdict["reasons"]:
        reason["finds"] = [place[of.joined.groups[k][0].number] for k in reason["finds"]]
    return verdict


def _not_judged(grade: Grade, says: str) -> dict[str, Any]:
    reason: dict[str, Any] = {
        "clause": "coverage", "says": says, "finds": [], "limit": None, "counted": None,
        "outcome": "not_judged",
    }  # fmt: skip
    return {"grade": grade.id, "version": grade.version, "outcome": "not_judged", "reasons": [reason]}


def _in_words(name: str, result: dict[str, Any]) -> list[str]:
    """A result for people: what was found, what the photo can size, the verdict and its reasons."""
    counted = [find for find in result["finds"] if find["not_glass"] is None]
    aside = len(result["finds"]) - len(counted)
    kinds = {kind: sum(f["kind"] == kind for f in counted) for kind in ("bubble", "stone", "scratch")}
    words = ", ".join(f"{count} {kind}{'' if count == 1 else plural(kind)}" for kind, count in kinds.items())
    lines = [f"{name}: {words}; {aside} set aside as not glass"]
    if result["smallest_sized_mm"] is not None:
        scale = result["scale"]
        lines.append(
            f"  {scale['mm_per_px']:.4f} mm per pixel ({scale['source']}), sizes from "
            f"{result['smallest_sized_mm']:.2f} mm, {100 * (result['covered_fraction'] or 0):.1f} % seen"
        )
    lines += [f"  {message}" for message in result["messages"]]
    lines += [_find_in_words(find) for find in counted]
    verdict = result.get("verdict")
    if verdict is not None:
        lines.append(f"  {verdict['grade']}: {verdict['outcome'].replace('_', ' ')}")
        lines += [f"    {reason['clause']}: {reason['says']}" for reason in verdict["reasons"]]
    return lines


def plural(kind: str) -> str:
    """The ending that makes several of a kind."""
    return "es" if kind.endswith("h") else "s"


def _find_in_words(find: dict[str, Any]) -> str:
    if find["x_mm"] is None:
        return f"  {find['number']:>4} {find['kind']:<8} at pixel {find['x_px']:.0f}, {find['y_px']:.0f}"
    place = f"  {find['number']:>4} {find['kind']:<8} at x {find['x_mm']:.1f}, y {find['y_mm']:.1f} mm"
    if find["length_mm"] is None:
        return f"{place}, too small to size"
    size = f"{place}, {find['length_mm']:.2f} ± {find['length_sd_mm']:.2f} mm long"
    return size + ("" if find["halo_mm"] is None else f", halo {find['halo_mm']:.2f} mm")
