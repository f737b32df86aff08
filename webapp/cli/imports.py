"""`lehrbook import KIND FILE...` and `lehrbook import folder DIR`."""

import argparse
import sys
import time
from pathlib import Path

from webapp.cli.import_formats import FORMATS

KINDS = (
    "plant", "line-log", "furnace-log", "tracer", "events", "layout", "rolls", "sheets", "packs", "defects",
)  # fmt: skip


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "import",
        help="bring plant files into the books",
        description="Bring plant files into the books. Importing the same file twice changes nothing.",
        epilog=FORMATS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "kind", choices=(*KINDS, "folder"), help="what the files hold; folder: a watch folder"
    )
    parser.add_argument("files", nargs="+", metavar="FILE", help="files (for folder: one directory)")
    parser.add_argument("--line", help="name of the line; not needed where there is one only")
    parser.add_argument("--time-zone", help="the plant's time zone, such as Europe/Berlin")
    parser.add_argument("--skip-bad", action="store_true", help="let the good rows in where some are bad")
    parser.add_argument("--once", action="store_true", help="with folder: take what is there and stop")
    parser.add_argument(
        "--every", type=float, default=20.0, metavar="S", help="with folder: seconds between looks"
    )


def run(args: argparse.Namespace) -> int:
    """Import the files, one transaction each."""
    from models.imports import import_file
    from webapp.plant import open_plant

    plant = open_plant(args.settings, told=sys.stderr.write)
    if args.kind == "folder":
        return _folder(args, plant.sessions)
    shown = _Progress()
    for name in args.files:
        report = import_file(
            plant.sessions, args.kind, Path(name), line=args.line, time_zone=args.time_zone,
            skip_bad=args.skip_bad, progress=shown.rows,
        )  # fmt: skip
        shown.end()
        _tell(report)
    return 0


def _tell(report: object) -> None:
    for warning in report.warnings:  # type: ignore[attr-defined]
        sys.stderr.write(f"warning: {warning}\n")
    for refusal in report.refused:  # type: ignore[attr-defined]
        sys.stderr.write(f"refused: {report.file}, {refusal}\n")  # type: ignore[attr-defined]
    print(report.says())  # type: ignore[attr-defined]


def _folder(args: argparse.Namespace, sessions: object) -> int:
    from models.imports.folder import take_folder

    folder = Path(args.files[0])
    while True:
        for outcome in take_folder(sessions, folder, line=args.line, skip_bad=args.skip_bad):  # type: ignore[arg-type]
            print(outcome, flush=True)
        if args.once:
            return 0
        time.sleep(max(1.0, args.every))


class _Progress:
    """Rows done, on standard error: on a terminal in place, else now and then."""

    def __init__(self) -> None:
        self.at = time.monotonic()
        self.open = False

    def rows(self, kind: str, rows: int) -> None:
        now = time.monotonic()
        live = sys.stderr.isatty()
        if now - self.at < (0.5 if live else 10.0):
            return
        self.at = now
        sys.stderr.write(f"\r{kind}: {rows} rows" if live else f"{kind}: {rows} rows\n")
        sys.stderr.flush()
        self.open = live

    def end(self) -> None:
        if self.open:
            sys.stderr.write("\n")
            self.open = False
