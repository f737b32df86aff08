"""`lehrbook backup FILE`, `lehrbook restore FILE`, `lehrbook verify [FILE]`."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from models.verify import Report


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the three commands."""
    backup = subparsers.add_parser(
        "backup",
        help="write the whole plant to one file, while it runs",
        description="Writes database, photos and the plant's own grades to one file, while the plant runs."
        " The file appears only when it is complete.",
    )
    backup.add_argument("file", metavar="FILE", type=Path, help="the backup to write; must not exist yet")
    restore = subparsers.add_parser(
        "restore",
        help="put a backup back into an empty data folder",
        description="Puts a backup back into the data folder (--home), which must be empty or not there yet."
        " All of it is verified first.",
    )
    restore.add_argument("file", metavar="FILE", type=Path, help="a file that `lehrbook backup` wrote")
    verify = subparsers.add_parser(
        "verify",
        help="check that nothing was changed, removed or damaged",
        description="Checks database, chain of acts, defects, verdicts and photos of a plant or a backup."
        " Keep the printed end of the chain somewhere else: it shows later that nobody rebuilt the chain.",
    )
    verify.add_argument("file", metavar="FILE", type=Path, nargs="?", help="a backup instead of the plant")


def run(args: argparse.Namespace) -> int:
    """Run one of the three."""
    return {"backup": _backup, "restore": _restore, "verify": _verify}[args.command](args)


def _backup(args: argparse.Namespace) -> int:
    from models.backup import make_backup
    from webapp.plant import open_plant

    plant = open_plant(args.settings)
    made = make_backup(plant.engine, args.home, args.file.absolute(), _tell)
    print(f"{args.file}: {made.photos} photos, {made.size_bytes / 1e6:.1f} MB")
    return 0


def _restore(args: argparse.Namespace) -> int:
    from models.backup import restore_backup

    report = restore_backup(args.file, args.home.absolute(), args.settings.database_url or None, _tell)
    print(f"{args.home}: put back and verified; {_words(report)}")
    return 0


def _verify(args: argparse.Namespace) -> int:
    from models.backup import check_backup
    from models.database import reading
    from models.verify import verify
    from webapp.plant import open_plant

    if args.file is not None:
        report = check_backup(args.file.absolute(), _tell)
    else:
        plant = open_plant(args.settings)
        with reading(plant.sessions) as session:
            report = verify(session, plant.store, _tell)
    for fault in report.faults:
        print(fault)
    print(_words(report))
    return 2 if report.faults else 0


def _words(report: "Report") -> str:
    count = len(report.faults)
    state = "everything stands as written" if not count else f"{count} fault{'s' if count > 1 else ''} found"
    return f"{report.entries} acts, {report.photos} photos: {state}; end of the chain {report.head}"


def _tell(text: str) -> None:
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K{text}")
        sys.stderr.flush()
