"""`lehrbook grades list|show ID|judge ID DEFECTS.json|keep FILE.toml`: the grades at hand, a judgement from
a file.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from models.grades import Grade, GradeBook


def add_parser(subparsers: Any) -> None:
    """Add `grades` and its four actions."""
    parser = subparsers.add_parser("grades", help="list the grades, show one, judge a sheet by one")
    actions = parser.add_subparsers(dest="action", metavar="list|show|judge|keep", required=True)
    listed = actions.add_parser("list", help="all grades, one a line")
    shown = actions.add_parser("show", help="one grade's rules in words")
    shown.add_argument("grade", metavar="ID", help="id of the grade, as in the list")
    judged = actions.add_parser("judge", help="judge the sheet in a JSON file")
    judged.add_argument("grade", metavar="ID", help="id of the grade, as in the list")
    judged.add_argument("defects", metavar="DEFECTS.json", type=Path, help="sheet and defects")
    judged.add_argument(
        "--confirmed-by",
        metavar="NAME",
        help="who at the plant has checked a grade from memory against a bought copy",
    )
    judged.add_argument("--ladder", action="store_true", help="also name the best lower grade that is met")
    judged.add_argument(
        "--advice", action="store_true", help="also say what would make the sheet pass, and the largest piece"
    )
    kept = actions.add_parser("keep", help="keep a grade file of the plant's own, or a new version of one")
    kept.add_argument("file", metavar="FILE.toml", type=Path, help="grade file")
    for one in (listed, shown, judged):
        one.add_argument("--sets", metavar="DIR", type=Path, help="folder of grade files to use instead")
        if one is not judged:
            one.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    """Do the action; raises LehrbookError for bad input."""
    if args.action == "keep":
        return _keep(args)
    book = _book(args)
    if args.action == "list":
        _list(book, args.json)
    elif args.action == "show":
        _show(book.grade(args.grade), args.json)
    else:
        _judge(book, args)
    return 0


def _book(args: argparse.Namespace) -> GradeBook:
    """The grades of a folder, or the program's with what the plant confirmed and wrote itself.

    A plant that has not been set up yet is left alone.
    """
    from models.grades import load_sets

    book = load_sets(args.sets)
    if args.sets is not None or not (args.settings.database_url or args.settings.home.is_dir()):
        return book
    from models.database import reading
    from models.grade_books import plant_book
    from webapp.plant import open_plant

    plant = open_plant(args.settings)
    try:
        with reading(plant.sessions) as session:
            return plant_book(session, book)
    finally:
        plant.engine.dispose()


def _keep(args: argparse.Namespace) -> int:
    from models import audit
    from models.database import writing
    from models.grade_books import save_plant_grade
    from models.grades import BadGrade, grades_from_text
    from models.grades.check import oddities
    from webapp.plant import open_plant

    try:
        text = args.file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise BadGrade(f"{args.file}: expected a grade file in UTF-8") from None
    grades = grades_from_text(text, where=str(args.file), plant=True)
    plant = open_plant(args.settings)
    try:
        with writing(plant.sessions) as session:
            audit.set_origin(session, "command line")
            row = save_plant_grade(session, plant.book, text, None)
            kept = f"{row.grade_id}, version {row.version}: kept and in use from now on\n"
    finally:
        plant.engine.dispose()
    sys.stdout.write(kept)
    for grade in grades:
        sys.stdout.writelines(f"{grade.id}: {sentence}\n" for sentence in oddities(grade))
    return 0


def _list(book: GradeBook, as_json: bool) -> None:
    grades = [book.grade(name) for name in book.ids()]
    if as_json:
        _print([_summary(grade) for grade in grades])
        return
    width = max(len(grade.id) for grade in grades)
    for grade in grades:
        remark = "  (from memory, needs confirmation)" if grade.remembered else ""
        sys.stdout.write(f"{grade.id:<{width}}  {grade.version}  {grade.title}{remark}\n")


def _summary(grade: Grade) -> dict[str, Any]:
    return {
        "grade": grade.id, "title": grade.title, "standard": grade.standard, "edition": grade.edition,
        "version": grade.version, "source": grade.source, "remembered": grade.remembered,
        "smallest_class_mm": grade.smallest_class_mm, "viewing": grade.viewing.words(),
        "sizing": grade.sizing.words(), "ladder": list(grade.ladder),
    }  # fmt: skip


def _show(grade: Grade, as_json: bool) -> None:
    from models.grades.explain import SAFETY, grade_in_words

    if as_json:
        rules = [
            {"name": r.origin.name, "clause": r.origin.clause, "source": r.origin.source,
             "remembered": r.origin.remembered, "when": r.when.words(), "says": r.words()}
            for r in grade.rules
        ]  # fmt: skip
        _print({**_summary(grade), "rules": rules, "notes": list(grade.notes), "safety": SAFETY})
        return
    sys.stdout.write("\n".join(grade_in_words(grade)) + "\n")


def _judge(book: GradeBook, args: argparse.Namespace) -> None:
    from models.grades import judge, judge_ladder, sheet_from_dict
    from models.grades.advice import advice

    grade = book.grade(args.grade)
    sheet = sheet_from_dict(_read(args.defects), where=str(args.defects))
    if args.confirmed_by:
        book = book.with_confirmations(dict.fromkeys(book.ids(), args.confirmed_by))
        grade = book.grade(grade.id)
    result = judge(sheet, grade).to_dict()
    if args.ladder:
        decision = judge_ladder(sheet, grade, book.ladder(grade.id))
        result["decision"] = {"outcome": decision.outcome, "downgrade_to": decision.downgrade_to}
    if args.advice:
        what = advice(sheet, grade)
        result["advice"] = {
            "says": list(what.says),
            "without": None if what.without is None else list(what.without),
            "piece_mm": None if what.piece is None else what.piece.corners_mm,
            "proved_largest": None if what.piece is None else what.piece.proved,
        }
    _print(result)


def _read(path: Path) -> Any:
    from models.grades import BadSheet

    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError:
        raise BadSheet(f"{path}: expected JSON in UTF-8") from None
    except json.JSONDecodeError as problem:
        raise BadSheet(
            f"{path}: expected JSON, line {problem.lineno} column {problem.colno}: {problem.msg}"
        ) from None
    except RecursionError:
        raise BadSheet(f"{path}: expected JSON of a sheet, got lists nested too deep") from None


def _print(data: Any) -> None:
    sys.stdout.write(json.dumps(data, indent=2, ensure_ascii=False) + "\n")
